//! Where peaks stand: local maxima of the smoothed signal that rise out of the noise of their own scale.
//!
//! Neighbouring samples of a detector are correlated, so no count of samples tells how far an average is off. The
//! noise is therefore measured where it is used: as the spread of the very quantity that is compared with it.

use super::resample::Grid;
use super::savgol;
use super::spread;

/// A trace seen at the scale of its peaks.
#[derive(Debug)]
pub(crate) struct Scale {
    pub(crate) grid: Grid,
    /// The grid's means, smoothed (Savitzky-Golay, quadratic).
    pub(crate) smooth: Vec<f64>,
    /// Mean over three quarters of a half-width minus the mean of the two wings beside it.
    pub(crate) contrast: Vec<f64>,
    /// Noise of `contrast`.
    pub(crate) sigma_contrast: f64,
    /// Noise of `smooth`, from places half a width apart.
    pub(crate) sigma_smooth: f64,
    /// Noise of the grid's means, from neighbours.
    pub(crate) sigma_cell: f64,
    /// Full width at half height that is looked for, in cells.
    pub(crate) width: f64,
}

/// A maximum that stands out.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Candidate {
    /// Cell of the maximum.
    pub(crate) cell: usize,
    /// Lowest cell between the maximum before and this one (or the start).
    pub(crate) valley: usize,
    /// It stands beside a much larger one, whose flank takes its contrast away: its fall on both sides spoke for it.
    pub(crate) beside: bool,
}

impl Scale {
    /// `width_s`: full width at half height of the peaks; `floor`: noise is not believed to be smaller.
    pub(crate) fn new(grid: Grid, width_s: f64, floor: f64) -> Self {
        let width = width_s / grid.step_s;
        let half = ((0.29 * width).round() as usize).max(1);
        let smooth = savgol::smooth(&grid.value, half.max(2), 2);
        let contrast = contrast(&grid.value, ((0.35 * width).round() as usize).max(1));
        let lag = ((0.5 * width).round() as usize).max(1);
        let n = smooth.len().saturating_sub(2 * lag);
        let bend = |k: usize| smooth[k + lag] - 0.5 * (smooth[k] + smooth[k + 2 * lag]);
        let sigma_smooth = (spread::from_lower_quarter(n, bend) / 1.5f64.sqrt()).max(floor);
        let value = &grid.value;
        let near = |k: usize| value[k + 1] - 0.5 * (value[k] + value[k + 2]);
        let sigma_cell = (spread::from_lower_quarter(n, near) / 1.5f64.sqrt()).max(floor);
        let sigma_contrast = spread::from_lower_quarter(contrast.len(), |k| contrast[k]).max(floor);
        Scale {
            grid,
            smooth,
            contrast,
            sigma_contrast,
            sigma_smooth,
            sigma_cell,
            width,
        }
    }

    /// Measures the noise again where no signal is.
    pub(crate) fn refine(&mut self, free: &[bool], floor: f64) {
        // A wing of the contrast must not reach into a peak.
        let reach = (1.5 * self.width).round() as usize;
        let quiet = inside(free, reach);
        let values: Vec<f64> = (0..self.contrast.len())
            .filter(|k| quiet[*k])
            .map(|k| self.contrast[k].abs())
            .collect();
        if values.len() as f64 > 8.0 * self.width {
            self.sigma_contrast = spread::from_median(values).max(floor);
        }
    }

    /// Maxima (`sign` 1) or minima (`sign` -1) with a contrast of at least `times` its noise, and those that a large
    /// neighbour hides from the contrast.
    pub(crate) fn find(&self, sign: f64, times: f64) -> Vec<Candidate> {
        let s = |k: usize| sign * self.smooth[k];
        let least = times * self.sigma_contrast;
        let maxima: Vec<usize> = (1..self.smooth.len().saturating_sub(1))
            .filter(|k| s(*k) > s(k - 1) && s(*k) >= s(k + 1))
            .collect();
        let strong: Vec<usize> = maxima
            .iter()
            .copied()
            .filter(|k| sign * self.contrast[*k] >= least)
            .collect();
        let mut found: Vec<Candidate> = Vec::new();
        let mut from = 0;
        for cell in maxima {
            let beside = sign * self.contrast[cell] < least;
            if beside && !(sign > 0.0 && self.hidden(cell, &strong)) {
                continue;
            }
            self.take(
                &mut found,
                Candidate {
                    cell,
                    valley: lowest(&self.smooth, from, cell, sign),
                    beside,
                },
                sign,
            );
            from = cell;
        }
        let kept: Vec<Candidate> = found
            .iter()
            .enumerate()
            .filter(|(i, c)| self.stands(&found, *i, c, sign))
            .map(|(_, c)| *c)
            .collect();
        self.with_valleys(kept, sign)
    }

    /// Near a far larger maximum, and clear of the noise by its own fall on both sides.
    fn hidden(&self, cell: usize, strong: &[usize]) -> bool {
        let reach = (2.5 * self.width) as usize;
        let next = strong.partition_point(|k| *k < cell);
        let near = |k: Option<&usize>| {
            k.is_some_and(|k| {
                k.abs_diff(cell) <= reach && self.contrast[*k] > 40.0 * self.sigma_contrast
            })
        };
        (near(strong.get(next)) || near(next.checked_sub(1).and_then(|i| strong.get(i))))
            && self.fall(cell, 0, self.smooth.len() - 1, 1.0) >= 8.0 * self.sigma_smooth
    }

    /// Adds a maximum unless the valley before it is too shallow; then the higher of the two stays.
    fn take(&self, found: &mut Vec<Candidate>, mut new: Candidate, sign: f64) {
        let s = |k: usize| sign * self.smooth[k];
        while let Some(last) = found.last() {
            let lower = if s(new.cell) < s(last.cell) {
                new.cell
            } else {
                last.cell
            };
            // A ripple on a flat top parts nothing, however quiet the baseline is.
            let height = self.fall(lower, 0, self.smooth.len() - 1, sign);
            let need = (6.0 * self.sigma_smooth).max(0.003 * height);
            if s(lower) - s(new.valley) >= need {
                break;
            }
            if lower == new.cell {
                return;
            }
            if s(last.valley) < s(new.valley) {
                new.valley = last.valley;
            }
            found.pop();
        }
        found.push(new);
    }

    /// The signal falls on both sides of the maximum: a ripple on a slope does not.
    fn stands(&self, found: &[Candidate], i: usize, c: &Candidate, sign: f64) -> bool {
        let before = i
            .checked_sub(1)
            .and_then(|j| found.get(j))
            .map_or(0, |p| p.cell);
        let after = found.get(i + 1).map_or(self.smooth.len() - 1, |p| p.cell);
        self.fall(c.cell, before, after, sign) >= 4.0 * self.sigma_smooth
    }

    /// How far the signal falls on the side where it falls less, within three widths.
    fn fall(&self, cell: usize, before: usize, after: usize, sign: f64) -> f64 {
        let reach = (3.0 * self.width).ceil() as usize;
        let low = |from: usize, to: usize| {
            self.smooth[from..=to]
                .iter()
                .map(|v| sign * v)
                .fold(f64::INFINITY, f64::min)
        };
        let left = low(cell.saturating_sub(reach).max(before), cell);
        let right = low(cell, (cell + reach).min(after));
        sign * self.smooth[cell] - left.max(right)
    }

    pub(crate) fn prominence(&self, c: Candidate, sign: f64) -> f64 {
        self.fall(c.cell, 0, self.smooth.len() - 1, sign)
    }

    /// Lowest cells between the maxima that were kept.
    fn with_valleys(&self, mut kept: Vec<Candidate>, sign: f64) -> Vec<Candidate> {
        let mut from = 0;
        for c in &mut kept {
            c.valley = lowest(&self.smooth, from, c.cell, sign);
            from = c.cell;
        }
        kept
    }

    /// Rough full width at half height, in cells, from the contrast.
    pub(crate) fn rough_width(&self, c: Candidate, sign: f64) -> f64 {
        let rise = 0.8 * (sign * self.contrast[c.cell]);
        // A dip beside the front borrows contrast from it: what counts is how far the signal comes back.
        let rise = if sign < 0.0 {
            rise.min(0.5 * self.prominence(c, sign))
        } else if c.beside {
            0.5 * self.prominence(c, sign)
        } else {
            rise
        };
        let half = sign * self.smooth[c.cell] - rise;
        let limit = (4.0 * self.width) as usize + 1;
        let below = |k: usize| sign * self.smooth[k] < half;
        let left = (1..limit)
            .find(|d| *d > c.cell || below(c.cell - d))
            .unwrap_or(limit);
        let right = (1..limit)
            .find(|d| c.cell + d >= self.smooth.len() || below(c.cell + d))
            .unwrap_or(limit);
        (left + right) as f64 - 1.0
    }
}

/// Cell of the lowest (times `sign`) value in a range.
pub(crate) fn lowest(values: &[f64], from: usize, to: usize, sign: f64) -> usize {
    let mut best = from;
    for k in from..=to {
        if sign * values[k] < sign * values[best] {
            best = k;
        }
    }
    best
}

/// Cells whose neighbours up to `reach` on both sides are free too.
pub(crate) fn inside(free: &[bool], reach: usize) -> Vec<bool> {
    let n = free.len();
    let mut out = vec![true; n];
    let mut last_taken: Option<usize> = None;
    for k in 0..n {
        if !free[k] {
            last_taken = Some(k);
        }
        out[k] = last_taken.is_none_or(|t| k - t > reach);
    }
    let mut next_taken: Option<usize> = None;
    for k in (0..n).rev() {
        if !free[k] {
            next_taken = Some(k);
        }
        out[k] &= next_taken.is_none_or(|t| t - k > reach);
    }
    out
}

/// Mean of `2 * half + 1` cells minus the mean of the equally wide wings beside them: blind to level and slope.
fn contrast(values: &[f64], half: usize) -> Vec<f64> {
    let n = values.len();
    let width = 2 * half + 1;
    let mut out = vec![0.0; n];
    if n < 3 * width {
        return out;
    }
    let mut sum = Vec::with_capacity(n + 1);
    let mut total = 0.0;
    sum.push(total);
    for v in values {
        total += v - values[0];
        sum.push(total);
    }
    let reach = half + width;
    let scale = 1.0 / width as f64;
    for k in reach..n - reach {
        let centre = sum[k + half + 1] - sum[k - half];
        let all = sum[k + reach + 1] - sum[k - reach];
        out[k] = scale * (centre - 0.5 * (all - centre));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn contrast_is_blind_to_slopes_and_sees_peaks() {
        let line: Vec<f64> = (0..100).map(|i| 5.0 + 0.3 * f64::from(i)).collect();
        assert!(contrast(&line, 4).iter().all(|c| c.abs() < 1e-9));
        let bell: Vec<f64> = (0..100)
            .map(|i| (-0.5 * ((f64::from(i) - 50.0) / 5.0).powi(2)).exp())
            .collect();
        assert!(contrast(&bell, 4)[50] > 0.55);
    }

    #[test]
    fn inside_keeps_its_distance() {
        let free = [true, true, true, false, true, true, true];
        assert_eq!(
            inside(&free, 1),
            [true, true, false, false, false, true, true]
        );
    }
}
