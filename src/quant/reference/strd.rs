//! NIST Statistical Reference Datasets (verified): linear regression and univariate summaries.

use super::{column, digits, value};
use crate::quant::describe::{lag1_autocorrelation, mean, sd};
use crate::quant::regression::{Degree, Model, Regression};

fn fit(text: &str, degree: Degree, through_zero: bool) -> Regression {
    let (y, x) = (column(text, 0), column(text, 1));
    Regression::fit(
        &x,
        &y,
        &vec![1.0; x.len()],
        Model {
            degree,
            through_zero,
        },
    )
    .unwrap()
}

/// Fewest digits over all certified figures of a set.
fn least_digits(name: &str, fit: &Regression) -> f64 {
    let se = fit.standard_errors();
    let mut figures = vec![
        ("s_res", fit.residual_sd),
        ("r2", fit.r2),
        ("rss", fit.rss),
        ("F", fit.f.unwrap()),
        ("b1", fit.coefficients[1]),
        ("se_b1", se[1]),
    ];
    if !fit.model.through_zero {
        figures.extend([("b0", fit.coefficients[0]), ("se_b0", se[0])]);
    }
    if fit.model.degree == Degree::Quadratic {
        figures.extend([("b2", fit.coefficients[2]), ("se_b2", se[2])]);
    }
    let of = |(key, got): (&str, f64)| {
        let d = digits(got, value(&format!("{name}.{key}")));
        println!("{name}.{key}: {d:.1} digits");
        d
    };
    figures.into_iter().map(of).fold(f64::INFINITY, f64::min)
}

#[test]
fn norris() {
    let fit = fit(
        include_str!("../../../tests/reference/nist_norris.csv"),
        Degree::Straight,
        false,
    );
    assert!(least_digits("norris", &fit) >= 12.0);
}

#[test]
fn pontius() {
    let fit = fit(
        include_str!("../../../tests/reference/nist_pontius.csv"),
        Degree::Quadratic,
        false,
    );
    assert!(least_digits("pontius", &fit) >= 10.0);
}

#[test]
fn noint1() {
    let fit = fit(
        include_str!("../../../tests/reference/nist_noint1.csv"),
        Degree::Straight,
        true,
    );
    assert!(least_digits("noint1", &fit) >= 13.0);
}

#[test]
fn noint2() {
    let fit = fit(
        include_str!("../../../tests/reference/nist_noint2.csv"),
        Degree::Straight,
        true,
    );
    assert!(least_digits("noint2", &fit) >= 13.0);
}

/// Demands so many digits of mean, standard deviation and lag-1 autocorrelation.
fn summary(name: &str, text: &str, at_least: [f64; 3]) {
    let y = column(text, 0);
    let got = [mean(&y), sd(&y), lag1_autocorrelation(&y)];
    for ((got, key), at_least) in got.into_iter().zip(["mean", "sd", "r1"]).zip(at_least) {
        let d = digits(got.unwrap(), value(&format!("{name}.{key}")));
        println!("{name}.{key}: {d:.1} digits");
        assert!(d >= at_least, "{name}.{key}: {d} digits");
    }
}

#[test]
fn lew() {
    summary(
        "lew",
        include_str!("../../../tests/reference/nist_lew.csv"),
        [14.0; 3],
    );
}

#[test]
fn michelso() {
    summary(
        "michelso",
        include_str!("../../../tests/reference/nist_michelso.csv"),
        [14.0, 13.0, 13.0],
    );
}

#[test]
fn mavro() {
    summary(
        "mavro",
        include_str!("../../../tests/reference/nist_mavro.csv"),
        [14.0, 12.5, 12.5],
    );
}

#[test]
fn numacc1() {
    summary(
        "numacc1",
        include_str!("../../../tests/reference/nist_numacc1.csv"),
        [16.0; 3],
    );
}

#[test]
fn numacc2() {
    summary(
        "numacc2",
        include_str!("../../../tests/reference/nist_numacc2.csv"),
        [14.0; 3],
    );
}

/// Beyond 9 digits of SD the rounding of the data themselves stands in the way.
#[test]
fn numacc3() {
    summary(
        "numacc3",
        include_str!("../../../tests/reference/nist_numacc3.csv"),
        [15.0, 9.0, 9.0],
    );
}

/// Beyond 8 digits of SD the rounding of the data themselves stands in the way.
#[test]
fn numacc4() {
    summary(
        "numacc4",
        include_str!("../../../tests/reference/nist_numacc4.csv"),
        [15.0, 8.0, 8.0],
    );
}
