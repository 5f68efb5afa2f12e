//! Samples are judged by the standards around them.

use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, blank, sample, standard};
use crate::table::Table;

/// Plays a queue spelled by letters: `b`lank, `P`assing standard, `F`ailing standard, `s`ample.
pub fn night(letters: &str) -> (Lab, i32, Table) {
    let lab = Lab::new();
    let row = |c| match c {
        'b' => blank(),
        's' => sample("brine"),
        _ => standard("mid"),
    };
    let rows: Vec<Row> = letters.chars().map(row).collect();
    lab.list("crocks", &rows);
    for (k, letter) in (1..).zip(letters.chars()) {
        let content = match letter {
            'b' => trace(),
            'F' => both(4.0),
            'P' => both(5.0),
            _ => both(3.0),
        };
        lab.export(&format!("crocks-{k:02}"), &content);
    }
    let code = lab.process().code;
    let sheet = lab.sheet("crocks");
    (lab, code, sheet)
}

#[track_caller]
pub fn judged(sheet: &Table, expected: &[(u64, &str)]) {
    for (position, verdict) in expected {
        assert_eq!(sheet.verdict(*position), *verdict, "at {position}");
    }
}

#[test]
fn no_closing_standard_leaves_the_samples_open() {
    let (lab, code, sheet) = night("bPsPss");
    assert_eq!(code, 0, "an open bracket alone asks for nothing");
    judged(
        &sheet,
        &[
            (3, "accepted"),
            (5, "provisional bracket-open"),
            (6, "provisional bracket-open"),
        ],
    );
    assert!(lab.messages().is_empty());
}

#[test]
fn no_opening_standard_leaves_the_samples_open() {
    let (_lab, code, sheet) = night("bssPsP");
    assert_eq!(code, 0);
    judged(
        &sheet,
        &[
            (2, "provisional bracket-open"),
            (3, "provisional bracket-open"),
            (5, "accepted"),
        ],
    );
}

#[test]
fn no_standard_at_all_leaves_everything_open() {
    let (_lab, code, sheet) = night("bss");
    assert_eq!(code, 0);
    judged(
        &sheet,
        &[
            (1, "accepted"),
            (2, "provisional bracket-open"),
            (3, "provisional bracket-open"),
        ],
    );
}

#[test]
fn one_of_two_standards_in_a_row_is_enough_to_fail() {
    let (_lab, code, sheet) = night("PsPFsP");
    assert_eq!(code, 1);
    judged(
        &sheet,
        &[
            (2, "rerun bracket-failed"),
            (3, "accepted"),
            (5, "rerun bracket-failed"),
            (6, "accepted"),
        ],
    );
    assert_eq!(sheet.row(4, "lactic acid").text("verdict"), "rerun");
}

#[test]
fn a_blank_between_standards_does_not_part_them() {
    let (_lab, code, sheet) = night("PsFbPsP");
    assert_eq!(code, 1);
    judged(
        &sheet,
        &[
            (2, "rerun bracket-failed"),
            (4, "accepted"),
            (6, "rerun bracket-failed"),
        ],
    );
}

#[test]
fn a_sample_between_standards_parts_them() {
    let (_lab, code, sheet) = night("PsFsPsP");
    assert_eq!(code, 1);
    judged(
        &sheet,
        &[
            (2, "rerun bracket-failed"),
            (4, "rerun bracket-failed"),
            (6, "accepted"),
        ],
    );
}

#[test]
fn a_failed_neighbour_counts_more_than_an_open_one() {
    let (_lab, code, sheet) = night("FsPsF");
    assert_eq!(code, 1);
    judged(
        &sheet,
        &[(2, "rerun bracket-failed"), (4, "rerun bracket-failed")],
    );
    let (_lab, code, sheet) = night("PsFs");
    assert_eq!(code, 1);
    judged(
        &sheet,
        &[(2, "rerun bracket-failed"), (4, "rerun bracket-failed")],
    );
}
