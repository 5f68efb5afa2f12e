//! Non-linear least squares by Levenberg's and Marquardt's damped steps.
//!
//! K. Levenberg, Q. Appl. Math. 2 (1944) 164; D. W. Marquardt, J. SIAM 11 (1963) 431 (from memory). The normal
//! equations are scaled to a unit diagonal before they are solved, so that parameters may differ by any power of ten.

/// A curve with parameters.
pub trait Model {
    /// Value at `x`; writes the slope with each parameter into `slopes` (as long as `p`).
    fn value(&self, x: f64, p: &[f64], slopes: &mut [f64]) -> f64;
}

/// When to stop, and between which values each parameter is kept.
#[derive(Debug, Clone)]
pub struct Terms {
    /// Lowest and highest value of each parameter; empty: all are free.
    pub bounds: Vec<(f64, f64)>,
    /// A step is small where no parameter moves by more than this part of its standard error.
    pub tolerance: f64,
    /// At most so many steps.
    pub steps: usize,
}

/// What the fit found.
#[derive(Debug, Clone)]
pub struct Solution {
    /// The parameters.
    pub parameters: Vec<f64>,
    /// Their covariance, row by row: rss/(n - p) times the inverse of the normal matrix; 0 for one held by its bound.
    pub covariance: Vec<f64>,
    /// Residual sum of squares.
    pub rss: f64,
    /// Points minus free parameters.
    pub freedom: usize,
}

impl Solution {
    /// Standard error of parameter `k`.
    pub fn standard_error(&self, k: usize) -> f64 {
        let n = self.parameters.len();
        self.covariance
            .get(k * n + k)
            .map_or(f64::NAN, |v| v.max(0.0).sqrt())
    }
}

/// Sums over the points: normal matrix, gradient and residual sum of squares.
struct Sums {
    normal: Vec<f64>,
    gradient: Vec<f64>,
    rss: f64,
}

fn sums(model: &impl Model, x: &[f64], y: &[f64], p: &[f64]) -> Sums {
    let n = p.len();
    let mut out = Sums {
        normal: vec![0.0; n * n],
        gradient: vec![0.0; n],
        rss: 0.0,
    };
    let mut slopes = vec![0.0; n];
    for (x, y) in x.iter().zip(y) {
        let residual = model.value(*x, p, &mut slopes) - y;
        out.rss += residual * residual;
        for (i, s) in slopes.iter().enumerate() {
            if *s == 0.0 {
                continue;
            }
            out.gradient[i] += s * residual;
            for (cell, other) in out.normal[i * n..=i * n + i].iter_mut().zip(&slopes) {
                *cell += s * other;
            }
        }
    }
    out
}

/// Solves (A + damping diag A) d = b over the free parameters by Cholesky's factors; `None` where A is singular.
fn solve(normal: &[f64], free: &[usize], damping: f64, b: &[f64]) -> Option<Vec<f64>> {
    let n = (normal.len() as f64).sqrt() as usize;
    let m = free.len();
    let scale: Vec<f64> = free.iter().map(|i| normal[i * n + i].sqrt()).collect();
    if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        return None;
    }
    let mut low = vec![0.0; m * m];
    for r in 0..m {
        for c in 0..=r {
            let (i, j) = (free[r].max(free[c]), free[r].min(free[c]));
            let diagonal = if r == c { damping } else { 0.0 };
            let known: f64 = (0..c).map(|k| low[r * m + k] * low[c * m + k]).sum();
            let v = normal[i * n + j] / (scale[r] * scale[c]) + diagonal - known;
            low[r * m + c] = if r == c {
                if v.is_nan() || v <= 1e-15 {
                    return None;
                }
                v.sqrt()
            } else {
                v / low[c * m + c]
            };
        }
    }
    let mut d = vec![0.0; m];
    for r in 0..m {
        let known: f64 = (0..r).map(|k| low[r * m + k] * d[k]).sum();
        d[r] = (b[free[r]] / scale[r] - known) / low[r * m + r];
    }
    for r in (0..m).rev() {
        let known: f64 = (r + 1..m).map(|k| low[k * m + r] * d[k]).sum();
        d[r] = (d[r] - known) / low[r * m + r];
    }
    let mut out = vec![0.0; n];
    for r in 0..m {
        out[free[r]] = d[r] / scale[r];
    }
    Some(out)
}

/// Parameters that are not held by a bound against the way down.
fn free(p: &[f64], gradient: &[f64], bounds: &[(f64, f64)]) -> Vec<usize> {
    let held = |k: usize| {
        bounds.get(k).is_some_and(|(low, high)| {
            (p[k] <= *low && gradient[k] > 0.0) || (p[k] >= *high && gradient[k] < 0.0)
        })
    };
    (0..p.len()).filter(|k| !held(*k)).collect()
}

/// Fits the model to the points from a start.
///
/// `None`: no more points than parameters, numbers that are not finite, or no convergence within the steps allowed.
/// The same points and start give the same answer.
pub fn least_squares(
    model: &impl Model,
    x: &[f64],
    y: &[f64],
    start: &[f64],
    terms: &Terms,
) -> Option<Solution> {
    if x.len() != y.len() || x.len() <= start.len() {
        return None;
    }
    let mut p = kept(start, &terms.bounds);
    let mut now = sums(model, x, y, &p);
    let total: f64 = y.iter().map(|y| y * y).sum();
    let mut damping = 1e-3;
    for _ in 0..terms.steps {
        if !now.rss.is_finite() {
            return None;
        }
        let loose = free(&p, &now.gradient, &terms.bounds);
        let down: Vec<f64> = now.gradient.iter().map(|g| -g).collect();
        let Some(step) = solve(&now.normal, &loose, damping, &down) else {
            damping = (10.0 * damping).max(1e-8);
            if damping > 1e8 {
                return None;
            }
            continue;
        };
        let trial: Vec<f64> = p.iter().zip(&step).map(|(p, d)| p + d).collect();
        let trial = kept(&trial, &terms.bounds);
        let next = sums(model, x, y, &trial);
        let small = small(&p, &trial, &now, terms.tolerance * (1.0 + damping), x.len());
        if next.rss <= now.rss {
            damping = (0.1 * damping).max(1e-14);
            (p, now) = (trial, next);
        } else if !small {
            damping *= 10.0;
            if damping > 1e12 {
                return None;
            }
            continue;
        }
        if small || now.rss <= 1e-28 * total {
            return finish(p, now, &terms.bounds, x.len());
        }
    }
    None
}

fn kept(p: &[f64], bounds: &[(f64, f64)]) -> Vec<f64> {
    let keep = |(k, v): (usize, &f64)| {
        bounds
            .get(k)
            .map_or(*v, |(low, high)| v.max(*low).min(*high))
    };
    p.iter().enumerate().map(keep).collect()
}

/// No parameter moves by more than a part of its standard error (were it the only one).
fn small(from: &[f64], to: &[f64], sums: &Sums, tolerance: f64, points: usize) -> bool {
    let n = from.len();
    let spread = (sums.rss / (points - n) as f64).sqrt();
    (0..n).all(|k| {
        let moved = (to[k] - from[k]).abs();
        moved * sums.normal[k * n + k].sqrt() <= tolerance * spread || moved <= 1e-15 * to[k].abs()
    })
}

fn finish(p: Vec<f64>, sums: Sums, bounds: &[(f64, f64)], points: usize) -> Option<Solution> {
    let n = p.len();
    let loose = free(&p, &sums.gradient, bounds);
    let freedom = points - loose.len();
    let variance = sums.rss / freedom as f64;
    let mut covariance = vec![0.0; n * n];
    for k in &loose {
        let mut one = vec![0.0; n];
        one[*k] = 1.0;
        // A trace of damping: two peaks in one have no covariance, but a very large one.
        let column = solve(&sums.normal, &loose, 1e-13, &one)?;
        for (i, v) in column.iter().enumerate() {
            covariance[i * n + k] = variance * v;
        }
    }
    Some(Solution {
        parameters: p,
        covariance,
        rss: sums.rss,
        freedom,
    })
}

#[cfg(test)]
mod tests;
