//! Blanks: nothing should show.

use super::{Assessment, Bench, Check, Failure};
use crate::reading::Reading;
use crate::runlist::Kind;
use crate::text::{fixed, significant};

/// Noise, drift and carry-over of a blank. A blank with air in it has no other figure worth judging.
pub fn judge(reading: &Reading, bench: Bench<'_>, out: &mut Assessment) {
    if reading.air.is_some() {
        return;
    }
    let limits = &bench.method.limits;
    if let Some(noise) = reading.noise_mau.filter(|n| *n > limits.blank_noise_mau) {
        out.failures.push(figure(
            Check::BlankNoise,
            noise,
            limits.blank_noise_mau,
            "mAU",
            "short-term noise",
        ));
    }
    if let Some(drift) = reading
        .drift_mau_per_h
        .filter(|d| d.abs() > limits.blank_drift_mau_per_h)
    {
        out.failures.push(figure(
            Check::BlankDrift,
            drift,
            limits.blank_drift_mau_per_h,
            "mAU/h",
            "baseline drift",
        ));
    }
    carry_over(reading, bench, out);
}

fn figure(check: Check, measured: f64, limit: f64, unit: &str, what: &str) -> Failure {
    Failure {
        check,
        analyte: None,
        measured: Some(measured),
        limit: significant(limit, 4),
        unit: unit.to_owned(),
        message: format!(
            "{what} {} {unit}, limit {}",
            fixed(measured, 2),
            significant(limit, 4)
        ),
        effect: check.effect(Kind::Blank),
    }
}

/// A peak in an analyte's window, held against the lowest calibrator's response (ICH M10 3.2.6 as a model: 20 %).
/// Without a calibration there is nothing to hold it against.
fn carry_over(reading: &Reading, bench: Bench<'_>, out: &mut Assessment) {
    let limit = bench.method.limits.carry_over_percent_of_lowest;
    for (k, (analyte, found)) in bench
        .method
        .analytes
        .iter()
        .zip(&reading.analytes)
        .enumerate()
    {
        let (Some(found), Some(curve)) = (found, bench.curves.get(k).copied().flatten()) else {
            continue;
        };
        let lowest = curve.lowest_area_mau_s;
        if lowest.is_nan() || lowest <= 0.0 {
            continue;
        }
        let share = 100.0 * found.area_mau_s / lowest;
        if share > limit {
            out.failures.push(Failure {
                check: Check::CarryOver,
                analyte: Some(k),
                measured: Some(share),
                limit: significant(limit, 4),
                unit: "%".to_owned(),
                message: format!(
                    "{}: the blank shows a peak of {} % of the lowest calibrator's response, limit {} %",
                    analyte.name,
                    fixed(share, 0),
                    significant(limit, 4)
                ),
                effect: Check::CarryOver.effect(Kind::Blank),
            });
        }
    }
}
