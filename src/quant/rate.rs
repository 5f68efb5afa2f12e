//! How fast does something change between two times?

use super::describe::MeanInterval;
use super::student::t_quantile;

/// A change divided by the time that it took.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Change per hour, in the unit of the means.
    pub per_h: f64,
    /// Lower bound of its 95 % interval; `None` where one of the means has no scatter to show.
    pub low_95: Option<f64>,
    /// Upper bound of its 95 % interval.
    pub high_95: Option<f64>,
}

/// Rate of change from the mean `before` to the mean `after`, `hours` later. `None` where no time lies between them or a
/// number is not finite. It has an interval where both means rest on two values or more and at least one of them scatters.
///
/// The interval is that of the difference of two means with unequal variances: v = s²/n of each, half-width
/// t(0.975; ν) √(v₁ + v₂), ν = (v₁ + v₂)²/(v₁²/(n₁ − 1) + v₂²/(n₂ − 1)). Welch (1947), Satterthwaite (1946), NIST/SEMATECH
/// e-Handbook 1.3.5.3 (from memory; recomputed). It knows the scatter of the replicates and nothing of the calibration.
pub fn rate(before: &MeanInterval, after: &MeanInterval, hours: f64) -> Option<Rate> {
    let per_h = (after.mean - before.mean) / hours;
    if hours.is_nan() || hours <= 0.0 || !per_h.is_finite() {
        return None;
    }
    let half = half_width(before, after).map(|h| h / hours);
    Some(Rate {
        per_h,
        low_95: half.map(|h| per_h - h),
        high_95: half.map(|h| per_h + h),
    })
}

/// Half of the interval of the difference.
fn half_width(before: &MeanInterval, after: &MeanInterval) -> Option<f64> {
    let part = |m: &MeanInterval| {
        let n = m.n as f64;
        m.sd.map(|s| (s * s / n, n - 1.0))
    };
    let ((v1, df1), (v2, df2)) = (part(before)?, part(after)?);
    let v = v1 + v2;
    if v.is_nan() || v <= 0.0 {
        return None;
    }
    // Shares first: squares of small variances would vanish.
    let (a, b) = (v1 / v, v2 / v);
    // ν lies between the smaller of the two and their sum; rounding must not take it below.
    let df = (1.0 / (a * a / df1 + b * b / df2)).max(df1.min(df2));
    let half = t_quantile(0.975, df) * v.sqrt();
    half.is_finite().then_some(half)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quant::describe::mean_interval_95;
    use proptest::prelude::*;

    fn of(values: &[f64]) -> MeanInterval {
        mean_interval_95(values).unwrap()
    }

    #[test]
    fn equal_groups_are_the_ordinary_case() {
        // s² = 1 and n = 3 in both: ν = 4, t = 2.776445, half-width 2.776445 √(2/3), over 2 h.
        let r = rate(&of(&[9.0, 10.0, 11.0]), &of(&[13.0, 14.0, 15.0]), 2.0).unwrap();
        let half = 2.776_445_105_197_79 * (2.0_f64 / 3.0).sqrt() / 2.0;
        assert!((r.per_h - 2.0).abs() < 1e-12);
        assert!((r.low_95.unwrap() - (2.0 - half)).abs() < 1e-9, "{r:?}");
        assert!((r.high_95.unwrap() - (2.0 + half)).abs() < 1e-9, "{r:?}");
    }

    #[test]
    fn without_scatter_there_is_a_rate_and_no_interval() {
        let one = rate(&of(&[10.0]), &of(&[4.0, 5.0]), 10.0).unwrap();
        assert_eq!((one.per_h, one.low_95, one.high_95), (-0.55, None, None));
        assert_eq!(
            rate(&of(&[3.0, 3.0]), &of(&[5.0, 5.0]), 1.0)
                .unwrap()
                .low_95,
            None
        );
        // One side scatters alone: ν is that side's own, t(0.975; 1) = 12.7062, s²/n = 1.
        let side = rate(&of(&[3.0, 3.0, 3.0]), &of(&[4.0, 6.0]), 1.0).unwrap();
        assert!((side.high_95.unwrap() - (2.0 + 12.706_204_736)).abs() < 1e-8);
    }

    #[test]
    fn no_time_no_rate() {
        let m = of(&[1.0, 2.0]);
        for hours in [0.0, -1.0, f64::NAN] {
            assert_eq!(rate(&m, &m, hours), None);
        }
        assert_eq!(rate(&of(&[0.0]), &of(&[1.0]), 1e-309), None);
    }

    proptest! {
        #[test]
        fn the_interval_holds_the_rate_and_turns_with_the_sign(
            a in proptest::collection::vec(-1e3..1e3_f64, 2..6), b in proptest::collection::vec(-1e3..1e3_f64, 2..6), hours in 0.1..1e3_f64
        ) {
            let (there, back) = (rate(&of(&a), &of(&b), hours).unwrap(), rate(&of(&b), &of(&a), hours).unwrap());
            prop_assert!(there.low_95.unwrap() <= there.per_h && there.per_h <= there.high_95.unwrap());
            prop_assert!((there.low_95.unwrap() + back.high_95.unwrap()).abs() <= 1e-9 * there.high_95.unwrap().abs().max(1.0));
        }
    }
}
