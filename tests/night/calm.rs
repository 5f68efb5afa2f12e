//! A night without trouble.

use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, blank, crock, standard};

/// Blank, standard, three replicates of a crock, standard, blank.
pub fn rows() -> Vec<Row> {
    let a = |replicate| crock("crock A", 24, replicate);
    vec![
        blank(),
        standard("mid"),
        a(1),
        a(2),
        a(3),
        standard("mid"),
        blank(),
    ]
}

/// The export of one of its injections, from 1.
pub fn export(lab: &Lab, position: usize) {
    let content = match position {
        1 | 7 => trace(),
        2 | 6 => both(5.0),
        n => trace().lactic(8.0 + 0.1 * n as f64).acetic(2.0),
    };
    lab.export(&format!("crocks-{position:02}"), &content);
}

/// The whole night: list and exports.
pub fn play(lab: &Lab) {
    lab.list("crocks", &rows());
    (1..=rows().len()).for_each(|position| export(lab, position));
}

#[test]
fn every_result_is_accepted_and_right() {
    let lab = Lab::new();
    play(&lab);
    let done = lab.process().ends(0);
    assert!(
        done.stdout.contains("7 traces processed"),
        "{}",
        done.stdout
    );

    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.rows.len(), 7 * 2);
    assert!(
        sheet.column("verdict").iter().all(|v| *v == "accepted"),
        "{sheet:#?}"
    );
    assert!(
        sheet.column("reasons").iter().all(|r| r.is_empty()),
        "{sheet:#?}"
    );
    for (position, lactic) in [(3, 8.3), (4, 8.4), (5, 8.5)] {
        let row = sheet.row(position, "lactic acid");
        row.close("concentration", lactic, 1.0);
        row.close("area_mau_s", lactic * 60.0, 1.0);
        row.close("retention_min", 12.9, 0.2);
        assert!(
            row.number("low_95") < row.number("concentration")
                && row.number("concentration") < row.number("high_95")
        );
        sheet
            .row(position, "acetic acid")
            .close("concentration", 2.0, 1.0);
    }
    sheet
        .row(2, "acetic acid")
        .close("recovery_percent", 100.0, 1.0);
    assert!(sheet.row(3, "lactic acid").is_empty("recovery_percent"));
    assert!(lab.alerts("crocks").rows.is_empty());
    assert!(lab.rerun("crocks").rows.is_empty());
    assert!(lab.messages().is_empty());
}

#[test]
fn rows_say_where_they_come_from() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(0);
    for row in &lab.sheet("crocks").rows {
        let landed: jiff::Timestamp = row
            .text("landed_at")
            .parse()
            .expect("RFC 3339 with an offset");
        assert!(landed <= jiff::Timestamp::now());
        assert!(row.text("landed_at").ends_with("+00:00"), "{row:?}");
        assert_eq!(row.text("queue"), "crocks");
        assert_eq!(
            row.text("trace"),
            format!("crocks-0{}.csv", row.text("position"))
        );
        assert_eq!(row.text("sha256").len(), 64);
        assert_eq!(row.text("vial"), row.text("position"));
        assert_eq!(row.text("unit"), "mmol/L");
        let calibration = if row.is_empty("measured") {
            ""
        } else {
            "calibration.toml"
        };
        assert_eq!(row.text("calibration"), calibration);
    }
}

#[test]
fn replicates_become_a_time_course() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(0);
    let course = lab.time_course("crocks");
    let lactic = course
        .rows
        .iter()
        .find(|r| r.text("analyte") == "lactic acid")
        .expect("a row for lactic acid");
    assert_eq!(
        (
            lactic.text("series"),
            lactic.text("time_h"),
            lactic.text("n")
        ),
        ("crock A", "24", "3")
    );
    lactic.close("mean", 8.4, 1.0);
    lactic.close("sd", 0.1, 20.0);
    assert!(lactic.number("low_95") < 8.4 && lactic.number("high_95") > 8.4);
    assert!(lactic.is_empty("left_out"));
}

#[test]
fn a_second_run_changes_no_byte_and_no_time() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(0);
    let first = lab.files("results");
    assert!(first.len() >= 4, "{:?}", first.keys());
    let done = lab.process().ends(0);
    assert!(
        done.stdout.contains("0 traces processed, 7 known already"),
        "{}",
        done.stdout
    );
    assert!(
        first == lab.files("results"),
        "a second run changed a result"
    );
}

#[test]
fn results_that_were_lost_are_made_again() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(0);
    let first = lab.files("results");
    std::fs::remove_dir_all(lab.root().join("results")).unwrap();
    lab.process().ends(0);
    let bytes = |files: &std::collections::BTreeMap<_, (Vec<u8>, _)>| {
        files
            .iter()
            .map(|(p, (b, _)): (&std::path::PathBuf, _)| (p.clone(), b.clone()))
            .collect::<Vec<_>>()
    };
    assert!(
        bytes(&first) == bytes(&lab.files("results")),
        "the results were not made again as they were"
    );
}

#[test]
fn the_summary_is_written_again_on_demand() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(0);
    let first = lab.summary("crocks");
    assert!(!first.trim().is_empty());
    let done = lab.run(&["summary", "crocks"]).ends(0);
    assert_eq!(done.stdout.trim_end(), first.trim_end());
    assert_eq!(
        lab.run(&["summary"]).ends(0).stdout.trim_end(),
        first.trim_end()
    );
    let wrong = lab.run(&["summary", "crock"]).ends(2);
    assert!(
        wrong.stderr.contains("no queue \"crock\"")
            && wrong.stderr.contains("did you mean \"crocks\"?"),
        "{}",
        wrong.stderr
    );
}
