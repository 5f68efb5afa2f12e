//! Does one value stand apart from the others?

use super::describe::{mean, sd};
use super::student::t_quantile;

/// Grubbs' test for one outlier among values from a normal distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grubbs {
    /// Index of the value farthest from the mean, the first of several.
    pub index: usize,
    /// Its distance from the mean in standard deviations.
    pub g: f64,
    /// What `g` exceeds by chance with the probability asked for.
    pub critical: f64,
}

impl Grubbs {
    /// Whether the value stands apart. That alone is no reason to leave it out: look for the cause.
    pub fn stands_apart(&self) -> bool {
        self.g > self.critical
    }
}

/// The test at the level `alpha` (0.05) for a value on one given side, the one farthest out. `None` with fewer than
/// three values, without scatter, where one is not finite, or for an `alpha` outside 0 to 1.
///
/// G = max |x − x̄|/s, critical (n − 1)/√n √(t²/(n − 2 + t²)) with t = t(1 − α/n; n − 2): Grubbs (1969), NIST/SEMATECH
/// e-Handbook 1.3.5.17.1 (from memory; recomputed).
pub fn grubbs(values: &[f64], alpha: f64) -> Option<Grubbs> {
    if values.len() < 3 {
        return None;
    }
    let (mean, sd) = (mean(values)?, sd(values)?);
    let (mut index, mut farthest) = (0, -1.0);
    for (i, v) in values.iter().enumerate() {
        if (v - mean).abs() > farthest {
            (index, farthest) = (i, (v - mean).abs());
        }
    }
    let n = values.len() as f64;
    let t = t_quantile(1.0 - alpha / n, n - 2.0);
    let critical = (n - 1.0) / n.sqrt() * (t * t / (n - 2.0 + t * t)).sqrt();
    let g = farthest / sd;
    (g.is_finite() && critical.is_finite()).then_some(Grubbs { index, g, critical })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_has_no_answer_gives_none() {
        assert_eq!(grubbs(&[1.0, 2.0], 0.05), None);
        assert_eq!(grubbs(&[1.0; 4], 0.05), None);
        assert_eq!(grubbs(&[1.0, 2.0, f64::NAN], 0.05), None);
        assert_eq!(grubbs(&[1.0, 2.0, 4.0], -1.0), None);
        assert!(!grubbs(&[1.0, 2.0, 3.0], 0.05).unwrap().stands_apart());
    }

    proptest! {
        #[test]
        fn any_input_is_survived(values in proptest::collection::vec(proptest::num::f64::ANY, 0..12), alpha in proptest::num::f64::ANY) {
            let _ = grubbs(&values, alpha);
        }
    }
}
