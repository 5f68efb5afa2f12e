//! Standards, and injections that never gave a trace.

use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, blank, conditioning, sample, standard};

fn rows() -> Vec<Row> {
    vec![
        standard("mid"),
        sample("brine 1"),
        standard("mid"),
        sample("brine 2"),
        standard("mid"),
    ]
}

/// Everything well but what `odd` exports at its position (or leaves out).
fn night(position: usize, odd: impl FnOnce(&Lab, &str)) -> Lab {
    let lab = Lab::new();
    lab.list("crocks", &rows());
    let mut odd = Some(odd);
    for k in 1..=5 {
        let stem = format!("crocks-{k:02}");
        match odd.take_if(|_| k == position) {
            Some(odd) => odd(&lab, &stem),
            None => drop(lab.export(&stem, &both(if k % 2 == 1 { 5.0 } else { 3.0 }))),
        }
    }
    lab
}

#[test]
fn an_injection_that_never_came_has_rows() {
    let lab = night(2, |_, _| {});
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(2), "rerun missing-trace");
    let row = sheet.row(2, "lactic acid");
    for column in [
        "landed_at",
        "trace",
        "sha256",
        "measured",
        "concentration",
        "area_mau_s",
        "calibration",
    ] {
        assert!(row.is_empty(column), "{column}: {row:?}");
    }
    assert_eq!(sheet.verdict(4), "accepted");
    assert_eq!(
        lab.alerts("crocks").check("missing-trace")[0].text("told"),
        "summary"
    );
    assert!(
        lab.messages().is_empty(),
        "a missing sample is told in the summary"
    );
    assert!(
        lab.rerun("crocks")
            .column("name")
            .iter()
            .any(|n| n.contains("brine 1")),
        "{:?}",
        lab.rerun("crocks")
    );

    // It lands after all: the rows are withdrawn.
    lab.export("crocks-02", &both(3.0));
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.rows.len(), 10);
    assert_eq!(sheet.verdict(2), "accepted");
    assert!(lab.rerun("crocks").rows.is_empty());
    assert!(!lab.alerts("crocks").check("missing-trace")[0].is_empty("cleared_at"));
}

#[test]
fn a_standard_that_never_came_fails_the_bracket() {
    let lab = night(3, |_, _| {});
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(3), "rerun missing-trace");
    assert_eq!(sheet.verdict(2), "rerun bracket-failed");
    assert_eq!(sheet.verdict(4), "rerun bracket-failed");
}

#[test]
fn an_unreadable_standard_fails_the_bracket() {
    let lab = night(3, |lab, stem| {
        drop(lab.export_as(
            &format!("exports/{stem}.csv"),
            "Dear colleague,\nthe export has failed.\n",
        ))
    });
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(3), "rerun unreadable-trace");
    assert_eq!(sheet.row(3, "lactic acid").text("trace"), "crocks-03.csv");
    assert_eq!(sheet.verdict(2), "rerun bracket-failed");
    assert_eq!(sheet.verdict(4), "rerun bracket-failed");
    let messages = lab.messages();
    assert_eq!(messages.len(), 1, "{messages:#?}");
    assert!(
        messages
            .values()
            .all(|m| m.contains("unreadable-trace") && m.contains("crocks-03.csv")),
        "{messages:#?}"
    );
}

#[test]
fn a_standard_without_a_peak_fails_the_bracket() {
    let lab = night(3, |lab, stem| drop(lab.export(stem, &trace().lactic(5.0))));
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.row(3, "acetic acid").judgement(), "rerun no-peak");
    assert_eq!(sheet.row(3, "lactic acid").judgement(), "rerun");
    assert_eq!(sheet.verdict(2), "rerun bracket-failed");
    assert_eq!(lab.alerts("crocks").check("no-peak")[0].text("told"), "now");
}

#[test]
fn a_saturated_standard_fails_the_bracket_and_is_told_now() {
    // 10 times the standard: far above any ceiling.
    let lab = night(3, |lab, stem| {
        drop(lab.export(stem, &trace().lactic(50.0).acetic(5.0).ceiling(40.0)))
    });
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert!(
        sheet
            .row(3, "lactic acid")
            .text("reasons")
            .split(' ')
            .any(|r| r == "saturated"),
        "{sheet:#?}"
    );
    assert_eq!(sheet.verdict(2), "rerun bracket-failed");
    assert_eq!(
        lab.alerts("crocks").check("saturated")[0].text("told"),
        "now"
    );
}

#[test]
fn air_in_a_standard_fails_the_bracket() {
    let lab = night(3, |lab, stem| drop(lab.export(stem, &both(5.0).air(30))));
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    for analyte in ["lactic acid", "acetic acid"] {
        let reasons = sheet.row(3, analyte).text("reasons").to_owned();
        assert!(reasons.split(' ').any(|r| r == "air-bubble"), "{reasons}");
    }
    assert_eq!(sheet.verdict(4), "rerun bracket-failed");
    assert_eq!(
        lab.alerts("crocks").check("air-bubble")[0].text("told"),
        "now"
    );
}

#[test]
fn a_late_standard_is_a_warning_and_no_verdict() {
    let lab = night(3, |lab, stem| drop(lab.export(stem, &both(5.0).later(2.5))));
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(
        sheet.row(3, "lactic acid").judgement(),
        "accepted retention-shift"
    );
    assert_eq!(sheet.verdict(2), "accepted");
    let alerts = lab.alerts("crocks");
    alerts.check("retention-shift")[0].close("measured", 2.5, 8.0);
    assert_eq!(alerts.check("retention-shift")[0].text("told"), "now");
}

#[test]
fn a_conditioning_injection_is_shown_and_never_judged() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[
            conditioning(),
            blank(),
            standard("mid"),
            sample("brine"),
            standard("mid"),
        ],
    );
    lab.export("crocks-01", &both(40.0).air(20));
    lab.export("crocks-02", &trace());
    lab.export("crocks-03", &both(5.0));
    lab.export("crocks-04", &both(3.0));
    lab.export("crocks-05", &both(5.0));
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    let row = sheet.row(1, "lactic acid");
    assert_eq!((row.text("verdict"), row.text("reasons")), ("", ""));
    assert!(row.number("area_mau_s") > 0.0);
    assert!(
        lab.alerts("crocks").rows.is_empty(),
        "{:?}",
        lab.alerts("crocks")
    );
}
