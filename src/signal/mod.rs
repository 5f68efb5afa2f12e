//! From samples to baseline, peaks, noise and shape figures. Knows nothing of analytes and concentrations.
//!
//! Everything here is a pure function of the samples: the same numbers in give the same numbers out. The work is
//! done on means over cells of a twelfth of a peak's width, and only apexes, areas, noise and ceilings look at the raw
//! samples again; so the time grows with the number of samples and hardly with anything else.

mod baseline;
mod bounds;
mod describe;
mod detect;
mod forced;
mod measure;
mod overlap;
mod parting;
mod peaks;
mod resample;
mod same;
mod shape;
mod skim;
mod spread;
mod width;

pub mod air;
pub mod fit;
pub mod noise;
pub mod saturation;
pub mod savgol;
pub mod steer;

#[cfg(test)]
pub(crate) mod made;
#[cfg(test)]
mod tests;

pub use peaks::integrate;

use crate::reading::Air;

/// What is known beforehand. [`Params::default`] knows nothing and finds out from the trace.
#[derive(Debug, Clone, PartialEq)]
pub struct Params {
    /// Usual full width of a peak at half height, s; `None`: estimated from the trace.
    pub peak_width_s: Option<f64>,
    /// More plates than the column can have: what is narrower is no peak. Default 150,000.
    pub plates_max: f64,
    /// Where the detector cannot read higher, mAU; `None`: only a flat top tells.
    pub detector_max_mau: Option<f64>,
    /// Before this time no peak of the method is due, s: spikes there are held to the width of peaks at this time.
    /// Default 0.
    pub first_peak_s: f64,
    /// How far a peak's contrast stands above the noise of contrasts, in standard deviations. Default 4.5: the highest
    /// of a blank's few hundred independent places seldom passes 4 (no false peak in 9,000 simulated blanks).
    pub threshold: f64,
    /// What a person orders. Default: nothing.
    pub steering: steer::Steering,
}

impl Default for Params {
    fn default() -> Self {
        Params {
            peak_width_s: None,
            plates_max: 150_000.0,
            detector_max_mau: None,
            first_peak_s: 0.0,
            threshold: 4.5,
            steering: steer::Steering::default(),
        }
    }
}

impl Params {
    /// Full width at half height below which nothing at this time is a peak, s: by plates, and by the usual width where it is known.
    pub(crate) fn narrowest_s(&self, at_s: f64) -> f64 {
        // N = 5.54 (t/w)^2, USP <621>.
        let by_plates =
            at_s.max(self.first_peak_s).max(0.0) * (5.54 / self.plates_max.max(1.0)).sqrt();
        by_plates.max(0.3 * self.peak_width_s.unwrap_or(0.0))
    }
}

/// Values beyond this are no detector's, mAU.
const LARGEST_MAU: f64 = 1e15;

/// Whether samples can be integrated: times finite and increasing, values finite and below 10¹⁵.
pub fn is_usable(time_s: &[f64], signal_mau: &[f64]) -> bool {
    // Without a way out of the loops: they are then done several values at once.
    let small = |v: &[f64]| v.iter().fold(true, |ok, x| ok & (x.abs() <= LARGEST_MAU));
    let rising = time_s.windows(2).fold(true, |ok, t| ok & (t[1] > t[0]));
    time_s.len() == signal_mau.len() && rising & small(time_s) & small(signal_mau)
}

/// Which rule chose a peak's bounds and baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// It stands alone: from baseline to baseline.
    ValleyToValley,
    /// It touches a neighbour: parted by a vertical at the lowest place between them.
    PerpendicularDrop,
    /// A small one on the tail of a large one: cut off along the tangent.
    TangentSkim,
    /// The same along the tail that was fitted to the large one.
    TailSkim,
    /// A person said from where to where.
    ForcedBounds,
}

impl Rule {
    /// The rule in words.
    pub fn words(self) -> &'static str {
        match self {
            Rule::ValleyToValley => "valley to valley",
            Rule::PerpendicularDrop => "perpendicular drop",
            Rule::TangentSkim => "tangent skim",
            Rule::TailSkim => "skim along the fitted tail",
            Rule::ForcedBounds => "forced bounds",
        }
    }
}

/// One peak. Times in s from injection, heights in mAU, areas in mAU·s.
#[derive(Debug, Clone, PartialEq)]
pub struct Peak {
    /// Apex, s.
    pub apex_s: f64,
    /// Height above the baseline at the apex, mAU.
    pub height_mau: f64,
    /// Area of the raw signal above the baseline, mAU·s.
    pub area_mau_s: f64,
    /// Integration from, s.
    pub start_s: f64,
    /// Integration to, s.
    pub end_s: f64,
    /// Baseline at `start_s`, mAU.
    pub baseline_start_mau: f64,
    /// Baseline at `end_s`, mAU.
    pub baseline_end_mau: f64,
    /// The rule that chose bounds and baseline.
    pub rule: Rule,
    /// Full width at 50 % of the height, s; `None` where the signal does not fall so far before a neighbour.
    pub width_50_s: Option<f64>,
    /// Full width at 10 % of the height, s.
    pub width_10_s: Option<f64>,
    /// Full width at 5 % of the height, s.
    pub width_05_s: Option<f64>,
    /// Symmetry factor W0.05/(2 d), d from the front at 5 % to the apex.
    pub tailing: Option<f64>,
    /// Plate number 5.54 (t/w50)².
    pub plates: Option<f64>,
    /// Resolution 1.18 dt/(w50 + w50) to the peak before.
    pub resolution_before: Option<f64>,
    /// The same to the peak after.
    pub resolution_after: Option<f64>,
    /// Height of the smaller over the valley between, towards the peak before, where they touch.
    pub peak_to_valley_before: Option<f64>,
    /// The same towards the peak after.
    pub peak_to_valley_after: Option<f64>,
    /// 2H/h of the pharmacopoeias.
    pub signal_to_noise: f64,
    /// Contrast over the noise of contrasts: what [`Params::threshold`] is held against.
    pub significance: f64,
    /// The detector was at its ceiling inside the peak.
    pub saturated: bool,
    /// The fit of its group, where one was asked for and is believed.
    pub fitted: Option<fit::Fitted>,
    /// Why there is no fit although one was asked for.
    pub unfitted: Option<&'static str>,
}

/// What a trace shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Positive peaks in order of time, the front among them.
    pub peaks: Vec<Peak>,
    /// Full width at half height that was looked for, s.
    pub peak_width_s: f64,
    /// Short-term noise after ASTM E685 over what is free of signal, mAU; `None` where too little is.
    pub noise_mau: Option<f64>,
    /// Drift of what is free of signal, mAU/h.
    pub drift_mau_per_h: Option<f64>,
    /// Air in the lines.
    pub air: Option<Air>,
    /// Spikes of one sample or a few that were bridged before anything was measured.
    pub bridged: u64,
}
