//! Samples between checkpoints.

use super::{digits, rows};
use crate::method::{Degree, Fit, Weight};
use crate::quant::bracketing::{Checkpoint, Factor, Shown};
use crate::quant::curve::{Curve, Point};

const CASES: &str = include_str!("../../../tests/reference/bracketing.csv");

/// `1:498 2:1003` as numbers.
fn tuples(text: &str) -> Vec<Vec<f64>> {
    text.split_whitespace()
        .map(|t| t.split(':').map(|v| v.parse().unwrap()).collect())
        .collect()
}

fn curve(weight: &str, powers: &str, calibrators: &str) -> Curve {
    let points: Vec<Point> = tuples(calibrators)
        .iter()
        .map(|t| Point {
            level: t[0].to_string(),
            analyte: String::new(),
            nominal: t[0],
            area_mau_s: t[1],
            height_mau: None,
            trace: String::new(),
            sha256: String::new(),
        })
        .collect();
    let fit = Fit {
        weight: match weight {
            "1" => Weight::One,
            "1/x" => Weight::InverseX,
            _ => Weight::InverseX2,
        },
        through_zero: !powers.contains('0'),
        degree: if powers.contains('2') {
            Degree::Quadratic
        } else {
            Degree::Straight
        },
    };
    Curve::fit("a", "g/L", &points.iter().collect::<Vec<_>>(), fit).unwrap()
}

fn checkpoint(curve: &Curve, standards: &str) -> Option<Checkpoint> {
    let shown: Vec<Shown> = tuples(standards)
        .iter()
        .map(|t| Shown {
            place: t[0],
            nominal: t[1],
            area_mau_s: t[2],
        })
        .collect();
    Checkpoint::of(curve, &shown)
}

/// Data made here; recomputed by differences of the whole reckoning, which knows none of the program's formulas.
#[test]
fn samples_between_checkpoints() {
    let cases = rows(CASES);
    assert_eq!(cases.len(), 8);
    for row in &cases {
        let curve = curve(&row[1], &row[2], &row[3]);
        let (before, after) = (checkpoint(&curve, &row[4]), checkpoint(&curve, &row[5]));
        let number = |k: usize| -> f64 { row[k].parse().unwrap() };
        let factor = Factor::at(number(6), before.as_ref(), after.as_ref()).unwrap();
        let got = curve.predict_bracketed(number(7), 1, None, &factor);
        for (what, got, k) in [
            ("plain", curve.predict(number(7), 1).x, 8),
            ("factor", factor.value, 9),
            ("amount", got.x, 10),
            ("se", got.se, 11),
            ("low", got.low_95, 12),
            ("high", got.high_95, 13),
        ] {
            assert!(
                digits(got, number(k)) > 7.0,
                "{}: {what} {got}, expected {}",
                row[0],
                row[k]
            );
        }
    }
}

/// A standard of 2.000 g/L with area 1000 at injection 1 and 960 at 12, a sample with area 700 at 7: by hand 1.4312268 g/L, at
/// the mean response 1.4285714 g/L (common practice, no source).
#[test]
fn area_over_the_interpolated_response_factor() {
    let curve = curve("1", "1", "1:498 2:1003 4:1996");
    let (before, after) = (
        checkpoint(&curve, "1:2:1000"),
        checkpoint(&curve, "12:2:960"),
    );
    for (place, by_hand) in [
        (7.0, 1.431_226_8),
        (6.5, 1.428_571_4),
        (1.0, 1.4),
        (12.0, 1.458_333_3),
    ] {
        let factor = Factor::at(place, before.as_ref(), after.as_ref()).unwrap();
        let x = curve.predict_bracketed(700.0, 1, None, &factor).x;
        assert!((x - by_hand).abs() < 1e-7, "at {place}: {x}");
    }
}
