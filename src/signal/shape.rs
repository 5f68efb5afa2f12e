//! The shape of one peak: its apex from many samples, its widths at several heights.

use super::resample::Running;
use super::savgol;

/// Distances from the apex at which the signal has fallen to a part of the height, s.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Flank {
    pub(crate) at_50: Option<f64>,
    pub(crate) at_10: Option<f64>,
    pub(crate) at_05: Option<f64>,
}

/// Apex of a polynomial fitted to the raw samples within `reach_s` of `near_s`: time, s, and value, mAU.
///
/// A parabola for a noisy peak, a quartic for a clear one: a parabola alone is drawn towards the tail of a skewed
/// peak. Least squares over many samples keeps the noise of the place far below the sampling interval.
///
/// `sign` -1 looks for the lowest place instead.
pub(crate) fn summit(
    running: &Running,
    near_s: f64,
    reach_s: f64,
    degree: usize,
    sign: f64,
) -> Option<(f64, f64)> {
    let from = running.index(near_s - reach_s);
    let to = (running.index(near_s + reach_s) + 1).min(running.time_s().len() - 1);
    let times = &running.time_s()[from..=to];
    let signal = &running.signal_mau()[from..=to];
    let degree = degree.min(times.len().saturating_sub(2) / 2 * 2).min(4);
    if degree < 2 {
        return None;
    }
    let level = running.at(near_s);
    let mut power = [0.0; 9];
    let mut right = [0.0; 5];
    for (t, y) in times.iter().zip(signal) {
        let x = (t - near_s) / reach_s;
        let y = sign * (y - level);
        let mut p = 1.0;
        for (k, sum) in power.iter_mut().enumerate().take(2 * degree + 1) {
            *sum += p;
            if k <= degree {
                right[k] += p * y;
            }
            p *= x;
        }
    }
    let mut normal = [[0.0; 7]; 6];
    for (r, row) in normal.iter_mut().enumerate().take(degree + 1) {
        row[..=degree].copy_from_slice(&power[r..=r + degree]);
        row[6] = right[r];
    }
    let c = savgol::solve(&mut normal, degree + 1)?;
    let x = turning_point(&c, degree)?;
    let value = (0..=degree).rev().fold(0.0, |v, k| v * x + c[k]);
    Some((near_s + x * reach_s, level + sign * value))
}

/// Where the polynomial's slope is nothing, nearest to the middle, by Newton's steps.
fn turning_point(c: &[f64; 6], degree: usize) -> Option<f64> {
    let slope = |x: f64| (1..=degree).rev().fold(0.0, |v, k| v * x + k as f64 * c[k]);
    let bend = |x: f64| {
        (2..=degree)
            .rev()
            .fold(0.0, |v, k| v * x + (k * (k - 1)) as f64 * c[k])
    };
    let mut x = 0.0;
    for _ in 0..20 {
        let b = bend(x);
        if b >= 0.0 {
            return None;
        }
        let step = (slope(x) / b).clamp(-0.3, 0.3);
        x -= step;
        if x.abs() > 1.0 {
            return None;
        }
        if step.abs() < 1e-9 {
            return Some(x);
        }
    }
    Some(x)
}

/// Walks outward from the apex over cell values above the baseline until each level is passed.
///
/// `cells`: values from the apex's cell outward; `first_s`: distance of the first cell's middle from the apex
/// (negative: on the other side of it).
pub(crate) fn flank(
    mut cells: impl Iterator<Item = f64>,
    first_s: f64,
    step_s: f64,
    height: f64,
) -> Flank {
    let mut out = Flank::default();
    let Some(mut before) = cells.next() else {
        return out;
    };
    let mut at = first_s;
    let levels = [0.5 * height, 0.1 * height, 0.05 * height];
    let mut next = 0;
    for value in cells {
        while let Some(level) = levels.get(next).filter(|l| value <= **l) {
            let part = if before > value {
                ((before - level) / (before - value)).clamp(0.0, 1.0)
            } else {
                1.0
            };
            let place = Some((at + part * step_s).max(0.0));
            match next {
                0 => out.at_50 = place,
                1 => out.at_10 = place,
                _ => out.at_05 = place,
            }
            next += 1;
        }
        if next == levels.len() {
            break;
        }
        before = value;
        at += step_s;
    }
    out
}
