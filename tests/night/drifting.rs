//! A standard that drifts out in the middle of the night.

use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, blank, sample, standard};

/// Blank, standard, two samples, standard, two samples, standard, one sample, standard, blank.
pub fn rows() -> Vec<Row> {
    let s = |n| sample(&format!("brine {n}"));
    let p = || standard("mid");
    vec![
        blank(),
        p(),
        s(1),
        s(2),
        p(),
        s(3),
        s(4),
        p(),
        s(5),
        p(),
        blank(),
    ]
}

/// The export of one of its injections, from 1: the standard in the middle has lost 16 % of its lactic acid.
pub fn export(lab: &Lab, position: usize) {
    let content = match position {
        1 | 11 => trace(),
        5 => trace().lactic(4.2).acetic(5.0),
        2 | 8 | 10 => both(5.0),
        _ => both(3.0),
    };
    lab.export(&format!("crocks-{position:02}"), &content);
}

/// The whole night: list and exports.
pub fn play(lab: &Lab) {
    lab.list("crocks", &rows());
    (1..=11).for_each(|position| export(lab, position));
}

#[test]
fn the_samples_on_both_sides_must_be_run_again() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    for position in [3, 4, 6, 7] {
        assert_eq!(
            sheet.verdict(position),
            "rerun bracket-failed",
            "at {position}"
        );
    }
    for position in [1, 2, 8, 9, 10, 11] {
        assert_eq!(sheet.verdict(position), "accepted", "at {position}");
    }
    // The verdict is the injection's, the reason the analyte's.
    assert_eq!(
        sheet.row(5, "lactic acid").judgement(),
        "rerun recovery standard-drift"
    );
    assert_eq!(sheet.row(5, "acetic acid").judgement(), "rerun");
    sheet
        .row(5, "lactic acid")
        .close("recovery_percent", 84.0, 1.0);
}

#[test]
fn one_message_says_what_is_wrong_and_whom_it_touches() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(1);
    let messages = lab.messages();
    assert_eq!(messages.len(), 1, "{messages:#?}");
    let (name, text) = messages.first_key_value().unwrap();
    assert!(name.starts_with("crocks-005"), "{name}");
    let first = text.lines().next().unwrap();
    assert!(
        first.contains("lactic acid 84 %")
            && first.contains("5 of 11")
            && first.contains("4 samples to rerun"),
        "{first}"
    );
    for part in ["recovery", "standard-drift", "brine 1", "brine 4", "90 to"] {
        assert!(text.contains(part), "{part} is not in:\n{text}");
    }
    assert!(!text.contains("brine 5"), "{text}");
}

#[test]
fn the_table_of_alerts_has_every_failed_check() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(1);
    let alerts = lab.alerts("crocks");
    assert_eq!(alerts.column("check"), ["recovery", "standard-drift"]);
    let recovery = alerts.check("recovery")[0];
    recovery.close("measured", 84.0, 1.0);
    for (column, expected) in [
        ("told", "now"),
        ("position", "5"),
        ("name", "standard"),
        ("trace", "crocks-05.csv"),
        ("analyte", "lactic acid"),
        ("unit", "%"),
        ("affected", "3 4 6 7"),
        ("cleared_at", ""),
    ] {
        assert_eq!(recovery.text(column), expected, "{column}");
    }
    alerts.check("standard-drift")[0].close("measured", -16.0, 5.0);
}

#[test]
fn the_rerun_list_is_a_run_list() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(1);
    let rerun = lab.rerun("crocks");
    let kinds = rerun.column("kind");
    assert_eq!((kinds[0], kinds[kinds.len() - 1]), ("blank", "blank"));
    assert_eq!(kinds[1], "standard");
    assert_eq!(kinds[kinds.len() - 2], "standard");
    let samples: Vec<&str> = rerun
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample")
        .map(|r| r.text("vial"))
        .collect();
    assert_eq!(samples, ["3", "4", "6", "7"]);
    assert!(
        rerun
            .rows
            .iter()
            .filter(|r| r.text("kind") == "standard")
            .all(|r| r.text("level") == "mid")
    );
    // Files get names that no trace of the night has.
    assert!(
        rerun
            .column("file")
            .iter()
            .all(|f| !lab.exports().join(f).exists()),
        "{rerun:#?}"
    );

    std::fs::copy(
        lab.results("crocks").join("rerun.csv"),
        lab.exports().join("again.runlist.csv"),
    )
    .unwrap();
    let checked = lab.run(&["check"]).ends(0);
    let expected = format!("again.runlist.csv: {} injections", kinds.len());
    assert!(checked.stdout.contains(&expected), "{}", checked.stdout);
}

#[test]
fn the_rerun_queue_brings_the_results() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(1);
    std::fs::copy(
        lab.results("crocks").join("rerun.csv"),
        lab.exports().join("again.runlist.csv"),
    )
    .unwrap();
    for row in &lab.rerun("crocks").rows {
        let content = match row.text("kind") {
            "blank" => trace(),
            "standard" => both(5.0),
            _ => both(3.0),
        };
        let file = row.text("file").trim_end_matches(".csv").to_owned();
        lab.export(&file, &content);
    }
    // The first queue stays as it was judged, and so does the exit code.
    lab.process();
    let again = lab.sheet("again");
    assert!(
        again.column("verdict").iter().all(|v| *v == "accepted"),
        "{again:#?}"
    );
    assert_eq!(
        again
            .rows
            .iter()
            .filter(|r| r.text("kind") == "sample")
            .count(),
        8
    );
    assert_eq!(lab.sheet("crocks").verdict(3), "rerun bracket-failed");
}
