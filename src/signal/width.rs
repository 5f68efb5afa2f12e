//! How wide the peaks of a trace are, where nobody says.

use super::detect::{Candidate, Scale};
use super::resample::Running;
use super::spread;

/// Full width at half height of the trace's clearest peaks, s; of a usual column where there are none.
pub(crate) fn estimate(running: &Running, narrowest: impl Fn(f64) -> f64, floor: f64) -> f64 {
    let span = running.end_s() - running.start_s();
    // 5,000 plates in the middle of the run: common practice, no source.
    let usual = (span / 60.0).min(60.0).max(4.0 * running.interval_s());
    let mut widths = Vec::new();
    for (cells, try_width) in [(1500.0, 7.0), (500.0, 7.0)] {
        let step = (span / cells).max(running.interval_s());
        let grid = running.grid(step);
        let scale = Scale::new(grid, try_width * step, floor);
        let found = scale.find(1.0, 12.0);
        let tallest = found
            .iter()
            .map(|c| scale.contrast[c.cell])
            .fold(0.0, f64::max);
        for c in found
            .iter()
            .filter(|c| scale.contrast[c.cell] > 0.01 * tallest)
        {
            let width = half_width_s(&scale, *c);
            let at = scale.grid.centre_s(c.cell);
            if width > 3.0 * step && width > narrowest(at) && width < span / 8.0 {
                widths.push(width);
            }
        }
        if !widths.is_empty() {
            break;
        }
    }
    if widths.is_empty() {
        usual
    } else {
        spread::median(widths)
            .min(span / 8.0)
            .max(4.0 * running.interval_s())
    }
}

/// Full width at half prominence, s.
fn half_width_s(scale: &Scale, c: Candidate) -> f64 {
    let s = &scale.smooth;
    let top = s[c.cell];
    let reach = 12 * scale.width as usize;
    let low = |range: &[f64]| range.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    let from = c.cell.saturating_sub(reach);
    let to = (c.cell + reach).min(s.len() - 1);
    // Only down to where a higher neighbour takes over.
    let left = (from..c.cell)
        .rev()
        .find(|k| s[*k] > top)
        .map_or(from, |k| k);
    let right = (c.cell + 1..=to).find(|k| s[*k] > top).unwrap_or(to);
    let base = low(&s[left..=c.cell]).max(low(&s[c.cell..=right]));
    let half = 0.5 * (top + base);
    let down = |k: usize, next: usize| (s[k] - half) / (s[k] - s[next]);
    let l = (left + 1..=c.cell).rev().find(|k| s[*k - 1] < half);
    let r = (c.cell..right).find(|k| s[*k + 1] < half);
    let l = l.map_or((c.cell - left) as f64, |k| {
        (c.cell - k) as f64 + down(k, k - 1)
    });
    let r = r.map_or((right - c.cell) as f64, |k| {
        (k - c.cell) as f64 + down(k, k + 1)
    });
    (l + r) * scale.grid.step_s
}
