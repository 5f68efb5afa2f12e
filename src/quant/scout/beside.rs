//! The search window: wide enough for the peak to wander, narrow enough for its neighbours.

use super::{Other, plates};
use crate::method::{Analyte, Limits, Method};

/// A window reaches so many times as far as the retention may shift: then a shift is told before the peak is lost.
const BEYOND_SHIFT: f64 = 1.5;
/// No window is narrower than this part of the peak's width at half height: its apex wanders by so much.
const LEAST_OF_WIDTH: f64 = 0.5;
/// No window reaches further than this part of the retention.
const MOST_OF_RETENTION: f64 = 0.5;
/// Windows are given in hundredths of a minute.
const STEP_MIN: f64 = 0.01;

/// What set the half-width of a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Because {
    /// The peak's width at half height.
    Width,
    /// The shift of retention that the method allows, %.
    Shift(f64),
    /// An analyte of the method stands near: its index.
    Analyte(usize),
    /// Another peak of the trace stands near, at so many min.
    Peak(f64),
}

/// A search window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Half of its width, min.
    pub half_min: f64,
    /// What set it.
    pub because: Because,
}

/// An analyte of the method that the compound may be confused with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Neighbour {
    /// Its index in the method.
    pub analyte: usize,
    /// From its retention to the compound's, min; negative: the compound is earlier.
    pub away_min: f64,
    /// Resolution 1.18 Δt/(w₁ + w₂) that is to be expected if it has as many plates as the compound.
    pub resolution: f64,
    /// The compound stands inside its window.
    pub inside: bool,
    /// The windows overlap.
    pub touching: bool,
}

/// A peak and what stands around it.
pub(super) struct Around<'a> {
    pub(super) retention_min: f64,
    pub(super) width_half_min: f64,
    pub(super) method: Option<&'a Method>,
    /// The analyte that the compound itself is.
    pub(super) known: Option<usize>,
    pub(super) others: &'a [Other],
}

/// The window to propose, and the neighbours to warn of, the nearest first.
pub(super) fn look(around: &Around) -> (Window, Vec<Neighbour>) {
    let usual = Limits::default();
    let limits = around.method.map_or(&usual, |m| &m.limits);
    let window = narrowed(wanted(around, limits.retention_shift_percent), around);
    let mut neighbours: Vec<Neighbour> = analytes(around)
        .map(|(k, a)| neighbour(around, &window, k, a))
        .filter(|n| n.inside || n.touching || n.resolution < limits.resolution_min)
        .collect();
    neighbours.sort_by(|a, b| a.away_min.abs().total_cmp(&b.away_min.abs()));
    (window, neighbours)
}

fn analytes<'a>(around: &Around<'a>) -> impl Iterator<Item = (usize, &'a Analyte)> {
    let known = around.known;
    let all = around.method.map(|m| m.analytes.as_slice());
    all.unwrap_or_default()
        .iter()
        .enumerate()
        .filter(move |(k, _)| Some(*k) != known)
}

/// The window of a peak that stands alone: its width at half height to each side, or what the allowed shift needs. House
/// rule.
fn wanted(around: &Around, shift_percent: f64) -> Window {
    let shift_min = BEYOND_SHIFT * shift_percent / 100.0 * around.retention_min;
    let (half_min, because) = if around.width_half_min >= shift_min {
        (around.width_half_min, Because::Width)
    } else {
        (shift_min, Because::Shift(shift_percent))
    };
    // A window that reached the injection would be none.
    let half_min = half_min.min(MOST_OF_RETENTION * around.retention_min);
    let half_min = (half_min / STEP_MIN).round().max(1.0) * STEP_MIN;
    Window { half_min, because }
}

/// The window with room for the neighbours: up to where an analyte's own begins, or, where that leaves too little, half
/// the way to it; half the way to any other peak.
fn narrowed(wanted: Window, around: &Around) -> Window {
    let least = LEAST_OF_WIDTH * around.width_half_min;
    let analytes = analytes(around).map(|(k, a)| {
        let away = (a.retention_min - around.retention_min).abs();
        let beside = away - a.window_min;
        let room = if beside >= least { beside } else { away / 2.0 };
        (room, Because::Analyte(k))
    });
    let peaks = around.others.iter().map(|o| {
        let away = (o.apex_min - around.retention_min).abs();
        (away / 2.0, Because::Peak(o.apex_min))
    });
    let nearest = analytes.chain(peaks).min_by(|a, b| a.0.total_cmp(&b.0));
    match nearest {
        Some((room, because)) if room < wanted.half_min => {
            // Rounded down, so that windows that can be kept apart are; the last digit of a difference is not trusted.
            let steps = (room.max(least) / STEP_MIN + 1e-6).floor().max(1.0);
            Window {
                half_min: steps * STEP_MIN,
                because,
            }
        }
        _ => wanted,
    }
}

fn neighbour(around: &Around, window: &Window, k: usize, analyte: &Analyte) -> Neighbour {
    let away_min = around.retention_min - analyte.retention_min;
    let n = plates(around.retention_min, around.width_half_min);
    // The neighbour's width with as many plates: w = t √(5.54/N).
    let its_width = analyte.retention_min * (5.54 / n).sqrt();
    Neighbour {
        analyte: k,
        away_min,
        resolution: 1.18 * away_min.abs() / (around.width_half_min + its_width),
        inside: away_min.abs() <= analyte.window_min,
        // Windows that end where the next begins do not overlap.
        touching: away_min.abs() + 1e-6 < analyte.window_min + window.half_min,
    }
}
