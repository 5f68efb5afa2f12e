//! The integration of one trace, step by step.

use super::bounds::{Reach, Typical};
use super::detect::{Candidate, Scale};
use super::resample::{Curve, Running};
use super::shape::{self, Flank};
use super::{Params, Peak, Profile, Rule, air, baseline, noise, saturation, spread, width};

/// Cells in a peak's full width at half height.
const CELLS_PER_WIDTH: f64 = 12.0;

/// A peak on its way.
#[derive(Debug, Clone)]
struct Work {
    candidate: Candidate,
    apex_s: f64,
    height: f64,
    front: Flank,
    back: Flank,
    reach: Reach,
    start_s: f64,
    end_s: f64,
    rule: Rule,
    area: f64,
    /// Height of the smaller over the valley towards the next peak.
    peak_to_valley: Option<f64>,
}

/// Baseline, peaks, noise and signs of air of one trace.
///
/// `time_s`: strictly increasing, finite; `signal_mau`: finite, as long. Fewer than 16 samples show nothing.
pub fn integrate(time_s: &[f64], signal_mau: &[f64], params: &Params) -> Profile {
    let n = time_s.len().min(signal_mau.len());
    let (time_s, signal_mau) = (&time_s[..n], &signal_mau[..n]);
    if n < 16 {
        return Profile {
            peaks: Vec::new(),
            peak_width_s: 0.0,
            noise_mau: None,
            drift_mau_per_h: None,
            air: None,
            bridged: 0,
        };
    }
    let digit = spread::digit_step(signal_mau);
    let narrowest = |t: f64| params.narrowest_s(t);
    let signs = air::look(time_s, signal_mau, narrowest, digit);
    let bridged = signs.bridged(time_s, signal_mau);
    let running = Running::new(time_s, bridged.as_deref().unwrap_or(signal_mau));
    let floor = (0.35 * digit).max(1e-12);
    let width_s = params
        .peak_width_s
        .unwrap_or_else(|| width::estimate(&running, narrowest, floor));
    let grid = running.grid((width_s / CELLS_PER_WIDTH).max(running.interval_s()));
    let mut view = View::new(Scale::new(grid, width_s, floor), &running, params, digit);
    view.find(floor);
    let works = view.measure();
    let mut peaks = view.finish(&works);
    let (noise_mau, drift_mau_per_h) = view.noise(&signs);
    ratios(&mut peaks, &view, &running);
    Profile {
        peaks,
        peak_width_s: width_s,
        noise_mau,
        drift_mau_per_h,
        air: signs.verdict(),
        bridged: signs.spikes.len() as u64,
    }
}

/// The trace, its scale and its baseline.
struct View<'a> {
    scale: Scale,
    running: &'a Running<'a>,
    params: &'a Params,
    digit: f64,
    found: Vec<Candidate>,
    dips: Vec<(Candidate, f64)>,
    free: Vec<bool>,
    base: Curve,
    /// Grid means and smoothed grid above the baseline.
    above: Vec<f64>,
    above_smooth: Vec<f64>,
}

impl<'a> View<'a> {
    fn new(scale: Scale, running: &'a Running<'a>, params: &'a Params, digit: f64) -> Self {
        let n = scale.grid.value.len();
        let base = Curve::new(scale.grid.start_s, scale.grid.step_s, Vec::new());
        View {
            scale,
            running,
            params,
            digit,
            found: Vec::new(),
            dips: Vec::new(),
            free: vec![true; n],
            base,
            above: Vec::new(),
            above_smooth: Vec::new(),
        }
    }

    /// What changes faster than this is no baseline, s.
    fn period_s(&self) -> f64 {
        let width = self.scale.width * self.scale.grid.step_s;
        (14.0 * width).clamp(60.0, 300.0).max(8.0 * width)
    }

    fn set_baseline(&mut self) {
        self.base = baseline::fit(&self.scale.grid, &self.free, self.period_s());
        let base: Vec<f64> = (0..self.scale.grid.value.len())
            .map(|k| self.base.at(self.scale.grid.centre_s(k)))
            .collect();
        self.above = self
            .scale
            .grid
            .value
            .iter()
            .zip(&base)
            .map(|(v, b)| v - b)
            .collect();
        self.above_smooth = self
            .scale
            .smooth
            .iter()
            .zip(&base)
            .map(|(v, b)| v - b)
            .collect();
    }

    fn mask(&mut self, from: f64, to: f64) {
        let n = self.free.len();
        let from = (from.max(0.0) as usize).min(n);
        let to = ((to.max(0.0).ceil() as usize) + 1).min(n);
        if from < to {
            self.free[from..to].fill(false);
        }
    }

    /// Finds maxima and dips, a first baseline, the noise where nothing is; lets go what does not stand out.
    fn find(&mut self, floor: f64) {
        let times = self.params.threshold;
        self.found = self.scale.find(1.0, times);
        self.dips = self
            .scale
            .find(-1.0, times)
            .into_iter()
            .map(|c| (c, self.scale.rough_width(c, -1.0)))
            .collect();
        for c in self.found.clone() {
            let w = self
                .scale
                .rough_width(c, 1.0)
                .clamp(0.8 * self.scale.width, 4.0 * self.scale.width);
            self.mask(c.cell as f64 - 1.6 * w, c.cell as f64 + 2.2 * w);
        }
        self.set_baseline();
        self.keep_dips();
        self.mask_dips();
        self.scale.refine(&self.free, floor);
        self.set_baseline();
        let least = times * self.scale.sigma_contrast;
        let (above, contrast, noise) = (
            &self.above_smooth,
            &self.scale.contrast,
            self.scale.sigma_smooth,
        );
        self.found.retain(|c| {
            let height = above[c.cell];
            (c.beside || contrast[c.cell] >= least)
                && height > 4.0 * noise
                && height > 0.4 * contrast[c.cell]
        });
    }

    /// A minimum counts where it lies below the baseline; between two peaks it is only their valley.
    fn keep_dips(&mut self) {
        let (above, contrast, noise) = (
            &self.above_smooth,
            &self.scale.contrast,
            self.scale.sigma_smooth,
        );
        self.dips
            .retain(|(c, _)| above[c.cell] < -(4.0 * noise).max(0.4 * contrast[c.cell].abs()));
    }

    fn mask_dips(&mut self) {
        for (c, w) in self.dips.clone() {
            let w = w.clamp(0.6 * self.scale.width, 3.0 * self.scale.width);
            self.mask(c.cell as f64 - 1.8 * w, c.cell as f64 + 2.5 * w);
        }
    }

    /// Shapes, masks from the shapes, the final baseline, shapes again, bounds and areas.
    fn measure(&mut self) -> Vec<Work> {
        let first = self.standing();
        self.free.fill(true);
        for w in &first {
            let part = 0.2 * self.scale.sigma_smooth / w.height.max(f64::MIN_POSITIVE);
            let from = w.apex_s - w.reach.front(1e-4) - 0.2 * w.reach.sigma;
            let to = w.apex_s + w.reach.back_to(part).max(w.reach.back(1e-3));
            let cell = |t: f64| (t - self.scale.grid.start_s) / self.scale.grid.step_s;
            let (from, to) = (cell(from), self.carry_on(cell(to)));
            self.mask(from, to);
        }
        self.keep_dips();
        self.mask_dips();
        self.set_baseline();
        let mut works = self.standing();
        self.bounds(&mut works);
        works
    }

    /// Shapes of what stands above the baseline: beside a dip there is contrast without height.
    fn standing(&mut self) -> Vec<Work> {
        let mut works = self.shapes();
        let (contrast, noise) = (&self.scale.contrast, self.scale.sigma_smooth);
        works.retain(|w| w.height > (4.0 * noise).max(0.4 * contrast[w.candidate.cell]));
        self.found = works.iter().map(|w| w.candidate).collect();
        works
    }

    /// A tail that is not yet down at its expected end.
    fn carry_on(&self, to: f64) -> f64 {
        let mut k = to.max(0.0) as usize;
        let last = (to + 2.0 * self.scale.width) as usize;
        while k < last
            && self
                .above_smooth
                .get(k)
                .is_some_and(|v| *v > 3.0 * self.scale.sigma_smooth)
        {
            k += 1;
        }
        to.max(k as f64)
    }

    fn shapes(&self) -> Vec<Work> {
        let mut works: Vec<Work> = Vec::with_capacity(self.found.len());
        let mut flanks = Vec::with_capacity(self.found.len());
        for (i, c) in self.found.iter().enumerate() {
            let right = self
                .found
                .get(i + 1)
                .map_or(self.free.len() - 1, |next| next.valley);
            flanks.push(self.flanks(*c, right));
        }
        let typical = typical(&flanks);
        for (c, f) in self.found.iter().zip(flanks) {
            let reach = Reach::new(f.front, f.back, f.width, f.trust, typical);
            let (start_s, end_s) = self.range(&reach, f.apex_s, f.height);
            works.push(Work {
                candidate: *c,
                apex_s: f.apex_s,
                height: f.height,
                front: f.front,
                back: f.back,
                reach,
                start_s,
                end_s,
                rule: Rule::ValleyToValley,
                area: 0.0,
                peak_to_valley: None,
            });
        }
        works
    }

    /// Where hardly any area is left outside; a noisy peak is ended a little earlier, for more would only be noise.
    fn range(&self, reach: &Reach, apex_s: f64, height: f64) -> (f64, f64) {
        let lost =
            (0.1 * self.scale.sigma_smooth / height.max(f64::MIN_POSITIVE)).clamp(3e-4, 1e-2);
        (
            (apex_s - reach.front(lost)).max(self.running.start_s()),
            (apex_s + reach.back(lost)).min(self.running.end_s()),
        )
    }

    fn flanks(&self, c: Candidate, right: usize) -> Flanks {
        let grid = &self.scale.grid;
        let rough = self.scale.rough_width(c, 1.0).max(2.0) * grid.step_s;
        let near = grid.centre_s(c.cell);
        let gap = (c.cell - c.valley).min(right - c.cell).max(2) as f64 * grid.step_s;
        let over = self.above_smooth[c.cell] / self.scale.sigma_smooth;
        // The clearer the peak, the shorter the stretch that is fitted: noise shrinks, skew does not.
        let (degree, share) = if over > 40.0 {
            (4, (0.42 * (300.0 / over).powf(0.1)).clamp(0.25, 0.45))
        } else {
            (2, 0.35)
        };
        let reach = (share * rough)
            .min(0.8 * gap)
            .max(1.01 * self.running.interval_s());
        // Kept between its valleys, so that apexes stay in order.
        let (least, most) = (grid.centre_s(c.valley), grid.centre_s(right));
        let fit = |at: f64, degree: usize| {
            shape::summit(self.running, at, reach, degree, 1.0)
                .filter(|(t, _)| *t > least && *t < most)
        };
        // Once more about the apex itself: a window that lies askew draws it aside.
        let once = fit(near, degree).or_else(|| fit(near, 2));
        let (apex_s, top) = once
            .and_then(|(at, _)| {
                fit(at, degree).filter(|(again, _)| (again - at).abs() < 0.5 * reach)
            })
            .or(once)
            .unwrap_or((near, self.scale.smooth[c.cell]));
        let height = top - self.base.at(apex_s);
        // A clear peak is read from the means, a noisy one from the smoothed means.
        let plain = 0.05 * height > 5.0 * self.scale.sigma_cell;
        let (u, sigma) = if plain {
            (&self.above, self.scale.sigma_cell)
        } else {
            (&self.above_smooth, self.scale.sigma_smooth)
        };
        let apex_cell = grid.cell(apex_s).clamp(c.valley, right);
        let offset = grid.centre_s(apex_cell) - apex_s;
        let front = shape::flank(
            u[c.valley..=apex_cell].iter().rev().copied(),
            -offset,
            grid.step_s,
            height,
        );
        let back = shape::flank(
            u[apex_cell..=right].iter().copied(),
            offset,
            grid.step_s,
            height,
        );
        let trust = [0.1 * height > 3.0 * sigma, 0.05 * height > 3.0 * sigma];
        Flanks {
            apex_s,
            height,
            front,
            back,
            width: rough,
            trust,
        }
    }

    /// Neighbours whose ranges meet are parted at the lowest place between them; then the areas.
    fn bounds(&self, works: &mut [Work]) {
        for i in 1..works.len() {
            let (left, right) = works.split_at_mut(i);
            let (Some(a), Some(b)) = (left.last_mut(), right.first_mut()) else {
                continue;
            };
            if a.end_s <= b.start_s {
                continue;
            }
            let (at, value) = self.valley(a, b);
            (a.end_s, b.start_s) = (at, at);
            (a.rule, b.rule) = (Rule::PerpendicularDrop, Rule::PerpendicularDrop);
            if value > 0.0 {
                a.peak_to_valley = Some(a.height.min(b.height) / value);
            }
        }
        for w in works.iter_mut() {
            w.area = self.running.area(w.start_s, w.end_s) - self.base.area(w.start_s, w.end_s);
        }
    }

    /// Place and height above the baseline of the valley between two peaks.
    fn valley(&self, a: &Work, b: &Work) -> (f64, f64) {
        let grid = &self.scale.grid;
        let near = grid.centre_s(b.candidate.valley);
        let gap = (near - a.apex_s).min(b.apex_s - near);
        let reach = (0.4 * a.reach.width.min(b.reach.width)).min(0.8 * gap);
        let clear = a.height.min(b.height) > 40.0 * self.scale.sigma_smooth;
        let fitted = shape::summit(
            self.running,
            near,
            reach.max(1.01 * grid.step_s),
            if clear { 4 } else { 2 },
            -1.0,
        );
        let (at, value) = fitted.unwrap_or((near, self.scale.smooth[b.candidate.valley]));
        let at = at.max(a.apex_s).min(b.apex_s);
        (at, value - self.base.at(at))
    }

    fn finish(&self, works: &[Work]) -> Vec<Peak> {
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
            baseline_start_mau: self.base.at(w.start_s),
            baseline_end_mau: self.base.at(w.end_s),
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
        }
    }

    fn significance(&self, c: Candidate) -> f64 {
        if c.beside {
            self.scale.prominence(c, 1.0) / self.scale.sigma_smooth
        } else {
            self.scale.contrast[c.cell] / self.scale.sigma_contrast
        }
    }

    /// Short-term noise and drift of what is free of signal and air.
    fn noise(&self, signs: &air::Signs) -> (Option<f64>, Option<f64>) {
        let mut free = self.free.clone();
        let grid = &self.scale.grid;
        for s in signs.spikes.iter().chain(&signs.chaos) {
            let (a, b) = (grid.cell(s.from_s), grid.cell(s.to_s));
            free[a..=b].fill(false);
        }
        let mut stretches = Vec::new();
        let mut k = 0;
        while k < free.len() {
            let run = free[k..].iter().take_while(|f| **f).count();
            if run > 0 {
                let from = self.running.index(grid.start_s + k as f64 * grid.step_s);
                let to = self
                    .running
                    .index(grid.start_s + (k + run) as f64 * grid.step_s);
                stretches.push((from, to + usize::from(k + run == free.len())));
            }
            k += run.max(1);
        }
        let noise = noise::short_term_of_stretches(
            self.running.time_s(),
            self.running.signal_mau(),
            &stretches,
        );
        let (times, means): (Vec<f64>, Vec<f64>) = (0..free.len())
            .filter(|k| free[*k])
            .map(|k| (grid.centre_s(k), grid.value[k]))
            .unzip();
        let enough = times.len() as f64 * grid.step_s >= 60.0;
        let drift = if enough {
            noise::drift_least_squares_mau_per_h(&times, &means)
        } else {
            None
        };
        (noise, drift)
    }
}

/// One peak's shape before its reach is known.
struct Flanks {
    apex_s: f64,
    height: f64,
    front: Flank,
    back: Flank,
    width: f64,
    trust: [bool; 2],
}

/// The shape of the trace's own clear peaks.
fn typical(flanks: &[Flanks]) -> Typical {
    let clear: Vec<(f64, f64)> = flanks
        .iter()
        .filter(|f| f.trust[1])
        .filter_map(|f| {
            let (half, ten, five) = (f.back.at_50?, f.back.at_10?, f.back.at_05?);
            Some(((five - ten) / 2f64.ln() / half, five / half))
        })
        .collect();
    if clear.is_empty() {
        return Typical::default();
    }
    let tail = spread::median(clear.iter().map(|c| c.0).collect());
    let back_05 = spread::median(clear.iter().map(|c| c.1).collect());
    Typical {
        tail: tail.clamp(0.3, 1.2),
        back_05: back_05.clamp(2.0, 3.5),
    }
}

/// Signal to noise of each peak: 2H/h, h being the largest minus the smallest raw value above the baseline over the
/// nearest cells free of signal that together last five half-widths.
fn ratios(peaks: &mut [Peak], view: &View, running: &Running) {
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
