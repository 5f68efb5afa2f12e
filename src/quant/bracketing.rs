//! Bracketing: a sample is read off the curve after its area has been set right by the response that the standards before
//! and after it show.
//!
//! A [`Checkpoint`] has the response factor of its standards relative to the calibration curve ŷ(x), by least squares
//! through zero in the curve's weights w: F = Σ w ŷ A / Σ w ŷ² (for one standard A/ŷ). It stands at the weighted mean of
//! their places in the queue, Σ w ŷ² k / Σ w ŷ², so that a response that drifts evenly is met without bias. Between two
//! checkpoints F is interpolated linearly by place (common practice, no source; recomputed), and the amount is the curve's
//! at A/F. On a straight line through zero that is the sample's area over the interpolated area for each unit of amount.
//!
//! A drift is taken to change the whole response, the intercept with it, and evenly between the checkpoints.

use super::curve::Curve;
use crate::method::Weight;

/// One standard's response to one analyte.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Place in the queue, counted in injections.
    pub place: f64,
    /// What the vial contains, in the analyte's unit; above 0.
    pub nominal: f64,
    /// Area for the method's injection volume, mAU·s.
    pub area_mau_s: f64,
}

/// What the standards of one checkpoint show of one analyte.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Checkpoint {
    /// Where it stands, counted in injections.
    pub place: f64,
    /// F: response relative to the curve's; above 0.
    pub factor: f64,
    /// Variance of F over F², in units of the curve's residual variance.
    variance: f64,
    /// How F follows the curve: relative change of F for a change of the coefficients of the curve's orthogonal terms, with
    /// its sign turned.
    terms: [f64; 3],
}

/// The response factor at a sample's place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// F: response relative to the curve's; above 0.
    pub value: f64,
    /// Variance of F over F², in units of the curve's residual variance.
    variance: f64,
    /// As [`Checkpoint`]'s.
    terms: [f64; 3],
}

impl Checkpoint {
    /// The response that standards show of the curve's analyte; `None` where none of them can be used.
    pub fn of(curve: &Curve, standards: &[Shown]) -> Option<Checkpoint> {
        let fit = &curve.regression;
        let usable = |s: &&Shown| s.area_mau_s.is_finite() && fit.value(s.nominal) > 0.0;
        // w ŷ of each beside it.
        let weighed: Vec<(&Shown, f64)> = standards
            .iter()
            .filter(usable)
            .map(|s| (s, curve.weights.at(s.nominal) * fit.value(s.nominal)))
            .collect();
        let over = |value: &dyn Fn(&Shown) -> f64| weighed.iter().map(|(s, w)| w * value(s)).sum();
        let squares: f64 = over(&|s| fit.value(s.nominal));
        let products: f64 = over(&|s| s.area_mau_s);
        let places: f64 = over(&|s| fit.value(s.nominal) * s.place);
        let factor = products / squares;
        if !(factor.is_finite() && factor > 0.0) {
            return None;
        }
        let mut terms = [0.0; 3];
        for s in standards.iter().filter(usable) {
            let off = 2.0 * fit.value(s.nominal) - s.area_mau_s / factor;
            let share = curve.weights.at(s.nominal) * off / squares;
            for (term, phi) in terms.iter_mut().zip(fit.basis.values(s.nominal)) {
                *term += share * phi;
            }
        }
        Some(Checkpoint {
            place: places / squares,
            factor,
            variance: scatter_at(curve, factor) / squares,
            terms,
        })
    }

    fn alone(&self) -> Factor {
        Factor {
            value: self.factor,
            variance: self.variance,
            terms: self.terms,
        }
    }
}

impl Factor {
    /// The response factor at a place between two checkpoints; where there is one alone, its own; `None` without any.
    pub fn at(
        place: f64,
        before: Option<&Checkpoint>,
        after: Option<&Checkpoint>,
    ) -> Option<Factor> {
        let (first, last) = match (before, after) {
            (Some(first), Some(last)) => (first, last),
            (Some(alone), None) | (None, Some(alone)) => (alone, alone),
            (None, None) => return None,
        };
        let apart = last.place - first.place;
        if apart <= 0.0 {
            return Some(first.alone());
        }
        let share = ((place - first.place) / apart).clamp(0.0, 1.0);
        let value = (1.0 - share) * first.factor + share * last.factor;
        // Relative to F, so that both shares add up to 1.
        let of_first = (1.0 - share) * first.factor / value;
        let of_last = share * last.factor / value;
        let mut terms = [0.0; 3];
        for ((term, a), b) in terms.iter_mut().zip(first.terms).zip(last.terms) {
            *term = of_first * a + of_last * b;
        }
        Some(Factor {
            value,
            variance: of_first * of_first * first.variance + of_last * of_last * last.variance,
            terms,
        })
    }

    /// Variance of a corrected reading less the curve, A/F − ŷ(x), beyond the reading's own, for a curve whose residual
    /// standard deviation is `fit_sd` and standards that scatter with `variance` at weight 1.
    ///
    /// Propagation of error (JCGM 100:2008, 5.1.2; from memory, recomputed by differences): the scatter of the standards
    /// comes in by their shares, ŷ² Var(F)/F². The curve enters twice, at the sample and at the standards, and that is the
    /// same curve: what it errs in both falls away, s² Σ (φ(x) − ŷ(x) p)²/Σwφ² with the terms p of the factor. On a straight
    /// line through zero nothing of it is left.
    pub fn variance(&self, curve: &Curve, x: f64, fit_sd: f64, variance: f64) -> f64 {
        let fit = &curve.regression;
        let response = fit.value(x);
        let phi = fit.basis.values(x);
        let left = |((phi, p), inverse): ((&f64, f64), f64)| {
            let over = phi - response * p;
            over * over * inverse
        };
        let terms = phi.iter().zip(self.terms).zip(fit.inverse_norm);
        response * response * self.variance * variance
            + fit_sd * fit_sd * terms.map(left).sum::<f64>()
    }
}

/// How the variance of an area over the response factor, A/F, compares with that of a calibrator of the same amount: a
/// reading scatters as calibrators of its own response do, by the weight rule. With 1/x² that is the same, with 1/x it is
/// 1/F of it, with equal weights 1/F².
pub fn scatter_at(curve: &Curve, factor: f64) -> f64 {
    match curve.weights.rule {
        Weight::One => 1.0 / (factor * factor),
        Weight::InverseX => 1.0 / factor,
        Weight::InverseX2 => 1.0,
    }
}

#[cfg(test)]
mod coverage;
#[cfg(test)]
mod tests;
