use super::*;
use proptest::prelude::*;

const LINE: Model = Model {
    degree: Degree::Straight,
    through_zero: false,
};
const ZERO: Model = Model {
    degree: Degree::Straight,
    through_zero: true,
};
const CURVE: Model = Model {
    degree: Degree::Quadratic,
    through_zero: false,
};
const CURVE_ZERO: Model = Model {
    degree: Degree::Quadratic,
    through_zero: true,
};
const MODELS: [Model; 4] = [LINE, ZERO, CURVE, CURVE_ZERO];

fn plain(x: &[f64], y: &[f64], model: Model) -> Result<Regression, FitError> {
    Regression::fit(x, y, &vec![1.0; x.len()], model)
}

#[test]
fn exact_polynomials_are_met_exactly() {
    let x = [1.0, 2.0, 3.0, 4.0, 5.0];
    let y = x.map(|x| 2.0 + 3.0 * x + 0.5 * x * x);
    let fit = plain(&x, &y, CURVE).unwrap();
    for (got, want) in fit.coefficients.iter().zip([2.0, 3.0, 0.5]) {
        assert!((got - want).abs() < 1e-13, "{got}");
    }
    assert!((fit.invert(15.5) - 3.0).abs() < 1e-13);
    let y = x.map(|x| 3.0 * x + 0.5 * x * x);
    let fit = plain(&x, &y, CURVE_ZERO).unwrap();
    assert_eq!(fit.coefficients[0], 0.0);
    assert!((fit.coefficients[2] - 0.5).abs() < 1e-13);
    assert!((fit.invert(y[3]) - 4.0).abs() < 1e-13);
}

#[test]
fn a_level_weight_of_two_is_the_point_twice() {
    let twice = plain(&[1.0, 1.0, 2.0, 3.0], &[1.0, 1.0, 2.5, 2.8], LINE).unwrap();
    let weighted =
        Regression::fit(&[1.0, 2.0, 3.0], &[1.0, 2.5, 2.8], &[2.0, 1.0, 1.0], LINE).unwrap();
    for (a, b) in twice.coefficients.iter().zip(weighted.coefficients) {
        assert!((a - b).abs() < 1e-13);
    }
    assert!((twice.r2 - weighted.r2).abs() < 1e-13);
}

#[test]
fn a_falling_parabola_branch_is_not_followed() {
    // Vertex at x = 10, ŷ = 100.
    let x = [0.0, 2.0, 4.0, 6.0, 8.0];
    let y = x.map(|x: f64| 100.0 - (x - 10.0).powi(2));
    let fit = plain(&x, &y, CURVE).unwrap();
    assert!((fit.invert(75.0) - 5.0).abs() < 1e-10);
    assert!(fit.invert(101.0).is_nan());
    assert!(fit.predict(101.0, |_| 1.0).low_95.is_nan());
}

#[test]
fn too_little_is_refused_with_advice() {
    assert_eq!(
        plain(&[1.0, 2.0], &[1.0, 2.0], LINE).unwrap_err(),
        FitError::TooFewPoints {
            points: 2,
            parameters: 2,
            needed: 3
        }
    );
    assert_eq!(
        plain(&[5.0; 3], &[1.0, 2.0, 3.0], LINE).unwrap_err(),
        FitError::TooFewLevels {
            levels: 1,
            needed: 2
        }
    );
    assert_eq!(
        plain(&[0.0, -0.0], &[1.0, 2.0], ZERO).unwrap_err(),
        FitError::TooFewLevels {
            levels: 0,
            needed: 1
        }
    );
    assert!(plain(&[5.0; 3], &[1.0, 2.0, 3.0], ZERO).is_ok());
    assert!(matches!(
        plain(&[], &[], LINE),
        Err(FitError::TooFewPoints { .. })
    ));
    assert!(matches!(
        plain(&[1.0, f64::NAN, 2.0], &[1.0; 3], LINE),
        Err(FitError::NotFinite { point: 2, .. })
    ));
    assert!(matches!(
        Regression::fit(&[1.0], &[], &[], LINE),
        Err(FitError::Lengths { .. })
    ));
    assert!(matches!(
        Regression::fit(&[1.0; 3], &[1.0; 3], &[1.0, 0.0, 1.0], LINE),
        Err(FitError::BadWeight { point: 2, .. })
    ));
    assert_eq!(
        plain(&[1e200, 2e200, 3e200], &[1.0, 2.0, 3.0], LINE).unwrap_err(),
        FitError::OutOfScale
    );
}

#[test]
fn lack_of_fit_needs_replicates_and_spare_levels() {
    let (x, y) = ([1.0, 2.0, 3.0, 4.0], [1.0, 2.1, 2.9, 4.2]);
    let fit = plain(&x, &y, LINE).unwrap();
    assert_eq!(lack_of_fit::LackOfFit::of(&fit, &x, &y, &[1.0; 4]), None);
    let (x, y) = ([1.0, 1.0, 2.0, 2.0], [1.0, 1.1, 2.0, 2.1]);
    let fit = plain(&x, &y, LINE).unwrap();
    assert_eq!(lack_of_fit::LackOfFit::of(&fit, &x, &y, &[1.0; 4]), None);
}

proptest! {
    #[test]
    fn any_input_is_survived(
        points in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY, proptest::num::f64::ANY), 0..12),
        y0 in proptest::num::f64::ANY, which in 0..4_usize
    ) {
        let (x, (y, w)): (Vec<f64>, (Vec<f64>, Vec<f64>)) = points.into_iter().map(|(x, y, w)| (x, (y, w))).unzip();
        for w in [w, vec![1.0; x.len()]] {
            if let Ok(fit) = Regression::fit(&x, &y, &w, MODELS[which]) {
                let p = fit.predict(y0, |_| 1.0);
                prop_assert!(p.x.is_nan() || p.low_95 <= p.high_95);
                let _ = lack_of_fit::LackOfFit::of(&fit, &x, &y, &w);
            }
        }
    }

    #[test]
    fn scale_of_either_axis_does_not_matter(
        y in proptest::collection::vec(0.9..1.1_f64, 5..9), sx in 1e-6..1e6_f64, sy in 1e-6..1e6_f64, which in 0..4_usize
    ) {
        let x: Vec<f64> = (1..=y.len()).map(|i| i as f64).collect();
        let y: Vec<f64> = x.iter().zip(&y).map(|(x, e)| (10.0 + x) * x * e).collect();
        let scaled_x: Vec<f64> = x.iter().map(|v| v * sx).collect();
        let scaled_y: Vec<f64> = y.iter().map(|v| v * sy).collect();
        let model = MODELS[which];
        let (a, b) = (plain(&x, &y, model).unwrap(), plain(&scaled_x, &scaled_y, model).unwrap());
        prop_assert!((a.r2 - b.r2).abs() < 1e-10);
        let (p, q) = (a.predict(y[2], |_| 1.0), b.predict(scaled_y[2], |_| 1.0));
        if p.x.is_finite() {
            prop_assert!((q.x / sx - p.x).abs() < 1e-8 * p.x.abs());
            prop_assert!((q.se / sx - p.se).abs() < 1e-7 * p.se);
        }
        let back = a.value(a.invert(y[2]));
        prop_assert!(back.is_nan() || (back - y[2]).abs() < 1e-8 * y[2]);
    }
}

/// The parabola's interval is first-order propagation: does it hold the truth?
#[test]
fn a_parabola_interval_holds_the_truth() {
    let mut state = 0x9E37_79B9_u64;
    let mut uniform = || {
        state ^= state >> 12;
        state ^= state << 25;
        state ^= state >> 27;
        ((state.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    };
    let mut read = |x: f64| {
        5.0 + 100.0 * x - 2.0 * x * x
            + 8.0 * (-2.0 * uniform().ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos()
    };
    let x: Vec<f64> = [0.5, 1.0, 2.0, 5.0, 10.0, 15.0]
        .into_iter()
        .flat_map(|x| [x, x])
        .collect();
    let mut held = 0;
    for _ in 0..2000 {
        let y: Vec<f64> = x.iter().map(|x| read(*x)).collect();
        let p = plain(&x, &y, CURVE).unwrap().predict(read(7.0), |_| 1.0);
        held += i32::from(p.low_95 <= 7.0 && 7.0 <= p.high_95);
    }
    let share = f64::from(held) / 20.0;
    assert!((92.5..=97.5).contains(&share), "{share} %");
}
