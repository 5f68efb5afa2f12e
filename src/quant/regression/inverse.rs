//! From a response back to the amount, with the standard error and the interval of that.

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
    /// Lower bound of its 95 % interval; minus infinity where the response sets none.
    pub low_95: f64,
    /// Upper bound of its 95 % interval; infinity where the response sets none, as at the top of a bent curve.
    pub high_95: f64,
}

impl Prediction {
    /// No answer.
    const NONE: Prediction = Prediction {
        x: f64::NAN,
        se: f64::NAN,
        low_95: f64::NAN,
        high_95: f64::NAN,
    };

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

/// How much wider each step away from the amount is while a bound is looked for.
const WIDEN: f64 = 1.25;
/// Steps until a bound counts as absent: over ten thousand first-order half-widths.
const STEPS: u32 = 48;
/// Halvings of the step in which a bound lies: to the last digit.
const HALVINGS: u32 = 64;
/// Bounds this near to each other, relative to their size, are one: a hundred times below what is shown or compared.
const NEAR_ENOUGH: f64 = 1e-13;

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

    /// Amount and first-order 95 % interval x₀ ± t(0.975; n − p) s for the mean `y` of readings; `reading` as in
    /// [`inverse_se`](Regression::inverse_se), by the amount. This is the interval that textbooks print;
    /// [`read_off`](Regression::read_off) has the exact one.
    pub fn predict(&self, y: f64, reading: impl Fn(f64) -> f64) -> Prediction {
        let x = self.invert(y);
        let se = self.inverse_se(x, reading(x));
        if !x.is_finite() || !se.is_finite() {
            return Prediction::NONE;
        }
        let half = t_quantile(0.975, self.df as f64) * se;
        Prediction {
            x,
            se,
            low_95: x - half,
            high_95: x + half,
        }
    }

    /// Amount, first-order standard error and exact 95 % interval for the mean `y` of readings whose variance at an
    /// amount x is `variance(x)`, in the squared unit of y. `df` are the degrees of freedom of the whole: those of the fit
    /// where the variance is the fit's.
    ///
    /// The interval holds every amount x whose own prediction interval holds y:
    /// |y − ŷ(x)| ≤ t(0.975; df) √(variance(x) + s² Σ φ(x)²/Σwφ²). For the straight line with equal weights that is
    /// Fieller's theorem (Fieller 1954; from memory). It takes the scatter at the bound and not at x₀, so that it stays
    /// exact on bent curves and where scatter grows with the amount; it need not be symmetric about x₀.
    pub fn read_off(&self, y: f64, df: f64, variance: impl Fn(f64) -> f64) -> Prediction {
        self.read_off_by(y, df, |x| {
            variance(x) + self.residual_sd * self.residual_sd * self.leverage(x)
        })
    }

    /// The same where `variance` is that of the whole difference y − ŷ(x), the curve's own uncertainty in it.
    pub fn read_off_by(&self, y: f64, df: f64, variance: impl Fn(f64) -> f64) -> Prediction {
        let x = self.invert(y);
        let scatter = |x: f64| variance(x).sqrt();
        let se = scatter(x) / self.slope_at(x).abs();
        if !x.is_finite() || !se.is_finite() {
            return Prediction::NONE;
        }
        let t = t_quantile(0.975, df.max(1.0));
        // How far y is beyond the prediction interval at x, on the side of the bound looked for.
        let beyond = |x: f64, side: f64| side * (self.value(x) - y) - t * scatter(x);
        let bound = |side: f64| {
            self.bound(x, side, t * se, &|x| beyond(x, side))
                .unwrap_or(side * f64::INFINITY)
        };
        Prediction {
            x,
            se,
            low_95: bound(-1.0),
            high_95: bound(1.0),
        }
    }

    /// The first amount on one side of `x0` at which `beyond` turns positive; `None` where the curve stops rising first.
    fn bound(&self, x0: f64, side: f64, half: f64, beyond: &dyn Fn(f64) -> f64) -> Option<f64> {
        if half <= 0.0 {
            return Some(x0);
        }
        let (mut inside, mut step) = (x0, half / 2.0);
        for _ in 0..STEPS {
            let at = x0 + side * step;
            if self.slope_at(at) <= 0.0 {
                return None;
            }
            if beyond(at) > 0.0 {
                return Some(halve(inside, at, beyond));
            }
            (inside, step) = (at, step * WIDEN);
        }
        None
    }
}

/// Where `beyond` turns positive between an amount inside and one outside.
fn halve(mut inside: f64, mut outside: f64, beyond: &dyn Fn(f64) -> f64) -> f64 {
    for _ in 0..HALVINGS {
        let middle = inside / 2.0 + outside / 2.0;
        if (outside - inside).abs() <= NEAR_ENOUGH * (outside.abs() + inside.abs()) {
            break;
        }
        if beyond(middle) > 0.0 {
            outside = middle;
        } else {
            inside = middle;
        }
    }
    outside
}
