//! The figures of a peak: widths, symmetry, plates, resolution, signal to noise, ceiling.

use super::detect::Candidate;
use super::peaks::{View, Work};
use super::resample::Running;
use super::{Peak, air, saturation};

impl View<'_> {
    pub(super) fn finish(&self, works: &[Work]) -> Vec<Peak> {
        let noise = air::sample_noise(self.running);
        let mut peaks: Vec<Peak> = works.iter().map(|w| self.peak(w, noise)).collect();
        // A flank that ends in the valley above half the height is taken to be like the other one.
        let width = |w: &Work| match (w.front.at_50, w.back.at_50) {
            (Some(a), Some(b)) => Some(a + b),
            (a, b) => a.or(b).map(|half| 2.0 * half),
        };
        for i in 1..peaks.len() {
            let widths = width(&works[i - 1]).zip(width(&works[i]));
            let resolution =
                widths.map(|(a, b)| 1.18 * (peaks[i].apex_s - peaks[i - 1].apex_s) / (a + b));
            peaks[i - 1].resolution_after = resolution;
            peaks[i].resolution_before = resolution;
            peaks[i].peak_to_valley_before = works[i - 1].peak_to_valley;
        }
        peaks
    }

    fn peak(&self, w: &Work, noise: f64) -> Peak {
        let both = |a: Option<f64>, b: Option<f64>| Some(a? + b?);
        let width_50_s = both(w.front.at_50, w.back.at_50);
        let width_05_s = both(w.front.at_05, w.back.at_05);
        let half = w.reach.width.max(2.0 * self.running.interval_s());
        let (from, to) = (
            (w.apex_s - half).max(w.start_s),
            (w.apex_s + half).min(w.end_s),
        );
        let ceiling = self.params.detector_max_mau.is_some_and(|max| {
            let (a, b) = (self.running.index(from), self.running.index(to));
            self.running.signal_mau()[a..=b]
                .iter()
                .any(|y| *y >= max - 1e-3 * max.abs())
        });
        Peak {
            apex_s: w.apex_s,
            height_mau: w.height,
            area_mau_s: w.area,
            start_s: w.start_s,
            end_s: w.end_s,
            baseline_start_mau: self.base.at(w.start_s) + w.line.map_or(0.0, |l| l.0),
            baseline_end_mau: self.base.at(w.end_s) + w.line.map_or(0.0, |l| l.1),
            rule: w.rule,
            width_50_s,
            width_10_s: both(w.front.at_10, w.back.at_10),
            width_05_s,
            tailing: width_05_s
                .zip(w.front.at_05)
                .filter(|(_, d)| *d > 0.0)
                .map(|(w, d)| w / (2.0 * d)),
            plates: width_50_s.map(|width| 5.54 * (w.apex_s / width).powi(2)),
            resolution_before: None,
            resolution_after: None,
            peak_to_valley_before: None,
            peak_to_valley_after: w.peak_to_valley,
            signal_to_noise: 0.0,
            significance: self.significance(w.candidate),
            saturated: ceiling
                || saturation::is_cut(self.running, from, to, w.height, self.digit, noise),
            fitted: None,
            unfitted: None,
        }
    }

    fn significance(&self, c: Candidate) -> f64 {
        if c.beside {
            self.scale.prominence(c, 1.0) / self.scale.sigma_smooth
        } else {
            self.scale.contrast[c.cell] / self.scale.sigma_contrast
        }
    }
}

/// Signal to noise of each peak: 2H/h, h being the largest minus the smallest raw value above the baseline over the
/// nearest cells free of signal that together last five half-widths.
pub(super) fn ratios(peaks: &mut [Peak], view: &View, running: &Running) {
    let grid = &view.scale.grid;
    let quiet: Vec<Option<(f64, f64)>> = extremes(view, running);
    for peak in peaks.iter_mut() {
        let need = ((5.0 * peak.width_50_s.unwrap_or(view.scale.width * grid.step_s)) / grid.step_s)
            .ceil() as usize;
        let centre = grid.cell(peak.apex_s);
        let (mut high, mut low, mut count) = (f64::NEG_INFINITY, f64::INFINITY, 0);
        for d in 1..quiet.len() {
            for k in [centre.checked_sub(d), Some(centre + d)]
                .into_iter()
                .flatten()
            {
                if let Some(Some((h, l))) = quiet.get(k) {
                    high = high.max(*h);
                    low = low.min(*l);
                    count += 1;
                }
            }
            if count >= need {
                break;
            }
        }
        let h = if count > 0 {
            high - low
        } else {
            6.0 * view.scale.sigma_cell
        };
        peak.signal_to_noise = 2.0 * peak.height_mau / h.max(1e-12);
    }
}

/// Largest and smallest raw value above the baseline in each free cell.
fn extremes(view: &View, running: &Running) -> Vec<Option<(f64, f64)>> {
    let grid = &view.scale.grid;
    let mut out = Vec::with_capacity(view.free.len());
    let signal = running.signal_mau();
    let mut from = 0;
    for k in 0..view.free.len() {
        let end = grid.start_s + (k + 1) as f64 * grid.step_s;
        let to = running.index(end) + 1;
        if !view.free[k] || to <= from {
            out.push(None);
        } else {
            let base = view.base.at(grid.centre_s(k));
            let (mut high, mut low) = (f64::NEG_INFINITY, f64::INFINITY);
            for y in &signal[from..to] {
                high = if *y > high { *y } else { high };
                low = if *y < low { *y } else { low };
            }
            out.push(Some((high - base, low - base)));
        }
        from = to;
    }
    out
}
