//! Weighted least squares: a straight line or a parabola, with intercept or through zero.
//!
//! The polynomial is fitted in terms that are orthogonal over the points ([`basis`]), so nothing is inverted and
//! nothing cancels; the usual coefficients of 1, x, x² follow from it. Weights are normalised to a mean of 1, so that
//! the residual standard deviation keeps the unit of y.

pub mod basis;
mod error;
pub mod inverse;
pub mod lack_of_fit;
pub mod weights;

use serde::{Deserialize, Serialize};

use self::basis::Basis;
pub use self::error::FitError;
use super::describe::sum;
pub use crate::method::Degree;

/// What is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Model {
    /// Straight or curved.
    pub degree: Degree,
    /// Without an intercept.
    pub through_zero: bool,
}

impl Model {
    /// Number of coefficients p.
    pub fn parameters(self) -> usize {
        let powers = match self.degree {
            Degree::Straight => 1,
            Degree::Quadratic => 2,
        };
        powers + usize::from(!self.through_zero)
    }
}

/// A fitted curve with everything that prediction needs. y is the response, x the amount.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Regression {
    /// What was fitted.
    pub model: Model,
    /// The orthogonal terms over the points.
    pub basis: Basis,
    /// Coefficients of the orthogonal terms; with an intercept the first is the weighted mean of y.
    pub orthogonal: [f64; 3],
    /// 1 / Σ w φ² of each orthogonal term; 0 for a term that the model lacks. For a straight line with intercept:
    /// 1/n and 1/S_xx.
    pub inverse_norm: [f64; 3],
    /// Coefficients of 1, x, x²; 0 where the model lacks them.
    pub coefficients: [f64; 3],
    /// Their variances and covariances.
    pub covariance: [[f64; 3]; 3],
    /// Number of points n.
    pub n: usize,
    /// Degrees of freedom n − p.
    pub df: usize,
    /// Weighted residual sum of squares Σ w (y − ŷ)², weights of mean 1.
    pub rss: f64,
    /// Residual standard deviation √(RSS / (n − p)), in the unit of y, at a point of weight 1.
    pub residual_sd: f64,
    /// Coefficient of determination: 1 − RSS / Σ w (y − ȳ)², through zero 1 − RSS / Σ w y². 1 where y does not
    /// vary and is met.
    pub r2: f64,
    /// Regression mean square over residual mean square; `None` where nothing is left over.
    pub f: Option<f64>,
}

impl Regression {
    /// Least squares of `y` on `x` with relative `weights` (only their ratios count).
    ///
    /// # Errors
    /// [`FitError`] for input that is no numbers, too few points or amounts, or numbers out of all scale.
    pub fn fit(
        x: &[f64],
        y: &[f64],
        weights: &[f64],
        model: Model,
    ) -> Result<Regression, FitError> {
        check(x, y, weights, model)?;
        let n = x.len();
        let mean_weight = sum(weights.iter().copied()) / n as f64;
        let w: Vec<f64> = weights.iter().map(|w| w / mean_weight).collect();
        let basis = Basis::over(x, &w, model);
        let (orthogonal, inverse_norm) = solve(&basis, x, y, &w);
        let residual = |i: usize| y[i] - basis.value(&orthogonal, x[i]);
        let rss = sum((0..n).map(|i| w[i] * residual(i) * residual(i)));
        let df = n - model.parameters();
        let variance = rss / df as f64;
        let explained = explained(&orthogonal, &inverse_norm, model);
        let total = rss + explained;
        let regression = Regression {
            model,
            basis,
            orthogonal,
            inverse_norm,
            coefficients: basis.to_powers(&orthogonal),
            covariance: basis.covariance(&inverse_norm, variance),
            n,
            df,
            rss,
            residual_sd: variance.sqrt(),
            r2: if total > 0.0 { 1.0 - rss / total } else { 1.0 },
            f: Some(explained / (model.parameters() - basis.constants()) as f64 / variance)
                .filter(|f| f.is_finite()),
        };
        if regression.is_finite() {
            Ok(regression)
        } else {
            Err(FitError::OutOfScale)
        }
    }

    /// Fitted response ŷ at `x`.
    pub fn value(&self, x: f64) -> f64 {
        self.basis.value(&self.orthogonal, x)
    }

    /// Slope dŷ/dx at `x`.
    pub fn slope_at(&self, x: f64) -> f64 {
        self.basis.slope(&self.orthogonal, x)
    }

    /// Variance of the fitted response at `x` in units of the residual variance: Σ φ(x)² / Σ w φ².
    /// For a straight line with intercept 1/n + (x − x̄)²/S_xx.
    pub fn leverage(&self, x: f64) -> f64 {
        self.basis
            .values(x)
            .iter()
            .zip(self.inverse_norm)
            .map(|(phi, inverse)| phi * phi * inverse)
            .sum()
    }

    /// Standard error of the fitted response at `x`.
    pub fn value_se(&self, x: f64) -> f64 {
        self.residual_sd * self.leverage(x).sqrt()
    }

    /// Standard errors of the coefficients of 1, x, x²; 0 where the model lacks them.
    pub fn standard_errors(&self) -> [f64; 3] {
        let c = &self.covariance;
        [c[0][0].sqrt(), c[1][1].sqrt(), c[2][2].sqrt()]
    }

    fn is_finite(&self) -> bool {
        let numbers = [
            self.rss,
            self.residual_sd,
            self.r2,
            self.basis.centre,
            self.basis.alpha,
            self.basis.beta,
        ];
        let arrays = [self.orthogonal, self.inverse_norm, self.coefficients];
        let terms = self.model.parameters();
        let norms = self.inverse_norm.iter().filter(|v| **v > 0.0).count();
        numbers
            .iter()
            .chain(arrays.iter().flatten())
            .chain(self.covariance.iter().flatten())
            .all(|v| v.is_finite())
            && norms == terms
    }
}

/// Sum of squares that the terms beyond a constant explain.
fn explained(orthogonal: &[f64; 3], inverse_norm: &[f64; 3], model: Model) -> f64 {
    let skip = usize::from(!model.through_zero);
    orthogonal
        .iter()
        .zip(inverse_norm)
        .skip(skip)
        .filter(|(_, inverse)| **inverse > 0.0)
        .map(|(c, inverse)| c * c / inverse)
        .sum()
}

/// Coefficients of the orthogonal terms and 1/Σwφ²; a second pass over the residuals brings back what rounding
/// took from the orthogonality.
fn solve(basis: &Basis, x: &[f64], y: &[f64], w: &[f64]) -> ([f64; 3], [f64; 3]) {
    let phi: Vec<[f64; 3]> = x.iter().map(|x| basis.values(*x)).collect();
    let mut inverse_norm = [0.0; 3];
    for (k, inverse) in inverse_norm.iter_mut().enumerate() {
        let norm = sum(phi.iter().zip(w).map(|(p, w)| w * p[k] * p[k]));
        *inverse = if norm > 0.0 { 1.0 / norm } else { 0.0 };
    }
    let mut c = [0.0; 3];
    for _pass in 0..3 {
        let residuals: Vec<f64> = x
            .iter()
            .zip(y)
            .map(|(x, y)| y - basis.value(&c, *x))
            .collect();
        for k in 0..3 {
            let product = sum(phi
                .iter()
                .zip(w)
                .zip(&residuals)
                .map(|((p, w), r)| w * p[k] * r));
            c[k] += product * inverse_norm[k];
        }
    }
    (c, inverse_norm)
}

/// Refuses what cannot be fitted.
fn check(x: &[f64], y: &[f64], weights: &[f64], model: Model) -> Result<(), FitError> {
    if x.len() != y.len() || x.len() != weights.len() {
        return Err(FitError::Lengths {
            x: x.len(),
            y: y.len(),
            weights: weights.len(),
        });
    }
    for (what, values) in [("nominal", x), ("area", y), ("weight", weights)] {
        if let Some(at) = values.iter().position(|v| !v.is_finite()) {
            return Err(FitError::NotFinite {
                what,
                point: at + 1,
                value: values[at],
            });
        }
    }
    if let Some(at) = weights.iter().position(|w| *w <= 0.0) {
        return Err(FitError::BadWeight {
            point: at + 1,
            value: weights[at],
        });
    }
    let parameters = model.parameters();
    if x.len() <= parameters {
        return Err(FitError::TooFewPoints {
            points: x.len(),
            parameters,
            needed: parameters + 1,
        });
    }
    let levels = distinct(
        x.iter()
            .copied()
            .filter(|x| !model.through_zero || *x != 0.0),
    );
    if levels < parameters {
        return Err(FitError::TooFewLevels {
            levels,
            needed: parameters,
        });
    }
    Ok(())
}

/// How many different values there are.
fn distinct(values: impl Iterator<Item = f64>) -> usize {
    // Minus zero is zero.
    let mut sorted: Vec<f64> = values.map(|v| v + 0.0).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted.len()
}

#[cfg(test)]
mod tests;
