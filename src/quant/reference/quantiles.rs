//! Tables of quantiles.

use super::{column, rows};
use crate::quant::student::{normal_quantile, t_quantile};

/// 33 degrees of freedom, six levels, 12 digits (recomputed).
#[test]
fn student_t_quantiles() {
    let levels = [0.90, 0.95, 0.975, 0.99, 0.995, 0.99865];
    for row in rows(include_str!(
        "../../../tests/reference/student_t_quantiles.csv"
    )) {
        let df: f64 = row[0].parse().unwrap();
        for (cell, p) in row.iter().skip(1).zip(levels) {
            let want: f64 = cell.parse().unwrap();
            let got = t_quantile(p, df);
            assert!(
                (got / want - 1.0).abs() < 6e-12,
                "df {df} p {p}: {got} {want}"
            );
            assert!(
                (t_quantile(1.0 - p, df) + want).abs() < 1e-9 * want,
                "df {df} 1-p"
            );
        }
    }
}

/// 15 digits (recomputed).
#[test]
fn normal_quantiles() {
    let text = include_str!("../../../tests/reference/normal_quantiles.csv");
    for (p, want) in column(text, 0).into_iter().zip(column(text, 1)) {
        let got = normal_quantile(p);
        assert!((got / want - 1.0).abs() < 1e-13, "p {p}: {got} {want}");
    }
}

/// t(n − 1; 0.99) of the method detection limit, 40 CFR 136 App. B (verified).
#[test]
fn method_detection_limit_t() {
    for row in rows(include_str!("../../../tests/reference/mdl_student_t99.csv")) {
        assert_eq!(
            format!("{:.3}", t_quantile(0.99, row[1].parse().unwrap())),
            row[2]
        );
    }
}
