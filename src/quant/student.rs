//! Quantiles and tail probabilities of the normal, Student's and Fisher's distributions.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::beta::checked_beta_reg;

/// Above so many degrees of freedom the expansion about the normal quantile is used: there it is exact to 12
/// digits, while the inversion of the incomplete beta function slowly loses its own.
const EXPAND_ABOVE_DF: f64 = 1000.0;

/// Smallest probability of a tail for which a t quantile is given.
const TAIL: f64 = 1e-6;

/// Quantile of the standard normal distribution; NaN for a probability outside 0 to 1 (bounds excluded).
pub fn normal_quantile(probability: f64) -> f64 {
    if !(probability > 0.0 && probability < 1.0) {
        return f64::NAN;
    }
    Normal::new(0.0, 1.0).map_or(f64::NAN, |n| n.inverse_cdf(probability))
}

/// Probability that a standard normal deviate exceeds `z`: ½ erfc(z/√2) (definition). Keeps its digits far out.
pub fn normal_tail(z: f64) -> f64 {
    if z.is_nan() {
        return f64::NAN;
    }
    Normal::new(0.0, 1.0).map_or(f64::NAN, |n| n.sf(z))
}

/// Quantile of Student's t, `t_quantile(0.975, 5.0)` = 2.571; NaN for a probability outside 1e-6 to 1 − 1e-6 or fewer
/// than 1 degree of freedom (the inversion is not safe further out). Infinite degrees of freedom give the normal quantile.
///
/// Large degrees of freedom: Abramowitz and Stegun 26.7.5 (from memory; checked against the exact inversion).
pub fn t_quantile(probability: f64, df: f64) -> f64 {
    if !(TAIL..=1.0 - TAIL).contains(&probability) || df.is_nan() || df < 1.0 {
        return f64::NAN;
    }
    if df > EXPAND_ABOVE_DF {
        return expanded(normal_quantile(probability), df);
    }
    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |t| t.inverse_cdf(probability))
}

/// Student's quantile as the normal one plus terms in 1/df.
fn expanded(z: f64, df: f64) -> f64 {
    let q = z * z;
    let g1 = z * (q + 1.0) / 4.0;
    let g2 = z * ((5.0 * q + 16.0) * q + 3.0) / 96.0;
    let g3 = z * (((3.0 * q + 19.0) * q + 17.0) * q - 15.0) / 384.0;
    let g4 = z * ((((79.0 * q + 776.0) * q + 1482.0) * q - 1920.0) * q - 945.0) / 92_160.0;
    z + (g1 + (g2 + (g3 + g4 / df) / df) / df) / df
}

/// Probability that Fisher's F with these degrees of freedom exceeds `f`; NaN where they are not above 0.
pub fn f_exceeds(f: f64, df1: f64, df2: f64) -> f64 {
    if f.is_nan() || !df1.is_finite() || !df2.is_finite() || df1 <= 0.0 || df2 <= 0.0 {
        return f64::NAN;
    }
    if f <= 0.0 {
        return 1.0;
    }
    // I_x(df₂/2, df₁/2) at x = df₂/(df₂ + df₁ F): Abramowitz and Stegun 26.6.2 (from memory).
    let x = df2 / (df2 + df1 * f);
    checked_beta_reg(df2 / 2.0, df1 / 2.0, x).unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_two_ways_meet_at_the_seam() {
        for p in [0.6, 0.9, 0.975, 0.995, 0.9999] {
            let exact = StudentsT::new(0.0, 1.0, 1000.0).unwrap().inverse_cdf(p);
            let near = expanded(normal_quantile(p), 1000.0);
            assert!((exact / near - 1.0).abs() < 2e-12, "{p}: {exact} {near}");
        }
    }

    #[test]
    fn many_degrees_of_freedom_are_the_normal_distribution() {
        for df in [1e7, 1e12, f64::INFINITY] {
            assert!((t_quantile(0.975, df) - 1.959963984540054).abs() < 1e-6);
        }
        assert!((t_quantile(0.975, 1e5) - 1.959987707534).abs() < 1e-11);
    }

    #[test]
    fn nonsense_has_no_quantile() {
        for (p, df) in [
            (0.0, 5.0),
            (1.0, 5.0),
            (f64::NAN, 5.0),
            (0.5, 0.0),
            (0.5, -1.0),
            (0.5, f64::NAN),
        ] {
            assert!(t_quantile(p, df).is_nan());
        }
        assert!(f_exceeds(f64::NAN, 1.0, 1.0).is_nan());
        assert!(f_exceeds(1.0, 0.0, 1.0).is_nan());
    }

    /// F with 1 and n degrees of freedom is t² (identity).
    #[test]
    fn f_agrees_with_t() {
        for df in [1.0, 5.0, 30.0] {
            let t = t_quantile(0.975, df);
            assert!((f_exceeds(t * t, 1.0, df) - 0.05).abs() < 1e-10);
        }
    }

    proptest! {
        #[test]
        fn any_input_is_survived(p in proptest::num::f64::ANY, df in proptest::num::f64::ANY, f in proptest::num::f64::ANY) {
            let _ = t_quantile(p, df);
            let _ = f_exceeds(f, df, df);
        }

        #[test]
        fn quantiles_are_finite_and_odd(p in 1e-6..0.999999_f64, df in 1.0..2000.0_f64) {
            let (below, above) = (t_quantile(p, df), t_quantile(1.0 - p, df));
            prop_assert!(below.is_finite());
            prop_assert!((below + above).abs() <= 1e-6 * (1.0 + below.abs()), "{below} {above}");
        }
    }
}
