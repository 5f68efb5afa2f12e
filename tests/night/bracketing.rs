//! Samples quantified between their checkpoints while the response drifts.

use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, blank, sample, standard};
use crate::words::without_times;

/// Blank, two standards, four samples, two standards, four samples, two standards.
const NIGHT: &str = "bPPssssPPssssPP";
/// What stands in every sample, mmol/L.
const TRUTH: f64 = 8.0;

fn rows() -> Vec<Row> {
    let row = |c| match c {
        'b' => blank(),
        's' => sample("brine"),
        _ => standard("mid"),
    };
    NIGHT.chars().map(row).collect()
}

/// The response at a position: it loses 9 % over the night, evenly.
fn response(position: usize) -> f64 {
    1.0 - 0.09 * (position as f64 - 2.0) / (NIGHT.len() as f64 - 2.0)
}

fn export(lab: &Lab, position: usize, letter: char) {
    let content = match letter {
        'b' => trace(),
        's' => both(TRUTH * response(position)),
        _ => both(5.0 * response(position)),
    };
    lab.export(&format!("crocks-{position:02}"), &content);
}

fn play(lab: &Lab) {
    lab.list("crocks", &rows());
    for (position, letter) in (1..).zip(NIGHT.chars()) {
        export(lab, position, letter);
    }
}

fn lab(quantify: &str) -> Lab {
    let key = format!("\n[calibration]\nquantify = \"{quantify}\"\n");
    Lab::new().method(|m| m + &key)
}

fn samples() -> impl Iterator<Item = u64> {
    let at = |(position, letter): (u64, char)| (letter == 's').then_some(position);
    (1..).zip(NIGHT.chars()).filter_map(at)
}

#[test]
fn a_drift_is_taken_out_and_the_interval_holds_the_truth() {
    let (set, plain) = (lab("bracketing"), lab("curve"));
    for lab in [&set, &plain] {
        play(lab);
        // The drift is told all the same: that is what the standards are for.
        lab.process().ends(1);
    }
    let (set_sheet, plain_sheet) = (set.sheet("crocks"), plain.sheet("crocks"));
    for position in samples() {
        for analyte in ["lactic acid", "acetic acid"] {
            let row = set_sheet.row(position, analyte);
            row.close("concentration", TRUTH, 0.4);
            let (low, high) = (row.number("low_95"), row.number("high_95"));
            assert!(
                low < TRUTH && TRUTH < high,
                "at {position}: {low} to {high}"
            );
            assert!(high - low < 0.03 * TRUTH, "at {position}: {low} to {high}");
            assert_eq!(row.text("calibration"), "calibration.toml, bracketing");
            assert_eq!(row.judgement(), "accepted");

            let row = plain_sheet.row(position, analyte);
            row.close("concentration", TRUTH * response(position as usize), 0.4);
            assert!(row.number("high_95") < TRUTH, "at {position}");
            assert_eq!(row.text("calibration"), "calibration.toml");
        }
    }
    // Standards are the same in both.
    for position in [2, 3, 8, 9, 14, 15] {
        for analyte in ["lactic acid", "acetic acid"] {
            let (a, b) = (
                set_sheet.row(position, analyte),
                plain_sheet.row(position, analyte),
            );
            for column in [
                "measured",
                "recovery_percent",
                "verdict",
                "reasons",
                "calibration",
            ] {
                assert_eq!(a.text(column), b.text(column), "{column} at {position}");
            }
        }
    }
    let said = "Samples are quantified by bracketing";
    assert!(
        set.summary("crocks").contains(said),
        "{}",
        set.summary("crocks")
    );
    assert!(!plain.summary("crocks").contains(said));
}

#[test]
fn a_sample_is_provisional_by_the_opening_checkpoint_and_set_right_by_the_closing_one() {
    let lab = lab("bracketing");
    lab.list("crocks", &rows());
    let mut daemon = lab.watch();
    let land = |positions: std::ops::RangeInclusive<usize>| {
        for (position, letter) in (1..).zip(NIGHT.chars()) {
            if positions.contains(&position) {
                export(&lab, position, letter);
            }
        }
    };
    let landed = || lab.sheet("crocks").rows.len();
    land(1..=7);
    daemon.wait_until("the first samples are in the sheet", || landed() == 14);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(7), "provisional");
    let opening = (response(2) + response(3)) / 2.0;
    sheet
        .row(7, "lactic acid")
        .close("concentration", TRUTH * response(7) / opening, 0.4);
    land(8..=15);
    daemon.wait_until("the night is in the sheet", || landed() == 30);
    daemon.stop();
    lab.sheet("crocks")
        .row(7, "lactic acid")
        .close("concentration", TRUTH, 0.4);

    let once = self::lab("bracketing");
    play(&once);
    once.process().ends(1);
    for name in [
        "sheet.csv",
        "time-course.csv",
        "replicates.csv",
        "rerun.csv",
        "alerts.csv",
        "summary.txt",
    ] {
        let read = |lab: &Lab| {
            without_times(&std::fs::read_to_string(lab.results("crocks").join(name)).unwrap())
        };
        assert_eq!(read(&lab), read(&once), "{name} differs");
    }
}

#[test]
fn a_standard_exported_again_sets_the_samples_on_both_sides_anew() {
    let lab = lab("bracketing");
    play(&lab);
    lab.process().ends(1);
    let before = lab.sheet("crocks");
    // The two in the middle are integrated anew and come out 2 % higher.
    for position in [8, 9] {
        lab.export(
            &format!("crocks-{position:02}"),
            &both(5.1 * response(position)),
        );
    }
    lab.process();
    let after = lab.sheet("crocks");
    let middle = 1.0 + 0.02 * 4.0 / 6.0;
    after
        .row(7, "lactic acid")
        .close("concentration", TRUTH / (1.0 + 0.02 * 4.5 / 6.0), 0.4);
    for position in samples() {
        let of =
            |sheet: &crate::table::Table| sheet.row(position, "lactic acid").number("measured");
        assert!(of(&after) < of(&before), "at {position}");
        assert!(
            of(&after) > of(&before) / (1.0 + 0.02 * middle),
            "at {position}"
        );
    }
}

#[test]
fn check_says_how_samples_are_quantified() {
    for (quantify, said) in [("bracketing", true), ("curve", false)] {
        let stdout = lab(quantify).run(&["check"]).ends(0).stdout;
        assert_eq!(
            stdout.contains("quantified by bracketing"),
            said,
            "{stdout}"
        );
    }
}

#[test]
fn an_unknown_way_of_quantifying_is_refused() {
    let lab = lab("brackets");
    let said = lab.run(&["check"]).ends(2).text();
    assert!(
        said.contains(
            "calibration.quantify: found \"brackets\", expected \"curve\" or \"bracketing\""
        ),
        "{said}"
    );
}
