//! Descriptive statistics that keep their digits: compensated sums, deviations from the mean in a second pass.

use serde::{Deserialize, Serialize};

use super::student::t_quantile;

/// Sum with a running correction for what each addition rounds away.
///
/// Neumaier (1974), a variant of Kahan's summation; from memory.
pub fn sum(values: impl IntoIterator<Item = f64>) -> f64 {
    let mut total = 0.0_f64;
    let mut lost = 0.0_f64;
    for value in values {
        let next = total + value;
        lost += if total.abs() >= value.abs() {
            (total - next) + value
        } else {
            (value - next) + total
        };
        total = next;
    }
    // Beyond the largest number the correction is infinite minus infinite; the plain total says more.
    if lost.is_finite() {
        total + lost
    } else {
        total
    }
}

/// Arithmetic mean; `None` without values, or where one is not finite or the sum exceeds the largest number.
pub fn mean(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let first = sum(values.iter().copied()) / n;
    // The mean of what is left over brings back the digits that the division lost.
    let refined = first + sum(values.iter().map(|v| v - first)) / n;
    refined.is_finite().then_some(refined)
}

/// Sum of squared deviations from the mean, corrected for the mean's own rounding.
///
/// Chan, Golub and LeVeque (1983), corrected two-pass algorithm; from memory.
fn squared_deviations(values: &[f64], mean: f64) -> f64 {
    let squares = sum(values.iter().map(|v| (v - mean) * (v - mean)));
    let left_over = sum(values.iter().map(|v| v - mean));
    (squares - left_over * left_over / values.len() as f64).max(0.0)
}

/// Standard deviation with n − 1; `None` with fewer than two values, or where they are not finite.
pub fn sd(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = mean(values)?;
    let sd = (squared_deviations(values, mean) / (values.len() as f64 - 1.0)).sqrt();
    sd.is_finite().then_some(sd)
}

/// Relative standard deviation 100 s/|x̄|, %; `None` where [`sd`] is, or where the mean is zero.
pub fn rsd_percent(values: &[f64]) -> Option<f64> {
    let mean = mean(values)?;
    let rsd = 100.0 * (sd(values)? / mean.abs());
    rsd.is_finite().then_some(rsd)
}

/// Lag-1 autocorrelation r₁ = Σ (yᵢ − ȳ)(yᵢ₊₁ − ȳ) / Σ (yᵢ − ȳ)²; `None` with fewer than two values or no scatter.
///
/// Formula of the NIST StRD univariate sets (verified).
pub fn lag1_autocorrelation(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = mean(values)?;
    let products = sum(values
        .iter()
        .zip(values.iter().skip(1))
        .map(|(a, b)| (a - mean) * (b - mean)));
    let r = products / squared_deviations(values, mean);
    r.is_finite().then_some(r)
}

/// Middle value, or the mean of the two middle ones; `None` without values or where one is not finite.
pub fn median(values: &[f64]) -> Option<f64> {
    if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let upper = *sorted.get(sorted.len() / 2)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get(sorted.len() / 2 - 1)?;
    // Halves first: the sum of two large values would overflow.
    Some(lower / 2.0 + upper / 2.0)
}

/// A mean with its scatter and its 95 % interval, in the unit of the values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MeanInterval {
    /// Number of values.
    pub n: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation (n − 1); `None` for one value.
    pub sd: Option<f64>,
    /// Lower bound x̄ − t(0.975; n − 1) s/√n; `None` for one value.
    pub low_95: Option<f64>,
    /// Upper bound; `None` for one value.
    pub high_95: Option<f64>,
}

/// Mean and 95 % interval by Student's t (textbook formula); `None` without values or where one is not finite.
pub fn mean_interval_95(values: &[f64]) -> Option<MeanInterval> {
    let mean = mean(values)?;
    let n = values.len();
    let sd = sd(values);
    let half = sd.map(|s| t_quantile(0.975, n as f64 - 1.0) * s / (n as f64).sqrt());
    Some(MeanInterval {
        n,
        mean,
        sd,
        low_95: half.map(|h| mean - h),
        high_95: half.map(|h| mean + h),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_has_no_answer_gives_none() {
        assert_eq!(mean(&[]), None);
        assert_eq!(mean(&[1.0, f64::NAN]), None);
        assert_eq!(mean(&[f64::MAX, f64::MAX]), None);
        assert_eq!(sd(&[1.0]), None);
        assert_eq!(rsd_percent(&[-1.0, 1.0]), None);
        assert_eq!(lag1_autocorrelation(&[2.0, 2.0]), None);
        assert_eq!(median(&[]), None);
    }

    #[test]
    fn the_median_is_the_middle() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), Some(2.5));
    }

    /// Six injections of reference section E: 0.2417687 % (recomputed).
    #[test]
    fn rsd_of_six_injections() {
        let rsd = rsd_percent(&[1001.2, 998.7, 1003.4, 1000.1, 996.9, 1002.5]).unwrap();
        assert!((rsd - 0.2417687).abs() < 5e-8, "{rsd}");
    }

    /// By hand: groups 9, 11 (mean 10, variance 2: r² = 0.02) and 99, 100, 101 (r² = 0.0001); (0.02 + 2 · 0.0001)/3.

    #[test]
    fn one_value_has_a_mean_and_no_interval() {
        let one = mean_interval_95(&[2.5]).unwrap();
        assert_eq!(
            (one.n, one.mean, one.sd, one.low_95, one.high_95),
            (1, 2.5, None, None, None)
        );
        let two = mean_interval_95(&[1.0, 3.0]).unwrap();
        // t(0.975; 1) = 12.7062047362, s/√2 = 1.
        assert!((two.high_95.unwrap() - 14.7062047362).abs() < 1e-9);
        assert!((two.low_95.unwrap() + 10.7062047362).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn any_input_is_survived(values in proptest::collection::vec(proptest::num::f64::ANY, 0..20)) {
            for r in [mean(&values), sd(&values), rsd_percent(&values), lag1_autocorrelation(&values), median(&values)].into_iter().flatten() {
                prop_assert!(r.is_finite());
            }
            let _ = mean_interval_95(&values);
        }

        #[test]
        fn a_shift_moves_the_mean_and_not_the_scatter(values in proptest::collection::vec(-1e3..1e3_f64, 2..30), shift in -1e6..1e6_f64) {
            let moved: Vec<f64> = values.iter().map(|v| v + shift).collect();
            prop_assert!((mean(&moved).unwrap() - mean(&values).unwrap() - shift).abs() < 1e-8);
            prop_assert!((sd(&moved).unwrap() - sd(&values).unwrap()).abs() < 1e-8);
        }
    }
}
