use super::*;
use proptest::prelude::*;

pub(crate) const PLAIN: Fit = Fit {
    weight: Weight::One,
    through_zero: false,
    degree: Degree::Straight,
};
const BENT: Fit = Fit {
    degree: Degree::Quadratic,
    ..PLAIN
};
const RULES: [Weight; 3] = [Weight::One, Weight::InverseX, Weight::InverseX2];

/// Points of one analyte from (nominal, area).
pub(crate) fn points(data: &[(f64, f64)]) -> Vec<Point> {
    let point = |(x, y): &(f64, f64)| Point {
        level: format!("L{x}"),
        analyte: "lactic acid".to_owned(),
        nominal: *x,
        area_mau_s: *y,
        height_mau: None,
        trace: "0001.csv".to_owned(),
        sha256: "00".to_owned(),
    };
    data.iter().map(point).collect()
}

pub(crate) fn fitted(data: &[(f64, f64)], fit: Fit) -> Result<Curve, FitError> {
    let points = points(data);
    Curve::fit(
        "lactic acid",
        "mmol/L",
        &points.iter().collect::<Vec<_>>(),
        fit,
    )
}

const GOOD: [(f64, f64); 6] = [
    (1.0, 10.2),
    (2.0, 19.8),
    (5.0, 50.9),
    (10.0, 99.0),
    (20.0, 202.0),
    (20.0, 199.0),
];

#[test]
fn the_range_ends_at_the_outermost_levels_above_zero() {
    let mut data = GOOD.to_vec();
    data.push((0.0, 0.1));
    let curve = fitted(&data, PLAIN).unwrap();
    assert_eq!(curve.range(), [1.0, 20.0]);
    assert_eq!(curve.lowest_area_mau_s, 10.2);
    assert_eq!(curve.levels.len(), 6);
    assert_eq!(curve.levels[0].error_percent, None);
    assert_eq!(curve.levels[5].n, 2);
    assert_eq!(curve.levels[5].mean_area_mau_s, 200.5);
}

#[test]
fn an_amount_below_zero_is_a_number() {
    let p = fitted(&GOOD, PLAIN).unwrap().predict(-5.0, 1);
    assert!(p.x < 0.0 && p.low_95 < p.x && p.x < p.high_95);
    let p = fitted(
        &GOOD,
        Fit {
            weight: Weight::InverseX2,
            through_zero: true,
            degree: Degree::Straight,
        },
    )
    .unwrap()
    .predict(-5.0, 1);
    assert!(p.x < 0.0 && p.se > 0.0);
}

#[test]
fn an_area_that_is_no_number_has_no_concentration() {
    let curve = fitted(&GOOD, PLAIN).unwrap();
    for area in [f64::NAN, f64::INFINITY] {
        let p = curve.predict(area, 1);
        assert!(p.x.is_nan() && p.se.is_nan() && p.low_95.is_nan() && p.high_95.is_nan());
    }
    assert_eq!(curve.predict(50.0, 0), curve.predict(50.0, 1));
}

#[test]
fn more_readings_narrow_the_interval_and_a_dilution_widens_it() {
    let curve = fitted(&GOOD, PLAIN).unwrap();
    let (one, four) = (curve.predict(50.0, 1), curve.predict(50.0, 4));
    assert!(four.se < one.se && four.x == one.x);
    let diluted = one.times(10.0);
    assert_eq!(
        (diluted.x, diluted.se, diluted.low_95),
        (one.x * 10.0, one.se * 10.0, one.low_95 * 10.0)
    );
}

#[test]
fn weights_tell_small_amounts_more_sharply() {
    let (plain, weighted) = (
        fitted(&GOOD, PLAIN).unwrap(),
        fitted(
            &GOOD,
            Fit {
                weight: Weight::InverseX2,
                through_zero: false,
                degree: Degree::Straight,
            },
        )
        .unwrap(),
    );
    assert!(weighted.lod < plain.lod);
    assert!(weighted.predict(10.0, 1).se < plain.predict(10.0, 1).se);
    assert!(weighted.din32645.is_none() && plain.din32645.is_some());
}

#[test]
fn what_cannot_be_calibrated_says_why() {
    let message = |data: &[(f64, f64)], fit| fitted(data, fit).unwrap_err().to_string();
    for weight in RULES {
        for through_zero in [false, true] {
            let fit = Fit {
                weight,
                through_zero,
                degree: Degree::Straight,
            };
            assert!(
                message(&[(1.0, 0.0), (2.0, 0.0), (3.0, 0.0)], fit).contains("every area is zero")
            );
            assert!(message(&[(1.0, -1.0), (2.0, -2.1), (3.0, -2.9)], fit).contains("must rise"));
            assert!(message(&[(0.0, 1.0), (0.0, 2.0), (0.0, 2.5)], fit).contains("add levels"));
            assert!(message(&[(-1.0, 1.0), (0.0, 2.0), (1.0, 2.5)], fit).contains("below zero"));
            assert!(message(&[(1.0, 1.0), (2.0, f64::NAN), (3.0, 2.5)], fit).contains("finite"));
            assert!(message(&[], fit).contains("at least"));
        }
        let fit = Fit {
            weight,
            through_zero: false,
            degree: Degree::Straight,
        };
        assert!(
            message(&[(1.0, 3.0), (2.0, 3.3), (3.0, 3.05), (4.0, 3.2)], fit)
                .contains("cannot be told from zero")
        );
        assert!(message(&[(5.0, 3.0), (5.0, 3.3), (5.0, 3.05)], fit).contains("1 amount that"));
        assert!(message(&[(1.0, 3.0), (2.0, 6.0)], fit).contains("at least 3"));
        assert!(
            fitted(
                &[(5.0, 3.0), (5.0, 3.3), (5.0, 3.05)],
                Fit {
                    weight,
                    through_zero: true,
                    degree: Degree::Straight
                }
            )
            .is_ok()
        );
    }
    let mut points = points(&GOOD);
    points[1].level = "L1".to_owned();
    let error = Curve::fit("a", "g/L", &points.iter().collect::<Vec<_>>(), PLAIN).unwrap_err();
    assert!(matches!(
        error,
        FitError::InconsistentLevel {
            first: 1.0,
            second: 2.0,
            ..
        }
    ));
}

/// Every rule of weights, straight and bent, with intercept and through zero: an answer or an error that says what to do.
#[test]
fn bad_points_of_every_model_have_an_answer() {
    for weight in RULES {
        for through_zero in [false, true] {
            for degree in [Degree::Straight, Degree::Quadratic] {
                let fit = Fit {
                    weight,
                    through_zero,
                    degree,
                };
                let parameters =
                    1 + usize::from(!through_zero) + usize::from(degree == Degree::Quadratic);
                // One level only: a line through zero has an answer, all others ask for levels.
                let one = fitted(&[(5.0, 50.0), (5.0, 51.0), (5.0, 49.0), (5.0, 50.5)], fit);
                match one {
                    Ok(curve) => assert!(parameters == 1 && (curve.slope() - 10.0).abs() < 0.1),
                    Err(e) => assert!(
                        parameters > 1 && e.to_string().contains("add levels"),
                        "{e}"
                    ),
                }
                let none = [(1.0, 0.0), (2.0, 0.0), (5.0, 0.0), (9.0, 0.0)];
                let e = fitted(&none, fit).unwrap_err().to_string();
                assert!(e.contains("look at its window"), "{e}");
                // Nominal zero, and a level twice under two names.
                let mut data = GOOD.to_vec();
                data.extend([(0.0, 0.2), (0.0, -0.1), (5.0, 49.5)]);
                let mut own = points(&data);
                own[8].level = "again".to_owned();
                let curve = Curve::fit("a", "g/L", &own.iter().collect::<Vec<_>>(), fit).unwrap();
                assert_eq!(curve.levels.len(), 7);
                assert!(curve.lod.is_finite() && curve.predict(50.0, 1).low_95 < 5.0);
                assert!(
                    curve.levels[0].error_percent.is_none()
                        && curve.levels[0].scatter_percent.is_none()
                );
                // Too few points name how many are needed.
                let e = fitted(&GOOD[..parameters], fit).unwrap_err().to_string();
                assert!(e.contains(&format!("at least {}", parameters + 1)), "{e}");
            }
        }
    }
}

#[test]
fn a_curve_that_turns_says_where() {
    let data: Vec<(f64, f64)> = [1.0, 2.0, 4.0, 6.0, 8.0]
        .iter()
        .map(|x| (*x, 100.0 * x - 8.0 * x * x))
        .collect();
    let e = fitted(&data, BENT).unwrap_err().to_string();
    assert!(
        e.contains("turns at 6.25") && e.contains("straight line"),
        "{e}"
    );
}

#[test]
fn standards_teach_what_a_reading_scatters() {
    let curve = fitted(&GOOD, PLAIN).unwrap();
    let at = curve.regression.value(5.0);
    let plain = curve.predict(100.0, 1);
    let shown = |deviation: f64| {
        let areas = [at - deviation * at, at, at + deviation * at];
        curve.repeats([(5.0, &areas[..])].into_iter())
    };
    assert_eq!(curve.predict_beside(100.0, 1, None), plain);
    assert_eq!(curve.repeats([(5.0, &[at][..])].into_iter()), None);
    let width = |p: Prediction| p.high_95 - p.low_95;
    let calm = curve.predict_beside(100.0, 1, shown(1e-6));
    assert!(width(calm) < width(plain), "{calm:?} {plain:?}");
    let wild = curve.predict_beside(100.0, 1, shown(0.3));
    assert!(width(wild) > 5.0 * width(plain), "{wild:?} {plain:?}");
    assert!(width(curve.predict_beside(100.0, 4, shown(0.3))) < 0.6 * width(wild));
    assert_eq!((calm.x, wild.x), (plain.x, plain.x));
}

#[test]
fn a_level_at_zero_weighs_like_the_lowest_above() {
    let mut data = GOOD.to_vec();
    data.push((0.0, 0.3));
    for weight in RULES {
        let curve = fitted(
            &data,
            Fit {
                weight,
                through_zero: false,
                degree: Degree::Straight,
            },
        )
        .unwrap();
        assert_eq!(curve.weights.at(0.0), curve.weights.at(1.0));
        assert!(curve.lod.is_finite());
    }
}

#[test]
fn a_curve_survives_json() {
    let curve = fitted(
        &GOOD,
        Fit {
            weight: Weight::InverseX,
            through_zero: false,
            degree: Degree::Straight,
        },
    )
    .unwrap();
    let text = serde_json::to_string(&curve).unwrap();
    let back: Curve = serde_json::from_str(&text).unwrap();
    assert_eq!(back.fit, curve.fit);
    assert!((back.slope() / curve.slope() - 1.0).abs() < 1e-14);
}

/// A parabola must rise over the whole range.
#[test]
fn a_bent_calibration_may_be_fitted_by_a_parabola() {
    let data: Vec<(f64, f64)> = [1.0, 2.0, 4.0, 6.0, 8.0]
        .iter()
        .map(|x| (*x, 100.0 * x - 4.0 * x * x))
        .collect();
    let own = points(&data);
    let refs: Vec<&Point> = own.iter().collect();
    let curve = Curve::fit("a", "g/L", &refs, BENT).unwrap();
    assert!((curve.predict(264.0, 1).x - 3.0).abs() < 1e-9);
    let data: Vec<(f64, f64)> = data
        .iter()
        .map(|(x, _)| (*x, 100.0 * x - 8.0 * x * x))
        .collect();
    let own = points(&data);
    let refs: Vec<&Point> = own.iter().collect();
    assert!(matches!(
        Curve::fit("a", "g/L", &refs, BENT),
        Err(FitError::NotMonotone { .. })
    ));
}

/// A small generator of its own (xorshift64*, Marsaglia 2003, Vigna 2016), so that the seed fixes the numbers for ever.
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        ((self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

proptest! {
    #[test]
    fn any_points_are_survived(
        data in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY), 0..10),
        area in proptest::num::f64::ANY, rule in 0..3_usize, through_zero in proptest::bool::ANY, m in 0..5_u32
    ) {
        let fit = Fit { weight: RULES[rule], through_zero, degree: Degree::Straight };
        let absolute: Vec<(f64, f64)> = data.iter().map(|(x, y)| (x.abs(), *y)).collect();
        for data in [data, absolute] {
            if let Ok(curve) = fitted(&data, fit) {
                let p = curve.predict(area, m);
                prop_assert!(p.x.is_nan() || p.low_95 <= p.high_95);
            }
        }
    }

    #[test]
    fn the_unit_does_not_matter(factor in 1e-9..1e9_f64, area_factor in 1e-6..1e6_f64, rule in 0..3_usize, through_zero in proptest::bool::ANY) {
        let fit = Fit { weight: RULES[rule], through_zero, degree: Degree::Straight };
        let scaled: Vec<(f64, f64)> = GOOD.iter().map(|(x, y)| (x * factor, y * area_factor)).collect();
        let (a, b) = (fitted(&GOOD, fit).unwrap(), fitted(&scaled, fit).unwrap());
        for (p, q) in [(a.lod, b.lod), (a.loq, b.loq), (a.lowest, b.lowest), (a.predict(33.0, 2).se, b.predict(33.0 * area_factor, 2).se), (a.predict(33.0, 2).high_95, b.predict(33.0 * area_factor, 2).high_95)] {
            prop_assert!((q / factor / p - 1.0).abs() < 1e-9, "{p} {q}");
        }
        for (p, q) in a.levels.iter().zip(&b.levels) {
            prop_assert!((p.error_percent.unwrap() - q.error_percent.unwrap()).abs() < 1e-8);
        }
    }
}
