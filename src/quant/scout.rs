//! One injection of a pure compound: what a method should say of it.
//!
//! Where a trace does not show one compound plainly it is refused, with what it shows and what to do.

mod beside;
mod refusal;
#[cfg(test)]
mod tests;

pub use beside::{Because, Neighbour, Window};
pub use refusal::Refusal;

use crate::method::{Analyte, Method};
use crate::signal::{Peak, Profile, Rule};

/// A peak with this part of the largest one's area is of like size: then nobody can tell which is the compound. House
/// rule: a compound with a quarter of something else in it is none to set a method by.
const LIKE_SIZE: f64 = 0.25;
/// A peak of less than this part of the largest one's area is not spoken of.
const TRACES: f64 = 0.005;
/// Below this signal-to-noise ratio (2H/h) a width says nothing: the limit from which plates are judged.
const LEAST_SIGNAL_TO_NOISE: f64 = 20.0;
/// So many widths at half height a trace must go on to each side of the apex: there a Gaussian has fallen to a
/// ten-thousandth.
const REACH: f64 = 2.0;
/// What stands before so many dead times is the front: what the column does not hold back, and the solvent.
const FRONT: f64 = 1.1;

/// A peak beside the compound's own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Other {
    /// Its apex, min.
    pub apex_min: f64,
    /// Its part of the area of all peaks, %.
    pub area_percent: f64,
}

/// What the trace shows of the compound.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// Its apex, min.
    pub retention_min: f64,
    /// Where to look for it.
    pub window: Window,
    /// Full width at half height, min.
    pub width_half_min: f64,
    /// Plate number 5.54 (t/w)².
    pub plates: f64,
    /// Symmetry factor at 5 % of the height; `None` where a neighbour hides it.
    pub symmetry: Option<f64>,
    /// 2H/h.
    pub signal_to_noise: f64,
    /// Its part of the area of all peaks behind the front, %.
    pub area_percent: f64,
    /// The peaks beside it, in order of time.
    pub others: Vec<Other>,
    /// It touches another peak: its area and flanks are not its own alone.
    pub touches: bool,
    /// The method's analytes that it may be confused with, in order of distance.
    pub neighbours: Vec<Neighbour>,
    /// Index of the method's analyte that has its name already.
    pub known: Option<usize>,
}

/// Proposes where an analyte called `name` stands, from the integration of a trace that reaches from `span_min[0]` to
/// `span_min[1]`. With a `method` its front is left out, and its analytes are the neighbours.
///
/// # Errors
/// The trace does not show one compound plainly.
pub fn propose(
    profile: &Profile,
    span_min: [f64; 2],
    method: Option<&Method>,
    name: &str,
) -> Result<Proposal, Refusal> {
    if let Some(air) = &profile.air {
        return Err(Refusal::Air(air.clone()));
    }
    let peaks: Vec<&Peak> = profile.peaks.iter().filter(|p| counts(p, method)).collect();
    let largest = peaks
        .iter()
        .copied()
        .max_by(|a, b| a.area_mau_s.total_cmp(&b.area_mau_s));
    let Some(peak) = largest.filter(|p| p.area_mau_s > 0.0) else {
        return Err(Refusal::Nothing {
            span_min,
            before: profile.peaks.len(),
        });
    };
    let total: f64 = peaks.iter().map(|p| p.area_mau_s.max(0.0)).sum();
    let other = |p: &Peak| Other {
        apex_min: p.apex_s / 60.0,
        area_percent: 100.0 * p.area_mau_s / total,
    };
    let width_half_s = plain(peak, &peaks, span_min, method, &other)?;
    let retention_min = peak.apex_s / 60.0;
    let others: Vec<Other> = peaks
        .iter()
        .filter(|p| !std::ptr::eq(**p, peak) && p.area_mau_s >= TRACES * peak.area_mau_s)
        .map(|p| other(p))
        .collect();
    let known = known(method, name);
    let around = beside::Around {
        retention_min,
        width_half_min: width_half_s / 60.0,
        method,
        known,
        others: &others,
    };
    let (window, neighbours) = beside::look(&around);
    Ok(Proposal {
        retention_min,
        window,
        width_half_min: width_half_s / 60.0,
        plates: plates(peak.apex_s, width_half_s),
        symmetry: peak.tailing,
        signal_to_noise: peak.signal_to_noise,
        area_percent: other(peak).area_percent,
        others,
        touches: peak.rule != Rule::ValleyToValley,
        neighbours,
        known,
    })
}

/// Plate number 5.54 (t/w)² from the full width at half height; pharmacopoeias, from memory.
fn plates(retention_s: f64, width_half_s: f64) -> f64 {
    5.54 * (retention_s / width_half_s).powi(2)
}

/// Whether a peak may be the compound: not the front, and nowhere that the method declares free of peaks.
fn counts(peak: &Peak, method: Option<&Method>) -> bool {
    let apex_min = peak.apex_s / 60.0;
    let front = method
        .and_then(|m| m.conditions.dead_time_min)
        .is_some_and(|dead| apex_min <= FRONT * dead);
    let declared = method.is_some_and(|m| {
        let spans = &m.integration.spans;
        spans
            .iter()
            .any(|s| s.no_peaks && (s.from_min..=s.to_min).contains(&apex_min))
    });
    // Some exports begin before the injection: what stands there is no retention.
    apex_min > 0.0 && !front && !declared
}

/// The width at half height of a peak that can be used, s; else why it cannot.
fn plain(
    peak: &Peak,
    peaks: &[&Peak],
    [start_min, end_min]: [f64; 2],
    method: Option<&Method>,
    other: &dyn Fn(&Peak) -> Other,
) -> Result<f64, Refusal> {
    let apex_min = peak.apex_s / 60.0;
    if peak.saturated {
        return Err(Refusal::Saturated { apex_min });
    }
    let like = |p: &&&Peak| p.area_mau_s >= LIKE_SIZE * peak.area_mau_s;
    let alike: Vec<(Other, Option<String>)> = peaks
        .iter()
        .filter(like)
        .map(|p| (other(p), standing(method, p.apex_s / 60.0)))
        .collect();
    if alike.len() > 1 {
        let dead_time = method.is_some_and(|m| m.conditions.dead_time_min.is_some());
        return Err(Refusal::Several { alike, dead_time });
    }
    let reach_s = REACH * peak.width_50_s.unwrap_or_default();
    let (from_s, to_s) = (
        peak.start_s.min(peak.apex_s - reach_s),
        peak.end_s.max(peak.apex_s + reach_s),
    );
    if to_s / 60.0 >= end_min || from_s / 60.0 <= start_min {
        return Err(Refusal::Cut {
            apex_min,
            start_min,
            end_min,
        });
    }
    if peak.signal_to_noise < LEAST_SIGNAL_TO_NOISE {
        return Err(Refusal::Weak {
            apex_min,
            signal_to_noise: peak.signal_to_noise,
            needed: LEAST_SIGNAL_TO_NOISE,
        });
    }
    peak.width_50_s
        .filter(|w| *w > 0.0)
        .ok_or(Refusal::Merged { apex_min })
}

/// The analyte in whose window a time lies; of several the nearest.
fn standing(method: Option<&Method>, at_min: f64) -> Option<String> {
    let away = |a: &&Analyte| (a.retention_min - at_min).abs();
    let analytes = method.map(|m| m.analytes.iter())?;
    analytes
        .filter(|a| away(a) <= a.window_min)
        .min_by(|a, b| away(a).total_cmp(&away(b)))
        .map(|a| a.name.clone())
}

/// The method's analyte of this name, whatever its capitals.
fn known(method: Option<&Method>, name: &str) -> Option<usize> {
    let name = name.to_lowercase();
    method?
        .analytes
        .iter()
        .position(|a| a.name.to_lowercase() == name)
}
