//! NIST StRD nonlinear sets Gauss1 to Gauss3, from both published starts.

use super::*;

/// b1 exp(-b2 x) + b3 exp(-((x - b4)/b5)²) + b6 exp(-((x - b7)/b8)²).
struct TwoGaussians;

impl Model for TwoGaussians {
    fn value(&self, x: f64, b: &[f64], slopes: &mut [f64]) -> f64 {
        let fall = (-b[1] * x).exp();
        slopes[0] = fall;
        slopes[1] = -b[0] * x * fall;
        let mut sum = b[0] * fall;
        for k in [2, 5] {
            let u = (x - b[k + 1]) / b[k + 2];
            let bell = (-u * u).exp();
            slopes[k] = bell;
            slopes[k + 1] = 2.0 * b[k] * bell * u / b[k + 2];
            slopes[k + 2] = 2.0 * b[k] * bell * u * u / b[k + 2];
            sum += b[k] * bell;
        }
        sum
    }
}

const STARTS: [[[f64; 8]; 2]; 3] = [
    [
        [97.0, 0.009, 100.0, 65.0, 20.0, 70.0, 178.0, 16.5],
        [94.0, 0.0105, 99.0, 63.0, 25.0, 71.0, 180.0, 20.0],
    ],
    [
        [96.0, 0.009, 103.0, 106.0, 18.0, 72.0, 151.0, 18.0],
        [98.0, 0.0105, 103.0, 105.0, 20.0, 73.0, 150.0, 20.0],
    ],
    [
        [94.9, 0.009, 90.1, 113.0, 20.0, 73.8, 140.0, 20.0],
        [96.0, 0.0096, 80.0, 110.0, 25.0, 74.0, 139.0, 25.0],
    ],
];

const SETS: [&str; 3] = [
    include_str!("../../../../tests/reference/nist_gauss1.csv"),
    include_str!("../../../../tests/reference/nist_gauss2.csv"),
    include_str!("../../../../tests/reference/nist_gauss3.csv"),
];

fn points(text: &str) -> (Vec<f64>, Vec<f64>) {
    text.lines()
        .skip(1)
        .filter(|l| !l.trim().is_empty())
        .map(|l| {
            let (y, x) = l.split_once(',').unwrap();
            (
                x.trim().parse::<f64>().unwrap(),
                y.trim().parse::<f64>().unwrap(),
            )
        })
        .unzip()
}

fn certified(set: usize, id: &str) -> f64 {
    let key = format!("gauss{}.{id},", set + 1);
    let line = include_str!("../../../../tests/reference/nist_gauss_expected.csv")
        .lines()
        .find(|l| l.starts_with(&key))
        .unwrap_or_else(|| panic!("{key} has no value"));
    line.split(',').nth(1).unwrap().parse().unwrap()
}

fn terms() -> Terms {
    Terms {
        bounds: Vec::new(),
        tolerance: 1e-9,
        steps: 200,
    }
}

/// NIST StRD, certified to 11 digits (verified); the areas and widths that follow from them are recomputed.
#[test]
fn certified_parameters_and_areas_are_met_from_both_starts() {
    for (set, text) in SETS.iter().enumerate() {
        let (x, y) = points(text);
        assert_eq!(x.len(), 250);
        for start in &STARTS[set] {
            let s = least_squares(&TwoGaussians, &x, &y, start, &terms()).unwrap();
            let near = |got: f64, id: &str, digits: i32| {
                let want = certified(set, id);
                let off = (got / want - 1.0).abs();
                assert!(
                    off < 10f64.powi(-digits),
                    "gauss{} {id}: {got} {want}",
                    set + 1
                );
            };
            for k in 0..8 {
                near(s.parameters[k], &format!("b{}", k + 1), 9);
                near(s.standard_error(k), &format!("se_b{}", k + 1), 8);
            }
            near(s.rss, "rss", 9);
            near((s.rss / s.freedom as f64).sqrt(), "s_res", 9);
            for (peak, k) in [(1, 2), (2, 5)] {
                let (height, width) = (s.parameters[k], s.parameters[k + 2]);
                near(
                    height * width * std::f64::consts::PI.sqrt(),
                    &format!("peak{peak}_area"),
                    9,
                );
                near(
                    2.0 * 2f64.ln().sqrt() * width,
                    &format!("peak{peak}_W50"),
                    9,
                );
            }
        }
    }
}

#[test]
fn a_bound_holds_and_what_cannot_be_fitted_is_none() {
    let (x, y) = points(SETS[0]);
    let mut bounded = terms();
    bounded.bounds = vec![(f64::MIN, f64::MAX); 8];
    bounded.bounds[7] = (1.0, 17.0);
    let s = least_squares(&TwoGaussians, &x, &y, &STARTS[0][0], &bounded).unwrap();
    assert_eq!(
        (s.parameters[7], s.standard_error(7), s.freedom),
        (17.0, 0.0, 243)
    );
    assert!(least_squares(&TwoGaussians, &x[..8], &y[..8], &STARTS[0][0], &terms()).is_none());
    let mut broken = y.clone();
    broken[3] = f64::NAN;
    assert!(least_squares(&TwoGaussians, &x, &broken, &STARTS[0][0], &terms()).is_none());
    // No slope at all: both bells far outside the points.
    let far = [97.0, 0.009, 100.0, 1e9, 20.0, 70.0, 2e9, 16.5];
    assert!(least_squares(&TwoGaussians, &x, &y, &far, &terms()).is_none());
}
