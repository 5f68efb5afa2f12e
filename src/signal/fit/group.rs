//! A group of overlapped peaks: exponentially modified Gaussians on a straight or bent baseline.
//!
//! First all peaks of the group share one tau/sigma, for neighbours on one column tail alike; each gets its own where
//! that makes the residuals clearly smaller. House rule; the criterion is an F ratio.

use super::emg;
use super::squares::{self, Model, Solution, Terms};

/// F ratio from which another parameter is worth having.
const WORTH: f64 = 12.0;
/// tau/sigma beyond this is no peak's.
const MOST_RATIO: f64 = 12.0;

/// Where the fit of one peak begins.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Start {
    pub(crate) apex_s: f64,
    pub(crate) height: f64,
    pub(crate) sigma_s: f64,
    pub(crate) tau_s: f64,
}

/// One fitted peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shape {
    pub(crate) area: f64,
    pub(crate) area_se: f64,
    pub(crate) mu_s: f64,
    pub(crate) sigma_s: f64,
    pub(crate) tau_s: f64,
}

impl Shape {
    pub(crate) fn at(&self, t: f64) -> f64 {
        self.area * emg::value(t, self.mu_s, self.sigma_s, self.tau_s)
    }

    /// Area before a time.
    pub(crate) fn before(&self, t: f64) -> f64 {
        self.area * emg::before(t, self.mu_s, self.sigma_s, self.tau_s)
    }

    /// Place of its own maximum, by golden section.
    pub(crate) fn apex_s(&self) -> f64 {
        const PART: f64 = 0.381_966_011_250_105;
        let (mut a, mut b) = (self.mu_s, self.mu_s + self.tau_s.min(3.0 * self.sigma_s));
        while b - a > 1e-7 * self.sigma_s {
            let (x, y) = (a + PART * (b - a), b - PART * (b - a));
            if self.at(x) < self.at(y) {
                a = x;
            } else {
                b = y;
            }
        }
        0.5 * (a + b)
    }
}

/// A fitted group.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    pub(crate) shapes: Vec<Shape>,
    /// Covariance of the areas, row by row.
    pub(crate) area_covariance: Vec<f64>,
    /// Standard deviation of the residuals.
    pub(crate) spread: f64,
}

/// How the parameters lie: baseline terms, the shared ratio if there is one, then each peak's area, mu, sigma and own
/// ratio.
struct Layout {
    terms: usize,
    shared: bool,
    peaks: usize,
    middle_s: f64,
    half_s: f64,
}

impl Layout {
    fn peak(&self, k: usize) -> usize {
        self.terms + usize::from(self.shared) + k * self.stride()
    }

    fn stride(&self) -> usize {
        if self.shared { 3 } else { 4 }
    }

    fn ratio(&self, k: usize) -> usize {
        if self.shared {
            self.terms
        } else {
            self.peak(k) + 3
        }
    }
}

impl Model for Layout {
    fn value(&self, x: f64, p: &[f64], slopes: &mut [f64]) -> f64 {
        slopes.fill(0.0);
        let place = (x - self.middle_s) / self.half_s;
        let (mut sum, mut power) = (0.0, 1.0);
        for k in 0..self.terms {
            slopes[k] = power;
            sum += p[k] * power;
            power *= place;
        }
        for k in 0..self.peaks {
            let i = self.peak(k);
            let (area, mu, sigma, ratio) = (p[i], p[i + 1], p[i + 2], p[self.ratio(k)]);
            let tau = ratio * sigma;
            if x < mu - 9.0 * sigma || x > mu + 9.0 * sigma + 40.0 * tau {
                continue;
            }
            let d = emg::density(x, mu, sigma, tau);
            slopes[i] = d.value;
            slopes[i + 1] = area * d.by_mu;
            slopes[i + 2] = area * (d.by_sigma + ratio * d.by_tau);
            slopes[self.ratio(k)] += area * sigma * d.by_tau;
            sum += area * d.value;
        }
        sum
    }
}

/// Fits a group to points; `terms` of the baseline polynomial: 0 where it is subtracted already, at most 3.
///
/// `tolerance`: see [`Terms::tolerance`]. `None` where nothing fits.
pub(crate) fn fit(
    x: &[f64],
    y: &[f64],
    starts: &[Start],
    terms: usize,
    tolerance: f64,
) -> Option<Group> {
    let (first, last) = (*x.first()?, *x.last()?);
    let mut layout = Layout {
        terms,
        shared: true,
        peaks: starts.len(),
        middle_s: 0.5 * (first + last),
        half_s: 0.5 * (last - first),
    };
    let together = [1.0, 0.4, 2.5].into_iter().find_map(|factor| {
        let (p, bounds) = begin(&layout, starts, y, factor);
        run(&layout, x, y, &p, bounds, tolerance)
    });
    let best = |layout: &Layout, s: &Solution| group(layout, s, x, y);
    if starts.len() < 2 {
        return together.and_then(|s| best(&layout, &s));
    }
    layout.shared = false;
    let (mut p, bounds) = begin(&layout, starts, y, 1.0);
    if let Some(s) = &together {
        p = apart(&layout, &s.parameters);
    }
    let apart = run(&layout, x, y, &p, bounds, tolerance);
    match (together, apart) {
        (Some(t), Some(a)) => {
            let more = t.freedom.saturating_sub(a.freedom).max(1) as f64;
            let gain = (t.rss - a.rss) / more / (a.rss / a.freedom as f64).max(f64::MIN_POSITIVE);
            if gain > WORTH {
                best(&layout, &a)
            } else {
                layout.shared = true;
                best(&layout, &t)
            }
        }
        (None, Some(a)) => best(&layout, &a),
        (Some(t), None) => {
            layout.shared = true;
            best(&layout, &t)
        }
        (None, None) => None,
    }
}

fn run(
    layout: &Layout,
    x: &[f64],
    y: &[f64],
    p: &[f64],
    bounds: Vec<(f64, f64)>,
    tolerance: f64,
) -> Option<Solution> {
    let terms = Terms {
        bounds,
        tolerance,
        steps: 60,
    };
    squares::least_squares(layout, x, y, p, &terms)
}

/// Start and bounds; `factor` times the tau that the flanks suggest.
fn begin(layout: &Layout, starts: &[Start], y: &[f64], factor: f64) -> (Vec<f64>, Vec<(f64, f64)>) {
    let mut p = vec![0.0; layout.peak(layout.peaks)];
    let mut bounds = vec![(f64::NEG_INFINITY, f64::INFINITY); p.len()];
    if layout.terms > 0 {
        p[0] = y.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    }
    let ratio_of = |s: &Start| (factor * (s.tau_s / s.sigma_s - 0.2)).clamp(0.1, 6.0);
    // The tallest is the clearest.
    let tallest = starts.iter().max_by(|a, b| a.height.total_cmp(&b.height));
    let shared = tallest.map_or(0.5, ratio_of);
    for (k, s) in starts.iter().enumerate() {
        let ratio = if layout.shared { shared } else { ratio_of(s) };
        let sigma = s.sigma_s / (1.0 + 0.15 * ratio.min(2.0));
        let i = layout.peak(k);
        p[i] = s.height * sigma * std::f64::consts::TAU.sqrt() * (1.0 + 0.5 * ratio);
        p[i + 1] = s.apex_s - sigma * (0.7 * ratio).min(1.3);
        p[i + 2] = sigma;
        p[layout.ratio(k)] = ratio;
        bounds[i] = (0.0, f64::INFINITY);
        bounds[i + 1] = (s.apex_s - 6.0 * s.sigma_s, s.apex_s + 3.0 * s.sigma_s);
        bounds[i + 2] = (0.2 * s.sigma_s, 4.0 * s.sigma_s);
        bounds[layout.ratio(k)] = (0.0, MOST_RATIO);
    }
    (p, bounds)
}

/// The parameters of a shared ratio as those of peaks with their own.
fn apart(own: &Layout, shared: &[f64]) -> Vec<f64> {
    let mut p = shared[..own.terms].to_vec();
    let ratio = shared[own.terms];
    for peak in shared[own.terms + 1..].chunks_exact(3) {
        p.extend_from_slice(peak);
        p.push(ratio.max(0.05));
    }
    p
}

fn group(layout: &Layout, s: &Solution, x: &[f64], y: &[f64]) -> Option<Group> {
    let p = &s.parameters;
    let n = p.len();
    let memory = memory(layout, p, x, y);
    let mut area_covariance = Vec::with_capacity(layout.peaks * layout.peaks);
    for a in 0..layout.peaks {
        for b in 0..layout.peaks {
            area_covariance.push(memory * s.covariance[layout.peak(a) * n + layout.peak(b)]);
        }
    }
    let shapes: Vec<Shape> = (0..layout.peaks)
        .map(|k| {
            let i = layout.peak(k);
            Shape {
                area: p[i],
                area_se: area_covariance[k * layout.peaks + k].max(0.0).sqrt(),
                mu_s: p[i + 1],
                sigma_s: p[i + 2],
                tau_s: p[i + 2] * p[layout.ratio(k)],
            }
        })
        .collect();
    let sound = |s: &Shape| s.area > 0.0 && s.area_se.is_finite();
    shapes.iter().all(sound).then_some(Group {
        shapes,
        area_covariance,
        spread: (s.rss / s.freedom as f64).sqrt(),
    })
}

/// Factor of the variances for residuals that are correlated: 1 + 2 sum of the autocorrelations, as far as they are
/// clearly positive (common practice, no source).
fn memory(layout: &Layout, p: &[f64], x: &[f64], y: &[f64]) -> f64 {
    let mut slopes = vec![0.0; p.len()];
    let r: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(x, y)| y - layout.value(*x, p, &mut slopes))
        .collect();
    let square: f64 = r.iter().map(|r| r * r).sum();
    let mut factor = 1.0;
    for lag in 1..r.len() / 4 {
        let product: f64 = r.iter().zip(&r[lag..]).map(|(a, b)| a * b).sum();
        let correlation = product / square.max(f64::MIN_POSITIVE);
        if correlation < 2.0 / (r.len() as f64).sqrt() {
            break;
        }
        factor += 2.0 * correlation;
    }
    factor
}
