//! Which dilution brings a sample into the calibrated range.

/// Within a decade, the factors that a pipette and a usual flask make; ×2.5 only from 25 on.
const STEPS: [f64; 4] = [1.0, 2.0, 2.5, 5.0];

/// The total dilution to inject a sample with, so that it is expected inside the calibrated range.
///
/// The sample's concentration is `measured_in_vial` × `current_dilution`; the aim is the middle of `range`
/// (lowest, highest calibrated concentration, same unit). Of 1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, …
/// the factor is taken that comes nearest to the aim in ratio among those that land inside the range. Where the
/// range is so narrow that none does, the factor that meets the aim is given with as few digits as stay inside.
///
/// Never below 1: a sample too thin even undiluted gets 1, and so does one in which nothing was found (zero or
/// less). A current dilution that is no positive number counts as 1. Where measured value or range are no numbers,
/// or the range is empty, the current dilution is kept. (Common practice, no source.)
pub fn propose_dilution(measured_in_vial: f64, current_dilution: f64, range: [f64; 2]) -> f64 {
    let [lowest, highest] = range;
    let current = if current_dilution.is_finite() && current_dilution > 0.0 {
        current_dilution
    } else {
        1.0
    };
    let usable = measured_in_vial.is_finite() && lowest.is_finite() && highest.is_finite();
    if !usable || lowest < 0.0 || highest <= 0.0 || lowest > highest {
        return current.max(1.0);
    }
    let undiluted = measured_in_vial * current;
    let aim = undiluted / (lowest / 2.0 + highest / 2.0);
    if !undiluted.is_finite() || !aim.is_finite() {
        return current.max(1.0);
    }
    if undiluted <= lowest.max(0.0) {
        return 1.0;
    }
    let fits = |factor: f64| {
        factor >= 1.0 && undiluted / factor >= lowest && undiluted / factor <= highest
    };
    if aim <= 1.0 {
        // Undiluted it stands below the middle already, and by the test above not below the range.
        return 1.0;
    }
    pipette_factors(aim)
        .filter(|f| fits(*f))
        .min_by(|a, b| (a / aim).ln().abs().total_cmp(&(b / aim).ln().abs()))
        .unwrap_or_else(|| fewest_digits(aim, fits))
}

/// The factors within a decade or so of `aim`, ascending, none below 1.
fn pipette_factors(aim: f64) -> impl Iterator<Item = f64> {
    let decade = aim.log10().floor() as i32;
    (decade - 1..=decade + 1).filter(|d| *d >= 0).flat_map(|d| {
        STEPS
            .into_iter()
            .filter(move |s| d > 0 || s.fract() == 0.0)
            .map(move |s| s * 10f64.powi(d))
    })
}

/// `aim` rounded to as few significant digits as still fit; `aim` itself where rounding never does.
fn fewest_digits(aim: f64, fits: impl Fn(f64) -> bool) -> f64 {
    (0..16)
        .filter_map(|digits| format!("{aim:.digits$e}").parse::<f64>().ok())
        .find(|f| fits(*f))
        .unwrap_or(aim)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_over_range_sample_is_brought_to_the_middle() {
        // 37 in the vial against 0.5 to 20: the aim is 3.6; 5 is nearer in ratio than 2.
        assert_eq!(propose_dilution(37.0, 1.0, [0.5, 20.0]), 5.0);
        // Already diluted tenfold: 370 in all.
        assert_eq!(propose_dilution(37.0, 10.0, [0.5, 20.0]), 50.0);
        assert_eq!(propose_dilution(26.0, 10.0, [0.5, 20.0]), 25.0);
    }

    #[test]
    fn a_thin_diluted_sample_is_diluted_less() {
        assert_eq!(propose_dilution(0.2, 50.0, [0.5, 20.0]), 1.0);
        assert_eq!(propose_dilution(0.4, 100.0, [0.5, 20.0]), 5.0);
        assert_eq!(propose_dilution(0.001, 2.0, [0.5, 20.0]), 1.0);
        assert_eq!(propose_dilution(0.0, 20.0, [0.5, 20.0]), 1.0);
        assert_eq!(propose_dilution(-0.3, 20.0, [0.5, 20.0]), 1.0);
    }

    #[test]
    fn a_narrow_range_gets_an_uneven_factor() {
        let f = propose_dilution(33.0, 1.0, [9.9, 10.1]);
        assert_eq!(f, 3.3);
    }

    #[test]
    fn what_is_no_number_changes_nothing() {
        assert_eq!(propose_dilution(f64::NAN, 5.0, [0.5, 20.0]), 5.0);
        assert_eq!(propose_dilution(5.0, 5.0, [20.0, 0.5]), 5.0);
        assert_eq!(propose_dilution(40.0, f64::NAN, [0.5, 20.0]), 5.0);
        assert_eq!(propose_dilution(40.0, -2.0, [0.5, 20.0]), 5.0);
    }

    proptest! {
        #[test]
        fn the_proposal_lands_inside(
            measured in 1e-6..1e6_f64, current in 1.0..1e4_f64, lowest in 1e-6..1e3_f64, width in 1.0001..1e4_f64
        ) {
            let range = [lowest, lowest * width];
            let f = propose_dilution(measured, current, range);
            prop_assert!(f >= 1.0);
            let expected = measured * current / f;
            if measured * current >= lowest {
                prop_assert!(expected >= range[0] * (1.0 - 1e-12) && expected <= range[1] * (1.0 + 1e-12), "{f} {expected} {range:?}");
            } else {
                prop_assert_eq!(f, 1.0);
            }
        }

        #[test]
        fn any_input_is_survived(m in proptest::num::f64::ANY, d in proptest::num::f64::ANY, a in proptest::num::f64::ANY, b in proptest::num::f64::ANY) {
            let f = propose_dilution(m, d, [a, b]);
            prop_assert!(f >= 1.0);
        }
    }
}
