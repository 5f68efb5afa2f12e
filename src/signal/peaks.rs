//! The integration of one trace, step by step.

use super::bounds::{Reach, Typical};
use super::detect::{Candidate, Scale};
use super::fit::group::Start;
use super::parting::Side;
use super::resample::{Curve, Running};
use super::shape::Flank;
use super::{Params, Profile, Rule, air, baseline, describe, noise, spread, width};

/// Cells in a peak's full width at half height.
const CELLS_PER_WIDTH: f64 = 12.0;

/// Climb of the baseline under a peak over its height, from which it is a step.
const STEP: f64 = 0.4;

/// A peak on its way.
#[derive(Debug, Clone)]
pub(super) struct Work {
    pub(super) candidate: Candidate,
    pub(super) apex_s: f64,
    pub(super) height: f64,
    pub(super) front: Flank,
    pub(super) back: Flank,
    pub(super) reach: Reach,
    pub(super) start_s: f64,
    pub(super) end_s: f64,
    pub(super) rule: Rule,
    pub(super) area: f64,
    /// The vertical before it stands where the flanks balance.
    pub(super) balanced: bool,
    /// Ends of a rider's line above the baseline.
    pub(super) line: Option<(f64, f64)>,
    /// Height of the smaller over the valley towards the next peak.
    pub(super) peak_to_valley: Option<f64>,
}

impl Work {
    /// As far as a neighbour is concerned.
    pub(super) fn side(&self) -> Side {
        Side {
            apex_s: self.apex_s,
            height: self.height,
            front: self.front,
            back: self.back,
            reach: self.reach,
        }
    }

    /// Where a fit of its shape begins.
    pub(super) fn begin(&self) -> Start {
        Start {
            apex_s: self.apex_s,
            height: self.height,
            sigma_s: self.reach.sigma,
            tau_s: self.reach.tau,
        }
    }
}

/// Baseline, peaks, noise and signs of air of one trace.
///
/// Fewer than 16 samples, and such as are not [usable](super::is_usable), show nothing.
pub fn integrate(time_s: &[f64], signal_mau: &[f64], params: &Params) -> Profile {
    if time_s.len() < 16 || !super::is_usable(time_s, signal_mau) {
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
    // No detector resolves more than some 27 bits.
    let floor = (0.35 * digit)
        .max(1e-8 * spread::range(signal_mau))
        .max(1e-12);
    let width_s = params
        .peak_width_s
        .unwrap_or_else(|| width::estimate(&running, narrowest, floor));
    let grid = running.grid((width_s / CELLS_PER_WIDTH).max(running.interval_s()));
    let mut view = View::new(Scale::new(grid, width_s, floor), &running, params, digit);
    view.find(floor);
    let works = view.measure();
    let mut peaks = view.finish(&works);
    let (noise_mau, drift_mau_per_h) = view.noise(&signs);
    describe::ratios(&mut peaks, &view, &running);
    view.fit(&works, &mut peaks);
    peaks.retain(|p| params.steering.reports(p.apex_s));
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
pub(super) struct View<'a> {
    pub(super) scale: Scale,
    pub(super) running: &'a Running<'a>,
    pub(super) params: &'a Params,
    pub(super) digit: f64,
    pub(super) found: Vec<Candidate>,
    pub(super) dips: Vec<(Candidate, f64)>,
    pub(super) free: Vec<bool>,
    pub(super) base: Curve,
    /// Grid means and smoothed grid above the baseline.
    pub(super) above: Vec<f64>,
    pub(super) above_smooth: Vec<f64>,
    /// Shape of the trace's clear peaks.
    pub(super) typical: Typical,
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
            typical: Typical::default(),
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
                .max(0.8 * self.scale.width)
                .min(4.0 * self.scale.width);
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
            let w = w.max(0.6 * self.scale.width).min(3.0 * self.scale.width);
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
        works.retain(|w| self.comes_back(w));
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

    /// Behind a step the signal stays where it is: the baseline climbs by the "peak's" height, far more than it does on
    /// both sides.
    fn comes_back(&self, w: &Work) -> bool {
        let (a, b) = (w.start_s, w.end_s);
        let beside = 0.5 * (b - a);
        let slope = |from: f64| (self.base.at(from + beside) - self.base.at(from)) / beside;
        let usual = 0.5 * (slope(a - beside) + slope(b)) * (b - a);
        let climb = self.base.at(b) - self.base.at(a) - usual;
        climb.abs() < STEP * w.height
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
