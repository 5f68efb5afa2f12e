//! Weights by the amount: 1, 1/x, 1/x².

use serde::{Deserialize, Serialize};

use super::FitError;
use crate::method::Weight;
use crate::quant::describe::mean;

/// A rule of weights over given amounts, normalised to a mean of 1, and able to weigh any other amount alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Weights {
    /// The rule.
    pub rule: Weight,
    /// Smallest amount above zero among the points. Amounts below it (zero, a blank level, a negative reading) get its
    /// weight: 1/x would be without bound there.
    pub floor: f64,
    /// Mean of the raw weights over the points.
    pub mean: f64,
}

impl Weights {
    /// The rule over points at amounts `x`, none below zero.
    ///
    /// # Errors
    /// Without an amount above zero there is nothing to weigh by, and amounts too far apart leave the range of numbers.
    pub fn over(rule: Weight, x: &[f64]) -> Result<Weights, FitError> {
        let floor = x
            .iter()
            .copied()
            .filter(|x| *x > 0.0)
            .fold(f64::INFINITY, f64::min);
        if !floor.is_finite() {
            return Err(FitError::TooFewLevels {
                levels: 0,
                needed: 1,
            });
        }
        let unscaled = Weights {
            rule,
            floor,
            mean: 1.0,
        };
        let raw: Vec<f64> = x.iter().map(|x| unscaled.at(*x)).collect();
        match mean(&raw) {
            Some(mean) if mean > 0.0 => Ok(Weights { mean, ..unscaled }),
            _ => Err(FitError::OutOfScale),
        }
    }

    /// Weight at an amount: where it is no calibrator's, by the same rule.
    pub fn at(&self, x: f64) -> f64 {
        // Relative to the floor, so that no square of a small amount underflows.
        let ratio = self.floor / x.max(self.floor);
        let raw = match self.rule {
            Weight::One => 1.0,
            Weight::InverseX => ratio,
            Weight::InverseX2 => ratio * ratio,
        };
        raw / self.mean
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_have_mean_one_and_zero_weighs_like_the_lowest() {
        let x = [0.0, 1.0, 2.0, 10.0];
        for (rule, ratio) in [
            (Weight::One, 1.0),
            (Weight::InverseX, 10.0),
            (Weight::InverseX2, 100.0),
        ] {
            let w = Weights::over(rule, &x).unwrap();
            let total: f64 = x.iter().map(|x| w.at(*x)).sum();
            assert!((total - 4.0).abs() < 1e-12);
            assert!((w.at(1.0) / w.at(10.0) - ratio).abs() < 1e-12);
            assert_eq!(w.at(0.0), w.at(1.0));
            assert_eq!(w.at(-5.0), w.at(1.0));
        }
    }

    #[test]
    fn nothing_above_zero_cannot_be_weighed() {
        assert!(Weights::over(Weight::InverseX, &[0.0, 0.0]).is_err());
        assert!(Weights::over(Weight::InverseX, &[]).is_err());
    }
}
