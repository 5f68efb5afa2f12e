//! Whether the detector was at its ceiling inside a peak: a flat top with corners.
//!
//! A true apex falls as the square of the distance, so at twice the distance at which it has fallen by a tolerance, it
//! has fallen by four tolerances (two fused peaks that just do not part: sixteen). Behind the corner of a cut top it
//! has fallen by far more.

use super::resample::Running;

/// Drops at twice the half-length of the top, in tolerances, from which it counts as cut.
const CORNER: f64 = 18.0;

/// Looks at the raw samples between `from_s` and `to_s` for a cut top. `height_mau` above the baseline,
/// `digit_mau` the step of the digits, `noise_mau` the noise of single samples (standard deviation).
pub(crate) fn is_cut(
    running: &Running,
    from_s: f64,
    to_s: f64,
    height_mau: f64,
    digit_mau: f64,
    noise_mau: f64,
) -> bool {
    let from = running.index(from_s);
    let to = (running.index(to_s) + 1).min(running.time_s().len() - 1);
    let signal = &running.signal_mau()[from..=to];
    let top = signal.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
    let least = (0.6 * digit_mau).max(1e-9 * top.abs());
    // A ceiling may be quieter or noisier than the baseline.
    let tolerances = [
        least,
        1.6 * digit_mau,
        3.0 * noise_mau,
        8.0 * noise_mau,
        1e-3 * height_mau,
        4e-3 * height_mau,
        0.012 * height_mau,
    ];
    tolerances
        .into_iter()
        .filter(|t| *t >= least && *t < 0.02 * height_mau)
        .any(|t| has_corners(running, from, to, top, t))
}

/// The stretch of samples within `tolerance` of the top, and how far the signal has fallen at twice its half-length.
fn has_corners(running: &Running, from: usize, to: usize, top: f64, tolerance: f64) -> bool {
    let signal = running.signal_mau();
    let time = running.time_s();
    let level = top - tolerance;
    let Some(first) = (from..=to).find(|i| signal[*i] >= level) else {
        return false;
    };
    let Some(last) = (from..=to).rev().find(|i| signal[*i] >= level) else {
        return false;
    };
    let inside = (first..=last).filter(|i| signal[*i] >= level).count();
    // Three samples at the ceiling, nearly all between the ends there too.
    if inside < 3 || 10 * inside < 9 * (last - first + 1) || first == 0 || last + 1 >= time.len() {
        return false;
    }
    let cross = |low: usize, high: usize| {
        let part = (level - signal[low]) / (signal[high] - signal[low]);
        time[low] + part.clamp(0.0, 1.0) * (time[high] - time[low])
    };
    let (left, right) = (cross(first - 1, first), cross(last + 1, last));
    let (middle, half) = (0.5 * (left + right), 0.5 * (right - left));
    let fallen = top - 0.5 * (running.at(middle - 2.0 * half) + running.at(middle + 2.0 * half));
    fallen > CORNER * tolerance
}
