//! The baseline under the peaks: a stiff smooth curve through what is free of signal, led across the rest.
//!
//! Penalised least squares with second differences (E. T. Whittaker 1922; as a smoother of instrument signals:
//! P. H. C. Eilers, Anal. Chem. 75 (2003) 3631; from memory). Across a gap the curve is the cubic that its two sides
//! ask for, so that slow wander is followed where a straight line would cut it.

use super::resample::{Curve, Grid};
use super::spread;

/// Cells that make one node of the curve.
const CELLS_PER_NODE: usize = 3;

/// Fits the curve. `free[k]`: cell `k` holds no signal. `period_s`: what changes faster than this is not baseline.
pub(crate) fn fit(grid: &Grid, free: &[bool], period_s: f64) -> Curve {
    let (value, part) = nodes(grid, free);
    let step = grid.step_s * CELLS_PER_NODE as f64;
    let first = grid.start_s + 0.5 * step;
    let penalty = (period_s / (std::f64::consts::TAU * step))
        .powi(4)
        .clamp(1.0, 1e9);
    let mut weight = part.clone();
    let mut curve = whittaker(&value, &weight, penalty);
    for _ in 0..3 {
        let residuals: Vec<f64> = (0..value.len())
            .filter(|k| part[*k] > 0.5)
            .map(|k| (value[k] - curve[k]).abs())
            .collect();
        let spread = spread::from_median(residuals);
        if spread <= 0.0 {
            break;
        }
        let mut changed = false;
        for k in 0..value.len() {
            let r = (value[k] - curve[k]) / spread;
            // What stands out upwards is more likely signal than baseline.
            let trust = if (-5.0..3.5).contains(&r) { 1.0 } else { 0.01 };
            let w = part[k] * trust;
            changed |= w != weight[k];
            weight[k] = w;
        }
        if !changed {
            break;
        }
        curve = whittaker(&value, &weight, penalty);
    }
    Curve::new(first, step, curve)
}

/// Means of the free cells of each node and their share of it.
fn nodes(grid: &Grid, free: &[bool]) -> (Vec<f64>, Vec<f64>) {
    let n = grid.value.len() / CELLS_PER_NODE;
    let (mut value, mut part) = (Vec::with_capacity(n), Vec::with_capacity(n));
    for (cells, free) in grid
        .value
        .chunks_exact(CELLS_PER_NODE)
        .zip(free.chunks_exact(CELLS_PER_NODE))
    {
        let (mut sum, mut count) = (0.0, 0.0);
        for (v, f) in cells.iter().zip(free) {
            if *f {
                sum += v;
                count += 1.0;
            }
        }
        // A half-masked node's mean is not that of its middle: it would bend the curve on a slope.
        let whole = count == CELLS_PER_NODE as f64;
        value.push(if whole { sum / count } else { 0.0 });
        part.push(if whole { 1.0 } else { 0.0 });
    }
    (value, part)
}

/// Solves `(W + penalty DᵀD) z = W y` with second differences D, by LDLᵀ of the band.
fn whittaker(y: &[f64], weight: &[f64], penalty: f64) -> Vec<f64> {
    let n = y.len();
    if n < 5 || weight.iter().sum::<f64>() < 3.0 {
        return fallback(y, weight);
    }
    let (mut d, mut e, mut f) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
    let mut z = vec![0.0; n];
    for i in 0..n {
        let edge = i.min(n - 1 - i);
        let main = [1.0, 5.0, 6.0][edge.min(2)];
        let near = if i + 1 >= n {
            0.0
        } else if i == 0 || i + 2 == n {
            -2.0
        } else {
            -4.0
        };
        // A trace of weight keeps long gaps well conditioned.
        let mut pivot = weight[i] + 1e-9 + penalty * main;
        let mut side = penalty * near;
        let mut right = weight[i] * y[i];
        if i >= 1 {
            pivot -= e[i - 1] * e[i - 1] * d[i - 1];
            side -= e[i - 1] * d[i - 1] * f[i - 1];
            right -= e[i - 1] * z[i - 1];
        }
        if i >= 2 {
            pivot -= f[i - 2] * f[i - 2] * d[i - 2];
            right -= f[i - 2] * z[i - 2];
        }
        d[i] = pivot;
        e[i] = side / pivot;
        f[i] = if i + 2 < n { penalty / pivot } else { 0.0 };
        z[i] = right;
    }
    for i in (0..n).rev() {
        let mut v = z[i] / d[i];
        if i + 1 < n {
            v -= e[i] * z[i + 1];
        }
        if i + 2 < n {
            v -= f[i] * z[i + 2];
        }
        z[i] = v;
    }
    z
}

/// Nearly nothing is free: the level of what is, or of the lowest values.
fn fallback(y: &[f64], weight: &[f64]) -> Vec<f64> {
    let total: f64 = weight.iter().sum();
    let level = if total > 0.0 {
        y.iter().zip(weight).map(|(y, w)| y * w).sum::<f64>() / total
    } else {
        0.0
    };
    vec![level; y.len()]
}
