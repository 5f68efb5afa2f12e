//! Calibrations from tables, from traces, and inside a queue.

use crate::chromatogram::{both, trace};
use crate::lab::{Lab, areas};
use crate::runlist::{Row, calibrator, sample, standard};

const LEVELS: [(&str, f64); 4] = [("L1", 0.5), ("L2", 2.0), ("L3", 5.0), ("L4", 20.0)];

fn calibrators() -> Vec<Row> {
    LEVELS.iter().map(|(level, _)| calibrator(level)).collect()
}

fn export_calibrators(lab: &Lab, factor: f64) {
    for (k, (_, c)) in (1..).zip(LEVELS) {
        lab.export(&format!("crocks-{k:02}"), &both(c * factor));
    }
}

#[test]
fn a_table_of_areas_becomes_a_calibration_with_its_figures_and_its_plot() {
    let lab = Lab::uncalibrated();
    lab.write("areas.csv", &areas(1.0));
    let table = lab.named("areas.csv");
    let done = lab.run(&["calibrate", &table]).ends(0);
    assert!(
        done.stdout
            .contains("lactic acid: 8 points, 0.5 to 20 mmol/L"),
        "{}",
        done.stdout
    );
    for part in ["R²", "LOD", "LOQ", "L4: 20 mmol/L, found"] {
        assert!(
            done.stdout.contains(part),
            "{part} is not in {}",
            done.stdout
        );
    }
    let file = std::fs::read_to_string(lab.root().join("calibration.toml")).unwrap();
    assert!(
        file.contains("lactic acid") && file.parse::<toml::Table>().is_ok(),
        "{file}"
    );
    let plot = std::fs::read_to_string(lab.root().join("calibration.svg")).unwrap();
    assert!(plot.contains("<svg") && plot.contains("acetic acid"));
}

#[test]
fn calibrator_traces_become_a_calibration_that_serves() {
    let lab = Lab::uncalibrated();
    lab.list("crocks", &calibrators());
    export_calibrators(&lab, 1.0);
    let (exports, list) = (
        lab.named("exports"),
        lab.named("exports/crocks.runlist.csv"),
    );
    let done = lab
        .run(&["calibrate", &exports, "--run-list", &list])
        .ends(0);
    assert!(
        done.stdout.contains("lactic acid: 4 points"),
        "{}",
        done.stdout
    );

    lab.list(
        "brine",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    for (k, c) in [(1, 5.0), (2, 3.0), (3, 5.0)] {
        lab.export(&format!("brine-{k:02}"), &both(c));
    }
    for k in 1..=3 {
        let file = lab.named(&format!("exports/brine-{k:02}.csv"));
        lab.run(&["process", &file]);
    }
    let sheet = lab.sheet("brine");
    assert_eq!(sheet.verdict(2), "accepted");
    sheet.row(2, "lactic acid").close("concentration", 3.0, 1.0);
    assert_eq!(
        sheet.row(2, "lactic acid").text("calibration"),
        "calibration.toml"
    );
}

#[test]
fn a_calibration_goes_where_it_is_told() {
    let lab = Lab::uncalibrated();
    lab.write("areas.csv", &areas(1.0));
    let (table, out) = (lab.named("areas.csv"), lab.named("tuesday/brine.toml"));
    std::fs::create_dir(lab.root().join("tuesday")).unwrap();
    lab.run(&["calibrate", &table, "--out", &out]).ends(0);
    assert!(lab.root().join("tuesday/brine.svg").exists());
    assert!(!lab.root().join("calibration.toml").exists());
}

#[test]
fn a_bad_calibration_does_not_replace_a_stored_one() {
    let lab = Lab::new();
    let stored = std::fs::read(lab.root().join("calibration.toml")).unwrap();
    // One vial of the highest level was empty.
    let bad = areas(1.0).replacen("L4,lactic acid,1196.4000", "L4,lactic acid,600.0", 1);
    assert_ne!(bad, areas(1.0));
    lab.write("bad.csv", &bad);
    let table = lab.named("bad.csv");
    let done = lab.run(&["calibrate", &table]).ends(1);
    assert!(
        done.stderr.contains("limit missed") && done.stderr.contains("lactic acid"),
        "{}",
        done.stderr
    );
    assert_eq!(
        std::fs::read(lab.root().join("calibration.toml")).unwrap(),
        stored
    );
    let out = lab.named("look.toml");
    lab.run(&["calibrate", &table, "--out", &out]).ends(1);
    assert!(lab.root().join("look.toml").exists());
}

#[test]
fn a_table_with_a_mistake_is_refused_with_its_line() {
    let lab = Lab::uncalibrated();
    lab.write(
        "areas.csv",
        "level,analyte,area_mau_s\nL1,lactic acid,30\nL2,lactic acid,much\n",
    );
    let table = lab.named("areas.csv");
    let done = lab.run(&["calibrate", &table]).ends(2);
    assert!(
        done.stderr.contains("areas.csv")
            && done.stderr.contains("line 3")
            && done.stderr.contains("much"),
        "{}",
        done.stderr
    );
    assert!(!lab.root().join("calibration.toml").exists());
}

#[test]
fn calibrators_inside_a_queue_serve_the_rest_of_it() {
    // The detector has lost a fifth since the stored calibration was made: only the queue's own knows.
    let lab = Lab::new();
    let mut rows = calibrators();
    rows.extend([standard("mid"), sample("brine"), standard("mid")]);
    lab.list("crocks", &rows);
    export_calibrators(&lab, 0.8);
    lab.export("crocks-05", &both(4.0));
    lab.export("crocks-06", &both(2.4));
    lab.export("crocks-07", &both(4.0));
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert!(
        sheet.column("verdict").iter().all(|v| *v == "accepted"),
        "{sheet:#?}"
    );
    sheet.row(6, "lactic acid").close("concentration", 3.0, 1.0);
    sheet
        .row(5, "lactic acid")
        .close("recovery_percent", 100.0, 1.0);
    assert_ne!(
        sheet.row(6, "lactic acid").text("calibration"),
        "calibration.toml"
    );
}

#[test]
fn bad_calibrators_leave_the_stored_calibration_in_use() {
    let lab = Lab::new();
    let mut rows = calibrators();
    rows.extend([standard("mid"), sample("brine"), standard("mid")]);
    lab.list("crocks", &rows);
    for (k, c) in [
        (1, 0.5),
        (2, 2.0),
        (3, 9.0),
        (4, 20.0),
        (5, 5.0),
        (6, 3.0),
        (7, 5.0),
    ] {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    sheet.row(6, "lactic acid").close("concentration", 3.0, 1.0);
    assert_eq!(
        sheet.row(6, "lactic acid").text("calibration"),
        "calibration.toml"
    );
    assert_eq!(sheet.verdict(6), "accepted");
    let alerts = lab.alerts("crocks");
    assert!(
        alerts
            .check("calibration")
            .iter()
            .all(|a| a.text("told") == "now")
    );
    assert_eq!(
        alerts
            .check("calibration")
            .iter()
            .map(|a| a.text("analyte"))
            .collect::<std::collections::BTreeSet<_>>()
            .len(),
        2
    );
}

#[test]
fn a_night_without_any_calibration_has_areas_alone() {
    let lab = Lab::uncalibrated();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    for (k, c) in [(1, 5.0), (2, 3.0), (3, 5.0)] {
        lab.export(&format!("crocks-{k:02}"), &trace().lactic(c).acetic(c));
    }
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    let row = sheet.row(2, "lactic acid");
    row.close("area_mau_s", 180.0, 1.0);
    assert!(row.is_empty("measured") && row.is_empty("calibration") && row.is_empty("low_95"));
    assert_eq!(row.judgement(), "provisional bracket-open");
}
