//! Does a series rise or fall? Theil–Sen's slope with its interval, and the test of Mann and Kendall.
//!
//! Both look at pairs of points only, so that a single wild point does not turn them.

use super::describe::median;
use super::student::{normal_quantile, normal_tail};

/// The slope that half of all pairs exceed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs of points, y per x.
    pub slope: f64,
    /// Median y − slope × median x.
    pub intercept: f64,
    /// Lower bound of the slope's interval; `None` with too few points for one.
    pub low: Option<f64>,
    /// Upper bound of the slope's interval; `None` with too few points for one.
    pub high: Option<f64>,
}

/// Most points of a series: the pairs grow with its square.
pub const MOST_POINTS: usize = 4000;

/// Theil–Sen slope of `y` over `x` with its interval at `confidence` (0.95). Pairs of equal x are left out. `None`
/// where there is no pair of different x, more than [`MOST_POINTS`] points, different numbers of x and y, or a number
/// that is not finite.
///
/// Theil (1950), Sen (1968): with N slopes in order the bounds are those of ranks (N − C)/2 and (N + C)/2 + 1 (from 1),
/// C = z √var S with ties in both series; from memory, recomputed.
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
    let finite = |v: &[f64]| v.iter().all(|v| v.is_finite());
    if x.len() != y.len() || x.len() > MOST_POINTS || !finite(x) || !finite(y) {
        return None;
    }
    let mut slopes = Vec::with_capacity(x.len() * x.len().saturating_sub(1) / 2);
    for (i, (xi, yi)) in x.iter().zip(y).enumerate() {
        for (xj, yj) in x.iter().zip(y).skip(i + 1) {
            let slope = (yj - yi) / (xj - xi);
            if slope.is_finite() {
                slopes.push(slope);
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let slope = median(&slopes)?;
    let z = normal_quantile(0.5 + confidence / 2.0);
    let c = z * sen_variance(x, y).sqrt();
    let n = slopes.len() as f64;
    // Ranks from 0, rounded to the nearest as the references do; outside the slopes there is no bound.
    let at = |rank: f64| {
        (rank >= 0.0)
            .then(|| slopes.get(rank as usize).copied())
            .flatten()
    };
    let (low, high) = (
        at(((n - c) / 2.0).round_ties_even() - 1.0),
        at(((n + c) / 2.0).round_ties_even()),
    );
    Some(TheilSen {
        slope,
        intercept: median(y)? - slope * median(x)?,
        low,
        high,
    })
}

/// Variance of S with ties in x and in y, for Sen's interval.
fn sen_variance(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len() as f64;
    let ties = |v: &[f64]| tie_sum(v, |t| t * (t - 1.0) * (2.0 * t + 5.0));
    (n * (n - 1.0) * (2.0 * n + 5.0) - ties(x) - ties(y)) / 18.0
}

/// Σ f(t) over groups of t equal values.
fn tie_sum(values: &[f64], f: impl Fn(f64) -> f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().map(|v| v + 0.0).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
        .chunk_by(|a, b| a == b)
        .map(|g| f(g.len() as f64))
        .sum()
}

/// Mann and Kendall's test of a series in its order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// S: pairs that rise less pairs that fall.
    pub s: i64,
    /// Variance of S without a trend, ties taken off.
    pub variance: f64,
    /// (S − sign S)/√variance; 0 where S is.
    pub z: f64,
    /// Two-sided probability of such a z or a larger one without a trend.
    pub p: f64,
    /// Kendall's τ-b, −1 to 1.
    pub tau_b: f64,
}

/// The test over `y` in order. `None` with fewer than three values, more than [`MOST_POINTS`], where all are alike, or
/// where one is not finite. With fewer than about ten values the normal approximation of `p` is coarse.
///
/// Mann (1945), Kendall (1975): var S = [n(n − 1)(2n + 5) − Σ t(t − 1)(2t + 5)]/18, t the sizes of groups of equal
/// values; from memory, recomputed.
pub fn mann_kendall(y: &[f64]) -> Option<MannKendall> {
    if !(3..=MOST_POINTS).contains(&y.len()) || y.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut s = 0_i64;
    for (i, a) in y.iter().enumerate() {
        for b in y.iter().skip(i + 1) {
            s += i64::from(b > a) - i64::from(b < a);
        }
    }
    let n = y.len() as f64;
    let ties = tie_sum(y, |t| t * (t - 1.0) * (2.0 * t + 5.0));
    let variance = (n * (n - 1.0) * (2.0 * n + 5.0) - ties) / 18.0;
    if variance <= 0.0 {
        return None;
    }
    let z = (s - s.signum()) as f64 / variance.sqrt();
    let pairs = n * (n - 1.0) / 2.0;
    let tied = tie_sum(y, |t| t * (t - 1.0) / 2.0);
    Some(MannKendall {
        s,
        variance,
        z,
        p: 2.0 * normal_tail(z.abs()),
        tau_b: s as f64 / (pairs * (pairs - tied)).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_wild_point_does_not_turn_the_slope() {
        let x: Vec<f64> = (0..9).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 3.0 - 0.5 * x).collect();
        y[4] = 1e6;
        let fit = theil_sen(&x, &y, 0.95).unwrap();
        assert_eq!(fit.slope, -0.5);
        assert!(fit.low.unwrap() <= -0.5 && fit.high.unwrap() >= -0.5);
    }

    #[test]
    fn what_has_no_answer_gives_none() {
        assert_eq!(theil_sen(&[], &[], 0.95), None);
        assert_eq!(theil_sen(&[1.0, 1.0], &[2.0, 3.0], 0.95), None);
        assert_eq!(theil_sen(&[1.0, 2.0], &[2.0], 0.95), None);
        assert_eq!(theil_sen(&[1.0, f64::NAN], &[2.0, 1.0], 0.95), None);
        // Two points have a slope and no interval.
        let two = theil_sen(&[1.0, 2.0], &[2.0, 3.0], 0.95).unwrap();
        assert_eq!(
            (two.slope, two.intercept, two.low, two.high),
            (1.0, 0.5 + 0.5, None, None)
        );
        assert_eq!(mann_kendall(&[1.0, 2.0]), None);
        assert_eq!(mann_kendall(&[1.0; 5]), None);
        assert_eq!(mann_kendall(&[1.0, 2.0, f64::INFINITY]), None);
    }

    proptest! {
        #[test]
        fn any_input_is_survived(
            points in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY), 0..12), confidence in proptest::num::f64::ANY
        ) {
            let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
            let _ = theil_sen(&x, &y, confidence);
            let _ = mann_kendall(&y);
        }

        #[test]
        fn a_mirrored_series_has_the_mirrored_trend(y in proptest::collection::vec(-5..5_i32, 3..20)) {
            let y: Vec<f64> = y.into_iter().map(f64::from).collect();
            let back: Vec<f64> = y.iter().rev().copied().collect();
            match (mann_kendall(&y), mann_kendall(&back)) {
                (Some(a), Some(b)) => prop_assert_eq!((a.s, a.p), (-b.s, b.p)),
                (a, b) => prop_assert_eq!(a, b),
            }
        }
    }
}
