//! A peak in the words of a reading, and what is doubtful about its area.

use crate::method::Area;
use crate::reading::{Fitted, Found};
use crate::signal::{self, Peak, Profile, Rule};

/// Resolution below which a vertical between unequal neighbours biases their areas. Common practice: at 1.5 and
/// 10 : 1 the error is 0.2 % for Gaussians, at 1.0 it is 8 %.
const PARTED: f64 = 1.5;
/// Neighbours count as unequal from this ratio of heights.
const UNEQUAL: f64 = 1.5;
/// A neighbour smaller than this part of a peak does not bias it noticeably.
const NEGLIGIBLE: f64 = 0.2;
/// A fitted area with a larger standard error than this, %, is doubtful. Common practice, no source.
const UNCERTAIN_PERCENT: f64 = 10.0;

/// What the method asks of an analyte's figures.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asked {
    /// Which area counts.
    pub(super) area: Area,
    /// Dead time, min.
    pub(super) dead_time_min: Option<f64>,
}

/// A peak in the words of a [`Reading`].
pub(super) fn told(
    profile: &Profile,
    index: usize,
    candidates: u32,
    end_s: f64,
    asked: Asked,
) -> Found {
    let peak = &profile.peaks[index];
    let resolution = lower(peak.resolution_before, peak.resolution_after);
    let counts = peak.fitted.as_ref().filter(|_| asked.area == Area::Fitted);
    Found {
        retention_min: peak.apex_s / 60.0,
        area_mau_s: counts.map_or(peak.area_mau_s, |f| f.area_mau_s),
        height_mau: peak.height_mau,
        signal_to_noise: peak.signal_to_noise,
        tailing: peak.tailing,
        plates: peak.plates,
        resolution,
        width_half_s: peak.width_50_s,
        start_min: peak.start_s / 60.0,
        end_min: peak.end_s / 60.0,
        baseline_start_mau: peak.baseline_start_mau,
        baseline_end_mau: peak.baseline_end_mau,
        rule: peak.rule.words().to_owned(),
        candidates,
        saturated: peak.saturated,
        doubtful: doubt(&profile.peaks, index, end_s, asked.area),
        classical_area_mau_s: Some(peak.area_mau_s),
        fitted: peak.fitted.as_ref().map(fitted),
        peak_to_valley: lower(peak.peak_to_valley_before, peak.peak_to_valley_after),
        // k = (t - t0)/t0, USP <621>.
        retention_factor: asked
            .dead_time_min
            .map(|dead| (peak.apex_s / 60.0 - dead) / dead),
    }
}

fn lower(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    a.zip(b).map(|(a, b)| a.min(b)).or(a).or(b)
}

fn fitted(f: &signal::fit::Fitted) -> Fitted {
    Fitted {
        area_mau_s: f.area_mau_s,
        area_se_mau_s: f.area_se_mau_s,
        retention_min: f.apex_s / 60.0,
        sigma_s: f.sigma_s,
        tau_s: f.tau_s,
        together: f.together,
        residual_mau: f.residual_mau,
        area_covariance: f.area_covariance.clone(),
    }
}

/// What is doubtful about the area that counts. A fitted one is not parted by any line; one that should be fitted and
/// is not says why.
fn doubt(peaks: &[Peak], index: usize, end_s: f64, area: Area) -> Option<String> {
    let peak = &peaks[index];
    match (area, &peak.fitted) {
        (Area::Classical, _) => doubtful(peaks, index, end_s),
        (Area::Fitted, Some(f)) => {
            let part = 100.0 * f.area_se_mau_s / f.area_mau_s;
            (part > UNCERTAIN_PERCENT)
                .then(|| format!("the fitted area has a standard error of {part:.0} %"))
        }
        (Area::Fitted, None) => {
            let why = peak.unfitted.unwrap_or("the fit did not converge");
            let text = format!("{why}: the classical area counts");
            Some(match doubtful(peaks, index, end_s) {
                Some(other) => format!("{text}; {other}"),
                None => text,
            })
        }
    }
}

/// Why an area counts as biased.
fn doubtful(peaks: &[Peak], index: usize, end_s: f64) -> Option<String> {
    let peak = &peaks[index];
    if peak.end_s >= end_s && peak.rule == Rule::ValleyToValley {
        return Some("the trace ends before the peak does".to_owned());
    }
    if matches!(peak.rule, Rule::TangentSkim | Rule::TailSkim) {
        return Some("it rides on the tail of a larger peak".to_owned());
    }
    if peak.rule == Rule::ForcedBounds {
        return None;
    }
    let before = index
        .checked_sub(1)
        .and_then(|i| peaks.get(i))
        .map(|n| (n, n.end_s, peak.start_s, peak.resolution_before));
    let after = peaks
        .get(index + 1)
        .map(|n| (n, peak.end_s, n.start_s, peak.resolution_after));
    let worst = before
        .into_iter()
        .chain(after)
        .filter(|(n, a, b, resolution)| {
            let ratio = n.height_mau / peak.height_mau;
            let unequal = ratio.max(1.0 / ratio) >= UNEQUAL && ratio > NEGLIGIBLE;
            a >= b && unequal && resolution.is_none_or(|r| r < PARTED)
        })
        .min_by(|x, y| x.3.unwrap_or(0.0).total_cmp(&y.3.unwrap_or(0.0)))?;
    let ratio = worst.0.height_mau / peak.height_mau;
    let size = if ratio >= 1.0 {
        format!("{ratio:.1} times as high")
    } else {
        format!("{:.0} % as high", 100.0 * ratio)
    };
    let resolution = worst.3.map_or("below 1".to_owned(), |r| format!("{r:.2}"));
    Some(format!(
        "{} at resolution {resolution} from a neighbour {size}",
        peak.rule.words()
    ))
}
