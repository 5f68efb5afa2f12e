//! From a response back to the amount, with the standard error of that.

use serde::{Deserialize, Serialize};

use super::{Degree, Regression};
use crate::quant::student::t_quantile;

/// An amount read off a curve, in the unit of the curve's amounts. All NaN where there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// The amount; may be below zero.
    pub x: f64,
    /// Its standard error.
    pub se: f64,
    /// Lower bound of its 95 % interval.
    pub low_95: f64,
    /// Upper bound of its 95 % interval.
    pub high_95: f64,
}

impl Prediction {
    /// Amount, standard error and interval times a factor above zero: a dilution, a correction for the injected volume.
    #[must_use]
    pub fn times(self, factor: f64) -> Prediction {
        Prediction {
            x: self.x * factor,
            se: self.se * factor,
            low_95: self.low_95 * factor,
            high_95: self.high_95 * factor,
        }
    }
}

impl Regression {
    /// The amount at which the fitted response is `y`. NaN where a parabola never gets there, or on a curve that does
    /// not rise. A parabola is followed on its rising branch.
    pub fn invert(&self, y: f64) -> f64 {
        let [c0, c1, c2] = self.orthogonal;
        let rise = y - c0;
        if self.model.degree == Degree::Straight {
            return self.basis.centre + rise / c1;
        }
        // In u = x − centre: ŷ − c₀ = B u + c₂ u² − c₂ beta.
        let b = c1 + c2 * (self.basis.centre - self.basis.alpha);
        let rise = rise + c2 * self.basis.beta;
        let root = (b * b + 4.0 * c2 * rise).sqrt();
        if b > 0.0 {
            // Free of cancellation, and a straight line where c₂ is 0.
            self.basis.centre + 2.0 * rise / (b + root)
        } else {
            self.basis.centre + (root - b) / (2.0 * c2)
        }
    }

    /// Standard error of an amount `x0` read off the curve: (s/ŷ′) √(1/(m w₀) + Σ φ(x₀)²/Σwφ²).
    ///
    /// `reading` is 1/(m w₀): m readings of the unknown, each of weight w₀. For the straight line with intercept this
    /// is (s/b) √(1/(m w₀) + 1/n + (y₀ − ȳ)²/(b² S_xx)), weighted means and sums where weights are given: Miller and
    /// Miller, ch. 5 (from memory; recomputed). Through zero the middle term falls away. A `reading` of 0 is an
    /// amount known without a reading, as in standard additions. The parabola's is the same first-order propagation.
    pub fn inverse_se(&self, x0: f64, reading: f64) -> f64 {
        self.residual_sd / self.slope_at(x0).abs() * (reading + self.leverage(x0)).sqrt()
    }

    /// Amount and 95 % interval x₀ ± t(0.975; n − p) s for the mean `y` of readings; `reading` as in
    /// [`inverse_se`](Self::inverse_se), for the amount it is given.
    pub fn predict(&self, y: f64, reading: impl Fn(f64) -> f64) -> Prediction {
        let x = self.invert(y);
        let se = self.inverse_se(x, reading(x));
        if !x.is_finite() || !se.is_finite() {
            return Prediction {
                x: f64::NAN,
                se: f64::NAN,
                low_95: f64::NAN,
                high_95: f64::NAN,
            };
        }
        let half = t_quantile(0.975, self.df as f64) * se;
        Prediction {
            x,
            se,
            low_95: x - half,
            high_95: x + half,
        }
    }
}
