//! What one trace says by itself, whatever a run list calls it: the value that travels from
//! [`signal`](crate::signal) and [`quant`](crate::quant) to [`check`](crate::check) and is kept in the
//! [`ledger`](crate::ledger).
//!
//! Units are in the names: `_min` minutes, `_s` seconds, `_mau` milli absorbance units (or the detector's own
//! unit where it is no absorbance), `_mau_s` that unit times seconds.

use serde::{Deserialize, Serialize};

/// What became of one file: numbers, or the reason why there are none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Evaluation {
    /// The file is a trace and was evaluated.
    Read(Reading),
    /// The file has settled and is no trace, or not a whole one.
    Unreadable(Unreadable),
}

/// Why a settled file could not be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unreadable {
    /// Line in the file, from 1, where there is one.
    pub line: Option<u64>,
    /// What was found and what was expected, one sentence without a final stop.
    pub message: String,
}

/// The figures of one trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Number of samples.
    pub points: u64,
    /// Time of the first sample, min.
    pub start_min: f64,
    /// Time of the last sample, min.
    pub end_min: f64,
    /// Short-term noise after ASTM E685: mean width of the narrowest parallel pair over signal-free segments, mAU.
    /// `None` where too little of the trace is free of peaks.
    pub noise_mau: Option<f64>,
    /// Drift after ASTM E685 from the signal-free part, mAU per hour, signed.
    pub drift_mau_per_h: Option<f64>,
    /// Air in the lines, where the trace shows it.
    pub air: Option<Air>,
    /// One entry for each analyte of the method, in the method's order; `None`: no peak in its window.
    pub analytes: Vec<Option<Found>>,
    /// The detector's unit as it was read: `mAU` where it is an absorbance.
    pub signal_unit: String,
    /// Things worth saying in the summary: "stops at 18.20 min of 22.00" and the like.
    pub notes: Vec<String>,
}

/// Signs of air in the lines.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// Number of spikes narrower than any peak.
    pub spikes: u64,
    /// Height of the tallest spike, mAU.
    pub tallest_mau: f64,
    /// Where it begins, min.
    pub from_min: f64,
    /// Where it ends, min.
    pub to_min: f64,
    /// Noise of the worst stretch over the trace's usual noise.
    pub roughness_ratio: f64,
}

/// One analyte's peak. Kept whole, so that every integration can be explained.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// Apex by local parabola, min.
    pub retention_min: f64,
    /// The area that counts, mAU·s: by the trapezoid rule on the raw signal above the baseline, or the fitted one where
    /// the method says so.
    pub area_mau_s: f64,
    /// Height above the baseline at the apex, mAU.
    pub height_mau: f64,
    /// 2H/h of the pharmacopoeias.
    pub signal_to_noise: f64,
    /// Symmetry factor at 5 % of the height; 1 for a Gaussian.
    pub tailing: Option<f64>,
    /// Plate number from the width at half height.
    pub plates: Option<f64>,
    /// The smaller of the resolutions to the two neighbouring peaks, from half-widths; `None` without a neighbour.
    pub resolution: Option<f64>,
    /// Full width at half height, s.
    pub width_half_s: Option<f64>,
    /// Integration from, min.
    pub start_min: f64,
    /// Integration to, min.
    pub end_min: f64,
    /// Baseline value at `start_min`, mAU.
    pub baseline_start_mau: f64,
    /// Baseline value at `end_min`, mAU.
    pub baseline_end_mau: f64,
    /// The rule that chose bounds and baseline, e.g. `valley to valley`, `perpendicular drop`, `forced bounds`.
    pub rule: String,
    /// Peaks that stood in the window; with more than one the nearest to the expected place was taken.
    pub candidates: u32,
    /// The detector was at its ceiling inside the peak.
    pub saturated: bool,
    /// Area counts as biased: a drop line between unequal neighbours at a resolution below 1.5, and the like.
    pub doubtful: Option<String>,
    /// Area by the trapezoid rule, mAU·s, whichever counts.
    #[serde(default)]
    pub classical_area_mau_s: Option<f64>,
    /// What a fit of its group says, where the method asks for one.
    #[serde(default)]
    pub fitted: Option<Fitted>,
    /// The smaller of the peak-to-valley ratios towards touching neighbours: height of the lower peak over the valley.
    #[serde(default)]
    pub peak_to_valley: Option<f64>,
    /// Retention factor (t - t0)/t0, where the method gives the dead time t0.
    #[serde(default)]
    pub retention_factor: Option<f64>,
}

/// A peak as an exponentially modified Gaussian, fitted together with the neighbours that it touches.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fitted {
    /// Area, mAU·s.
    pub area_mau_s: f64,
    /// Its standard error, mAU·s, from the covariance of the fit and the memory of the residuals.
    pub area_se_mau_s: f64,
    /// Place of its own maximum, without its neighbours, min.
    pub retention_min: f64,
    /// Standard deviation of the Gaussian, s.
    pub sigma_s: f64,
    /// Time constant of the tail, s.
    pub tau_s: f64,
    /// Peaks that were fitted together.
    pub together: u32,
    /// Standard deviation of the residuals, mAU.
    pub residual_mau: f64,
    /// Covariance of its area with the areas of the group in order of time, (mAU·s)².
    pub area_covariance: Vec<f64>,
}
