//! Does the model bend away from the points more than replicates scatter?

use serde::{Deserialize, Serialize};

use super::Regression;
use crate::quant::describe::sum;
use crate::quant::student::f_exceeds;

/// Lack-of-fit test: the scatter of level means about the curve against the scatter of replicates.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LackOfFit {
    /// Mean square of the lack of fit over mean square of the pure error.
    pub f: f64,
    /// Levels less coefficients.
    pub df_lack: usize,
    /// Points less levels.
    pub df_pure: usize,
    /// Probability of such an F or a larger one where the model holds; below 0.05 it is usually doubted.
    pub p: f64,
}

impl LackOfFit {
    /// The test over the points of a fit: `x`, `y` and `weights` as fitted (weights of mean 1). `None` without replicates, with no more levels
    /// than coefficients, or where replicates do not scatter at all.
    ///
    /// F = (Σ nⱼ wⱼ (ȳⱼ − ŷⱼ)² / (k − p)) / (Σ w (y − ȳⱼ)² / (n − k)): Draper and Smith, ch. 2 (from memory).
    pub fn of(fit: &Regression, x: &[f64], y: &[f64], weights: &[f64]) -> Option<LackOfFit> {
        let mut points: Vec<(f64, f64, f64)> = x
            .iter()
            .zip(y)
            .zip(weights)
            .map(|((x, y), w)| (*x + 0.0, *y, *w))
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let groups: Vec<&[(f64, f64, f64)]> = points.chunk_by(|a, b| a.0 == b.0).collect();
        let df_lack = groups
            .len()
            .checked_sub(fit.model.parameters())
            .filter(|d| *d > 0)?;
        let df_pure = points.len().checked_sub(groups.len()).filter(|d| *d > 0)?;
        let (mut lack, mut pure) = (Vec::new(), Vec::new());
        for group in groups {
            let weight = sum(group.iter().map(|p| p.2));
            let mean = sum(group.iter().map(|p| p.1 * p.2)) / weight;
            let x = group.first()?.0;
            lack.push(weight * (mean - fit.value(x)).powi(2));
            pure.extend(group.iter().map(|p| p.2 * (p.1 - mean).powi(2)));
        }
        let f = (sum(lack) / df_lack as f64) / (sum(pure) / df_pure as f64);
        let p = f_exceeds(f, df_lack as f64, df_pure as f64);
        (f.is_finite() && p.is_finite()).then_some(LackOfFit {
            f,
            df_lack,
            df_pure,
            p,
        })
    }
}
