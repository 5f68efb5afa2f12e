use super::*;
use crate::quant::student::t_quantile;
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

/// Fieller's theorem for the straight line with equal weights, by its quadratic: the bounds x of
/// (y − ŷ(x))² = t² s² (1/m + 1/n + (x − x̄)²/S_xx) (from memory).
#[test]
fn the_exact_interval_of_a_line_is_fiellers() {
    let x = [1.0, 2.0, 5.0, 10.0, 20.0];
    let y = [14.0, 19.0, 57.0, 95.0, 205.0];
    let fit = plain(&x, &y, LINE).unwrap();
    let (b, mean) = (fit.coefficients[1], fit.basis.centre);
    let variance = fit.residual_sd * fit.residual_sd;
    let t = t_quantile(0.975, 3.0);
    for (y0, m) in [(5.0, 1.0), (40.0, 1.0), (150.0, 2.0), (230.0, 4.0)] {
        let p = fit.read_off(y0, 3.0, |_| variance / m);
        let g = t * t * variance * fit.inverse_norm[1] / (b * b);
        let d = (y0 - fit.value(mean)) / b;
        let root = (1.0 - g) * (1.0 / m + 0.2) + d * d * fit.inverse_norm[1];
        let half = t * fit.residual_sd / b * root.sqrt();
        for (got, want) in [
            (p.low_95, mean + (d - half) / (1.0 - g)),
            (p.high_95, mean + (d + half) / (1.0 - g)),
        ] {
            assert!(
                (got - want).abs() < 1e-12 * want.abs().max(1.0),
                "{got} {want}"
            );
        }
        assert!((p.se - fit.predict(y0, |_| 1.0 / m).se).abs() < 1e-14);
    }
}

#[test]
fn an_area_near_the_top_of_a_bent_curve_has_no_upper_bound() {
    let x = [1.0, 2.0, 4.0, 6.0, 8.0, 9.0];
    let wobble = [0.3, -0.4, 0.2, -0.3, 0.4, -0.2];
    let y: Vec<f64> = x
        .iter()
        .zip(wobble)
        .map(|(x, e)| 100.0 - (x - 10.0) * (x - 10.0) + e)
        .collect();
    let fit = plain(&x, &y, CURVE).unwrap();
    let variance = fit.residual_sd * fit.residual_sd;
    let p = fit.read_off(99.5, 3.0, |_| variance);
    assert!(
        p.x > 9.0 && p.low_95 < p.x && p.high_95 == f64::INFINITY,
        "{p:?}"
    );
    assert!(fit.read_off(150.0, 3.0, |_| variance).x.is_nan());
    let p = fit.read_off(75.0, 3.0, |_| variance);
    assert!(
        p.low_95 < 5.0 && p.high_95 > 5.0 && p.high_95 < 6.0,
        "{p:?}"
    );
}

#[test]
fn points_without_scatter_have_an_interval_without_width() {
    let fit = plain(&[1.0, 2.0, 4.0], &[2.0, 4.0, 8.0], LINE).unwrap();
    let p = fit.read_off(6.0, 1.0, |_| 0.0);
    assert!((p.low_95 - 3.0).abs() < 1e-12 && (p.high_95 - 3.0).abs() < 1e-12);
}
