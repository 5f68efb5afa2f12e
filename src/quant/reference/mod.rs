//! Held against published values: see the sources file beside the reference data.
//!
//! A test's name says its source. Values with 15 digits are met to 1e-9 or better; rounded prints to their last digit.

mod bracketing;
mod calibration_lines;
mod quantiles;
mod strd;
mod trends;

/// Rows of a small CSV without quoted line breaks, header left out.
fn rows(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader
        .records()
        .map(|r| r.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

/// One column of numbers.
fn column(text: &str, at: usize) -> Vec<f64> {
    rows(text).iter().map(|r| r[at].parse().unwrap()).collect()
}

const EXPECTED: &str = include_str!("../../../tests/reference/quant_expected.csv");
const EXPECTED_FULL: &str = include_str!("../../../tests/reference/quant_expected_full.csv");

/// Certified or recomputed value of an id, with all its digits where they are known.
fn value(id: &str) -> f64 {
    let find = |text: &str| {
        rows(text)
            .iter()
            .find(|r| r[0] == id)
            .map(|r| r[1].parse().unwrap())
    };
    find(EXPECTED_FULL)
        .or_else(|| find(EXPECTED))
        .unwrap_or_else(|| panic!("no value {id}"))
}

/// Number of agreeing digits, −log₁₀ of the relative error.
fn digits(got: f64, want: f64) -> f64 {
    if got == want {
        17.0
    } else {
        -((got - want) / want).abs().log10()
    }
}

/// Demands agreement with the print, within its tolerance, and with the full value, to 1e-9.
#[track_caller]
fn agrees(id: &str, got: f64) {
    let row = rows(EXPECTED).into_iter().find(|r| r[0] == id);
    if let Some(row) = row
        .filter(|r| !r[4].starts_with("verified+recomputed") || r[2].parse::<f64>().unwrap() > 1e-9)
    {
        let (want, tolerance): (f64, f64) = (row[1].parse().unwrap(), row[2].parse().unwrap());
        let tolerance = if row[3] == "rel" {
            tolerance * want.abs()
        } else {
            tolerance
        };
        assert!(
            (got - want).abs() <= tolerance,
            "{id}: {got}, print {want} ± {tolerance}"
        );
    }
    if rows(EXPECTED_FULL).iter().any(|r| r[0] == id) {
        assert!(
            digits(got, value(id)) >= 9.0,
            "{id}: {got}, expected {}",
            value(id)
        );
    }
}
