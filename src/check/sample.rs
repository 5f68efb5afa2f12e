//! Samples: the unknowns, against the calibrated range.

use super::{Assessment, Bench, Check, Effect, Failure, retention_shift, saturated};
use crate::method::Analyte;
use crate::quant::curve::Curve;
use crate::reading::Reading;
use crate::runlist::{Injection, Kind};
use crate::text::significant;

/// Range, saturation and retention of a sample.
pub fn judge(plan: &Injection, reading: &Reading, bench: Bench<'_>, out: &mut Assessment) {
    for (k, (analyte, found)) in bench
        .method
        .analytes
        .iter()
        .zip(&reading.analytes)
        .enumerate()
    {
        let Some(curve) = bench.curves.get(k).copied().flatten() else {
            continue;
        };
        let in_detector = out.lines.get(k).and_then(|l| l.in_detector);
        match in_detector {
            Some(x) if x > curve.highest => out.failures.push(above(k, analyte, x, curve)),
            Some(x) if x < curve.lowest => {
                out.failures.push(below(plan, k, analyte, Some(x), curve))
            }
            None if found.is_none() => out.failures.push(below(plan, k, analyte, None, curve)),
            _ => {}
        }
    }
    retention_shift(Kind::Sample, reading, bench, out);
    saturated(Kind::Sample, reading, bench, out);
}

fn above(k: usize, analyte: &Analyte, x: f64, curve: &Curve) -> Failure {
    let high = curve.highest;
    Failure {
        check: Check::AboveRange,
        analyte: Some(k),
        measured: Some(x),
        limit: significant(high, 5),
        unit: analyte.unit.clone(),
        message: format!(
            "{}: {} {} in the vial, calibrated up to {}",
            analyte.name,
            significant(x, 4),
            analyte.unit,
            significant(high, 4)
        ),
        effect: Effect::Rerun,
    }
}

/// Below the range stands, flagged, where the sample was injected as it is; a diluted one can be run less diluted.
fn below(plan: &Injection, k: usize, analyte: &Analyte, x: Option<f64>, curve: &Curve) -> Failure {
    let low = curve.lowest;
    let message = match x {
        Some(x) => format!(
            "{}: {} {} in the vial, calibrated from {}",
            analyte.name,
            significant(x, 4),
            analyte.unit,
            significant(low, 4)
        ),
        None => format!(
            "{}: no peak: below the limit of detection{}",
            analyte.name,
            detection(curve, plan.dilution, &analyte.unit)
        ),
    };
    Failure {
        check: Check::BelowRange,
        analyte: Some(k),
        measured: x,
        limit: significant(low, 5),
        unit: analyte.unit.clone(),
        message,
        effect: if plan.dilution > 1.0 {
            Effect::Rerun
        } else {
            Effect::None
        },
    }
}

fn detection(curve: &Curve, dilution: f64, unit: &str) -> String {
    if curve.lod > 0.0 {
        format!(" (< {} {unit})", significant(curve.lod * dilution, 3))
    } else {
        String::new()
    }
}
