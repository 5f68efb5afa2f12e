//! Standards and calibrators: known solutions.

use super::{Assessment, Bench, Check, Failure, nominal, retention_shift, saturated};
use crate::method::Analyte;
use crate::reading::{Found, Reading};
use crate::runlist::{Injection, Kind};
use crate::text::{fixed, significant};

/// Below this signal-to-noise the height at 5 % drowns in the noise: the symmetry factor says nothing
/// (common practice, no source: 5 % of the height should stand at least two and a half times over the noise).
const TAILING_NEEDS_SIGNAL_TO_NOISE: f64 = 100.0;
/// Below this one the width at half height is too uncertain to judge plates and resolution.
const WIDTH_NEEDS_SIGNAL_TO_NOISE: f64 = 20.0;

/// Everything that a known solution must show. `correction` brings areas to the method's injection volume.
pub fn judge(
    plan: &Injection,
    reading: &Reading,
    correction: f64,
    bench: Bench<'_>,
    out: &mut Assessment,
) {
    for (k, (analyte, found)) in bench
        .method
        .analytes
        .iter()
        .zip(&reading.analytes)
        .enumerate()
    {
        let Some(expected) = nominal(plan, bench.method, k) else {
            continue;
        };
        let Some(found) = found else {
            out.failures.push(no_peak(plan.kind, k, analyte));
            continue;
        };
        if plan.kind == Kind::Standard {
            recovery(k, analyte, expected, bench, out);
            drift(k, analyte, found.area_mau_s * correction, bench, out);
        }
        shape(plan.kind, k, analyte, found, bench, out);
    }
    retention_shift(plan.kind, reading, bench, out);
    saturated(plan.kind, reading, bench, out);
}

fn no_peak(kind: Kind, k: usize, analyte: &Analyte) -> Failure {
    Failure {
        check: Check::NoPeak,
        analyte: Some(k),
        measured: None,
        limit: String::new(),
        unit: String::new(),
        message: format!(
            "{}: no peak between {} and {} min",
            analyte.name,
            fixed(analyte.retention_min - analyte.window_min, 2),
            fixed(analyte.retention_min + analyte.window_min, 2)
        ),
        effect: Check::NoPeak.effect(kind),
    }
}

fn recovery(k: usize, analyte: &Analyte, expected: f64, bench: Bench<'_>, out: &mut Assessment) {
    let [low, high] = bench.method.limits.recovery_percent;
    let Some(line) = out.lines.get(k) else { return };
    let (Some(percent), Some(found)) = (line.recovery_percent, line.concentration) else {
        return;
    };
    if percent < low || percent > high {
        out.failures.push(Failure {
            check: Check::Recovery,
            analyte: Some(k),
            measured: Some(percent),
            limit: format!("{}-{}", significant(low, 4), significant(high, 4)),
            unit: "%".to_owned(),
            message: format!(
                "{}: recovery {} % ({} of {} {}), limits {} to {} %",
                analyte.name,
                fixed(percent, 1),
                significant(found, 4),
                significant(expected, 4),
                analyte.unit,
                significant(low, 4),
                significant(high, 4)
            ),
            effect: Check::Recovery.effect(Kind::Standard),
        });
    }
}

fn drift(k: usize, analyte: &Analyte, area: f64, bench: Bench<'_>, out: &mut Assessment) {
    let limit = bench.method.limits.standard_area_drift_percent;
    let Some(first) = bench
        .first_areas
        .and_then(|a| a.get(k).copied().flatten())
        .filter(|a| *a > 0.0)
    else {
        return;
    };
    let change = 100.0 * (area / first - 1.0);
    if change.abs() > limit {
        out.failures.push(Failure {
            check: Check::StandardDrift,
            analyte: Some(k),
            measured: Some(change),
            limit: significant(limit, 4),
            unit: "%".to_owned(),
            message: format!(
                "{}: area {}{} % against the queue's first standard of this level, limit {} %",
                analyte.name,
                if change > 0.0 { "+" } else { "" },
                fixed(change, 1),
                significant(limit, 4)
            ),
            effect: Check::StandardDrift.effect(Kind::Standard),
        });
    }
}

/// Tailing, plates and resolution; the worst of the three gives the numbers, all that fail are named.
fn shape(
    kind: Kind,
    k: usize,
    analyte: &Analyte,
    found: &Found,
    bench: Bench<'_>,
    out: &mut Assessment,
) {
    let limits = &bench.method.limits;
    let mut words = Vec::new();
    let mut first: Option<(f64, String)> = None;
    let mut miss = |measured: f64, limit: f64, word: String| {
        first.get_or_insert((measured, significant(limit, 4)));
        words.push(word);
    };
    if found.signal_to_noise >= TAILING_NEEDS_SIGNAL_TO_NOISE
        && let Some(t) = found.tailing.filter(|t| *t > limits.tailing_max)
    {
        miss(
            t,
            limits.tailing_max,
            format!(
                "tailing {}, limit {}",
                fixed(t, 2),
                significant(limits.tailing_max, 4)
            ),
        );
    }
    if found.signal_to_noise >= WIDTH_NEEDS_SIGNAL_TO_NOISE {
        if let Some(n) = found.plates.filter(|n| *n < limits.plates_min) {
            miss(
                n,
                limits.plates_min,
                format!(
                    "plates {}, at least {}",
                    fixed(n, 0),
                    significant(limits.plates_min, 6)
                ),
            );
        }
        if let Some(r) = found.resolution.filter(|r| *r < limits.resolution_min) {
            miss(
                r,
                limits.resolution_min,
                format!(
                    "resolution {}, at least {}",
                    fixed(r, 2),
                    significant(limits.resolution_min, 4)
                ),
            );
        }
    }
    if let Some((measured, limit)) = first {
        out.failures.push(Failure {
            check: Check::PeakShape,
            analyte: Some(k),
            measured: Some(measured),
            limit,
            unit: String::new(),
            message: format!("{}: {}", analyte.name, words.join("; ")),
            effect: Check::PeakShape.effect(kind),
        });
    }
}
