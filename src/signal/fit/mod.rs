//! Overlapped peaks as a sum of exponentially modified Gaussians, by least squares.

pub mod emg;
pub(crate) mod group;
pub mod squares;

use super::Peak;
use super::peaks::{View, Work};
use group::{Group, Start};

/// More peaks than this are not fitted at once.
const MOST: usize = 6;
/// Baseline on both sides that is fitted too, in half-widths.
const BESIDE: f64 = 1.0;
/// The baseline is bent where that makes the residuals smaller by this F ratio.
const BENT: f64 = 12.0;
/// Residuals over a peak's height beyond which its fit is not believed.
const UNLIKE: f64 = 0.02;

/// One peak of a fitted group. Covariances are those of the least squares, times the memory of the residuals.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// Area, mAU·s.
    pub area_mau_s: f64,
    /// Its standard error, mAU·s.
    pub area_se_mau_s: f64,
    /// Its own maximum, without its neighbours, s.
    pub apex_s: f64,
    /// Centre of the Gaussian, s.
    pub mu_s: f64,
    /// Standard deviation of the Gaussian, s.
    pub sigma_s: f64,
    /// Time constant of the tail, s.
    pub tau_s: f64,
    /// Peaks that were fitted together.
    pub together: u32,
    /// Covariance of its area with that of each peak of the group, in order of time, (mAU·s)².
    pub area_covariance: Vec<f64>,
    /// Standard deviation of the residuals, mAU.
    pub residual_mau: f64,
}

impl View<'_> {
    /// Fits the groups that somebody asks for. `peaks` and `works` belong together.
    pub(super) fn fit(&self, works: &[Work], peaks: &mut [Peak]) {
        let steering = &self.params.steering;
        let mut first = 0;
        while first < works.len() {
            let touching = |i: &usize| works[*i].end_s >= works[*i + 1].start_s;
            let last = (first..works.len() - 1)
                .find(|i| !touching(i))
                .unwrap_or(works.len() - 1);
            let run = first..=last;
            if works[run.clone()].iter().any(|w| steering.fits(w.apex_s)) {
                let cut = peaks[run.clone()].iter().any(|p| p.saturated);
                let fitted = if cut {
                    Err("a cut top cannot be fitted")
                } else {
                    self.fit_run(works, first, last)
                };
                self.tell(&mut peaks[run], fitted);
            }
            first = last + 1;
        }
    }

    fn tell(&self, peaks: &mut [Peak], fitted: Result<Group, &'static str>) {
        let n = peaks.len();
        for (k, peak) in peaks.iter_mut().enumerate() {
            let group = match &fitted {
                Ok(group) => group,
                Err(why) => {
                    peak.unfitted = Some(why);
                    continue;
                }
            };
            let most = UNLIKE * peak.height_mau + 4.0 * self.scale.sigma_cell;
            if group.spread > most {
                peak.unfitted = Some("the fitted shape is not that of the signal");
                continue;
            }
            if let Some(s) = group.shapes.get(k) {
                let width = self.scale.width * self.scale.grid.step_s;
                if (s.apex_s() - peak.apex_s).abs() > peak.width_50_s.unwrap_or(width) {
                    peak.unfitted = Some("the fit left the peak");
                    continue;
                }
                peak.fitted = Some(Fitted {
                    area_mau_s: s.area,
                    area_se_mau_s: s.area_se,
                    apex_s: s.apex_s(),
                    mu_s: s.mu_s,
                    sigma_s: s.sigma_s,
                    tau_s: s.tau_s,
                    together: n as u32,
                    area_covariance: group.area_covariance[k * n..(k + 1) * n].to_vec(),
                    residual_mau: group.spread,
                });
            }
        }
    }

    fn fit_run(&self, works: &[Work], first: usize, last: usize) -> Result<Group, &'static str> {
        let run = &works[first..=last];
        if run.len() > MOST {
            return Err("too many peaks touch for a fit");
        }
        let (x, y) = self.points(works, first, last);
        let starts: Vec<Start> = run.iter().map(Work::begin).collect();
        let straight = group::fit(&x, &y, &starts, 2, 1e-4);
        let bent = group::fit(&x, &y, &starts, 3, 1e-4);
        let better = |s: &Group, b: &Group| {
            let (n, p) = (x.len() as f64, (3 * run.len() + 4) as f64);
            (n - p) * ((s.spread / b.spread).powi(2) - 1.0) > BENT
        };
        match (straight, bent) {
            (Some(s), Some(b)) if better(&s, &b) => Ok(b),
            (Some(s), _) => Ok(s),
            (None, Some(b)) => Ok(b),
            (None, None) => Err("the fit did not converge"),
        }
    }

    /// Cell means of the group and of some baseline beside it, up to the next peak or dip.
    fn points(&self, works: &[Work], first: usize, last: usize) -> (Vec<f64>, Vec<f64>) {
        let grid = &self.scale.grid;
        let (a, b) = (&works[first], &works[last]);
        let mut from = a.start_s - BESIDE * a.reach.width;
        let mut to = b.apex_s + b.reach.back(1e-4).max(b.end_s - b.apex_s) + BESIDE * b.reach.width;
        if let Some(before) = first.checked_sub(1).and_then(|i| works.get(i)) {
            from = from.max(before.end_s);
        }
        if let Some(after) = works.get(last + 1) {
            to = to.min(after.start_s);
        }
        for (dip, width) in &self.dips {
            let (at, reach) = (grid.centre_s(dip.cell), 2.0 * width * grid.step_s);
            if at < a.apex_s {
                from = from.max((at + reach).min(a.start_s));
            } else if at > b.apex_s {
                to = to.min((at - reach).max(b.end_s));
            }
        }
        let cells = grid.cell(from)..=grid.cell(to);
        cells.map(|k| (grid.centre_s(k), grid.value[k])).unzip()
    }
}
