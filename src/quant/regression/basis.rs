//! Polynomials that are orthogonal over the weighted points.
//!
//! Three-term recurrence of Forsythe (1957); from memory, checked against the certified NIST results.

use serde::{Deserialize, Serialize};

use super::{Degree, Model};
use crate::quant::describe::sum;

/// The orthogonal terms of a [`Model`] over its points.
///
/// With an intercept φ₀ = 1, φ₁ = x − centre, φ₂ = (x − alpha) φ₁ − beta; through zero φ₁ = x, φ₂ = (x − alpha) x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Basis {
    /// What is fitted.
    pub model: Model,
    /// Weighted mean of x; 0 through zero.
    pub centre: f64,
    /// Shift of the second term; 0 for a straight line.
    pub alpha: f64,
    /// What is taken off the second term; 0 for a straight line and through zero.
    pub beta: f64,
}

impl Basis {
    /// The terms over points at `x` with weights `w` (mean 1).
    pub(super) fn over(x: &[f64], w: &[f64], model: Model) -> Basis {
        let mut basis = Basis {
            model,
            centre: 0.0,
            alpha: 0.0,
            beta: 0.0,
        };
        let total = sum(w.iter().copied());
        let weighted = |f: &dyn Fn(f64) -> f64| sum(x.iter().zip(w).map(|(x, w)| w * f(*x)));
        if !model.through_zero {
            let first = weighted(&|x| x) / total;
            // The second pass takes the rounding of the first out.
            basis.centre = first + weighted(&|x| x - first) / total;
        }
        if model.degree == Degree::Quadratic {
            let centre = basis.centre;
            let square = weighted(&|x| (x - centre) * (x - centre));
            let offset = weighted(&|x| (x - centre) * (x - centre) * (x - centre)) / square;
            basis.alpha = centre + offset;
            if !model.through_zero {
                basis.beta = square / total;
            }
        }
        basis
    }

    /// 1 with an intercept, else 0.
    pub(super) fn constants(&self) -> usize {
        usize::from(!self.model.through_zero)
    }

    /// The terms at `x`; 0 for one that the model lacks.
    pub fn values(&self, x: f64) -> [f64; 3] {
        let constant = if self.model.through_zero { 0.0 } else { 1.0 };
        let line = x - self.centre;
        let curve = match self.model.degree {
            Degree::Straight => 0.0,
            Degree::Quadratic => (x - self.alpha) * line - self.beta,
        };
        [constant, line, curve]
    }

    /// Σ c φ(x).
    pub fn value(&self, c: &[f64; 3], x: f64) -> f64 {
        let phi = self.values(x);
        c[0] * phi[0] + c[1] * phi[1] + c[2] * phi[2]
    }

    /// Derivative of Σ c φ at `x`.
    pub fn slope(&self, c: &[f64; 3], x: f64) -> f64 {
        match self.model.degree {
            Degree::Straight => c[1],
            Degree::Quadratic => c[1] + c[2] * ((x - self.alpha) + (x - self.centre)),
        }
    }

    /// Row i, column k: the share of xⁱ in φₖ.
    fn powers(&self) -> [[f64; 3]; 3] {
        let constant = if self.model.through_zero { 0.0 } else { 1.0 };
        let (a, m) = (self.alpha, self.centre);
        match self.model.degree {
            Degree::Straight => [[constant, -m, 0.0], [0.0, 1.0, 0.0], [0.0; 3]],
            Degree::Quadratic => [
                [constant, -m, a * m - self.beta],
                [0.0, 1.0, -(a + m)],
                [0.0, 0.0, 1.0],
            ],
        }
    }

    /// Coefficients of 1, x, x².
    pub(super) fn to_powers(self, c: &[f64; 3]) -> [f64; 3] {
        // Adding zero turns a minus zero into zero.
        self.powers()
            .map(|row| sum(row.iter().zip(c).map(|(share, c)| share * c)) + 0.0)
    }

    /// Covariances of the coefficients of 1, x, x².
    pub(super) fn covariance(&self, inverse_norm: &[f64; 3], variance: f64) -> [[f64; 3]; 3] {
        let powers = self.powers();
        powers.map(|row| {
            powers.map(|column| {
                variance * sum((0..3).map(|k| row[k] * column[k] * inverse_norm[k])) + 0.0
            })
        })
    }
}
