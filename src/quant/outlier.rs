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

/// The test at the level `alpha` for the value farthest out on either side, of which nobody knew before on which side it
/// would be: [`grubbs`] at `alpha`/2 (the same sources; critical values at 5 %: table 5 of ISO 5725-2, from memory, recomputed).
pub fn grubbs_two_sided(values: &[f64], alpha: f64) -> Option<Grubbs> {
    grubbs(values, alpha / 2.0)
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

    /// Of three values G cannot exceed 2/√3 = 1.15470 and must exceed 1.15431: two of them all but equal.
    #[test]
    fn three_values_just_inside_and_just_outside() {
        let near = grubbs_two_sided(&[4.0, 4.05, 5.5], 0.05).unwrap();
        assert!(!near.stands_apart(), "{near:?}");
        let apart = grubbs_two_sided(&[4.0, 5.5, 4.03], 0.05).unwrap();
        assert!(apart.stands_apart() && apart.index == 1, "{apart:?}");
    }

    proptest! {
        #[test]
        fn any_input_is_survived(values in proptest::collection::vec(proptest::num::f64::ANY, 0..12), alpha in proptest::num::f64::ANY) {
            let _ = grubbs(&values, alpha);
        }
    }
}
