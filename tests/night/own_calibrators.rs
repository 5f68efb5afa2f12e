//! Calibrators inside a queue: what they change when the last of them is in, and what a refused fit leaves alone.

use crate::chromatogram::{Trace, both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, calibrator, sample, standard};

const LEVELS: [(&str, f64); 4] = [("L1", 0.5), ("L2", 2.0), ("L3", 5.0), ("L4", 20.0)];

/// Two samples in a bracket, then the calibrators, then another bracket.
fn rows() -> Vec<Row> {
    let mut rows = vec![standard("mid"), sample("brine 1"), standard("mid")];
    rows.extend(LEVELS.iter().map(|(level, _)| calibrator(level)));
    rows.extend([sample("brine 2"), standard("mid")]);
    rows
}

/// The traces of [`rows`] for a detector that reads `factor` of what the stored calibration knows; `spoiled` is what the
/// third calibrator shows.
fn traces(factor: f64, spoiled: Trace) -> Vec<Trace> {
    let mut out: Vec<Trace> = [5.0, 3.0, 5.0].map(|c| both(c * factor)).to_vec();
    for (level, c) in LEVELS {
        out.push(if level == "L3" {
            spoiled.clone()
        } else {
            both(c * factor)
        });
    }
    out.extend([3.0, 5.0].map(|c| both(c * factor)));
    out
}

fn export(lab: &Lab, traces: &[Trace], positions: std::ops::RangeInclusive<usize>) {
    for k in positions {
        lab.export(&format!("crocks-{k:02}"), &traces[k - 1]);
    }
}

/// What served each analyte of a position: `lactic`, `acetic`.
fn served(lab: &Lab, position: u64) -> [String; 2] {
    let sheet = lab.sheet("crocks");
    ["lactic acid", "acetic acid"].map(|a| sheet.row(position, a).text("calibration").to_owned())
}

const OWN: &str = "queue:crocks";
const STORED: &str = "calibration.toml";

/// The detector has lost a fifth: by the stored calibration the first standards fail, and with them the first sample.
#[test]
fn what_was_in_before_is_reckoned_anew() {
    let lab = Lab::new();
    let all = traces(0.8, both(4.0));
    lab.list("crocks", &rows());
    let mut daemon = lab.watch();
    export(&lab, &all, 1..=3);
    daemon.wait_until("the first bracket fails", || {
        let sheet = lab.sheet("crocks");
        sheet.of(3).count() == 2 && sheet.verdict(2) == "rerun bracket-failed"
    });
    assert_eq!(served(&lab, 2), [STORED, STORED]);
    lab.sheet("crocks")
        .row(2, "lactic acid")
        .close("concentration", 2.4, 1.0);
    // Three of four: not yet.
    export(&lab, &all, 4..=6);
    daemon.wait_until("the third calibrator is in", || {
        lab.sheet("crocks").of(6).count() == 2
    });
    assert_eq!(served(&lab, 2), [STORED, STORED]);
    export(&lab, &all, 7..=9);
    daemon.wait_until("the last standard is in", || {
        lab.sheet("crocks").of(9).count() == 2
    });
    daemon.stop();
    let sheet = lab.sheet("crocks");
    for position in [2, 8] {
        assert_eq!(sheet.verdict(position), "accepted");
        assert_eq!(served(&lab, position), [OWN, OWN]);
        sheet
            .row(position, "lactic acid")
            .close("concentration", 3.0, 1.0);
    }
    for position in [1, 3, 9] {
        let row = sheet.row(position, "acetic acid").clone();
        row.close("recovery_percent", 100.0, 1.0);
        assert_eq!(row.judgement(), "accepted");
    }
    let alerts = lab.alerts("crocks");
    let recovery = alerts.check("recovery");
    assert_eq!(recovery.len(), 4, "two standards, two acids");
    assert!(
        recovery.iter().all(|a| !a.is_empty("cleared_at")),
        "{alerts:#?}"
    );
    assert!(alerts.check("calibration").is_empty());
    // The same files at once, without the daemon, end in the same numbers.
    let text = |lab: &Lab| {
        let sheet = lab.sheet("crocks");
        let cells = [
            "concentration",
            "low_95",
            "high_95",
            "verdict",
            "calibration",
        ];
        let row = |r: &crate::table::Cells| cells.map(|c| r.text(c).to_owned());
        sheet.rows.iter().map(row).collect::<Vec<_>>()
    };
    let other = Lab::new();
    other.list("crocks", &rows());
    export(&other, &all, 1..=9);
    other.process().ends(0);
    assert_eq!(text(&lab), text(&other));
}

/// A queue that is all in, without a daemon.
fn processed(lab: Lab, traces: &[Trace], code: i32) -> Lab {
    lab.list("crocks", &rows());
    export(&lab, traces, 1..=9);
    lab.process().ends(code);
    lab
}

#[test]
fn each_analyte_has_what_its_own_fit_deserves() {
    // The detector has lost 6 %; in the third calibrator half of the acetic acid has gone.
    let spoiled = trace().lactic(5.0 * 0.94).acetic(2.5 * 0.94);
    let lab = processed(Lab::new(), &traces(0.94, spoiled), 1);
    let sheet = lab.sheet("crocks");
    for position in [1, 2, 3, 8, 9] {
        assert_eq!(served(&lab, position), [OWN, STORED]);
    }
    sheet.row(2, "lactic acid").close("concentration", 3.0, 1.0);
    sheet
        .row(2, "acetic acid")
        .close("concentration", 3.0 * 0.94, 1.0);
    assert_eq!(sheet.verdict(2), "accepted");
    let refused: Vec<_> = lab
        .alerts("crocks")
        .check("calibration")
        .into_iter()
        .cloned()
        .collect();
    assert_eq!(refused.len(), 1, "{refused:#?}");
    assert_eq!(
        (refused[0].text("analyte"), refused[0].text("told")),
        ("acetic acid", "now")
    );
    // The reason stands on the calibrators' rows of that acid alone, and takes no verdict with it.
    assert_eq!(
        sheet.row(6, "acetic acid").judgement(),
        "accepted calibration"
    );
    assert_eq!(sheet.row(6, "lactic acid").judgement(), "accepted");
    let messages = lab.messages();
    let message = messages.values().find(|m| m.contains("acetic acid: "));
    let message = message.expect("a message about the fit");
    let said = message.replace("\n    ", " ");
    assert!(
        said.contains("the stored calibration (calibration.toml) stays in use"),
        "{message}"
    );
    assert!(lab.summary("crocks").contains("calibration at 7"));
}

/// The third calibrator is high by so many percent; what the fit makes of it lies a little below.
#[test]
fn the_methods_limits_decide() {
    let off = |percent: f64| traces(1.0, both(5.0 * (1.0 + percent / 100.0)));
    let own = processed(Lab::new(), &off(8.0), 0);
    assert_eq!(served(&own, 2), [OWN, OWN]);
    let strict = |key: &str| Lab::new().method(|t| format!("{t}\n[limits]\n{key}\n"));
    for key in [
        "back_calculated_percent = 5.0",
        "calibration_r2_min = 0.9999",
    ] {
        let lab = processed(strict(key), &off(8.0), 1);
        assert_eq!(served(&lab, 2), [STORED, STORED], "{key}");
        assert_eq!(lab.alerts("crocks").check("calibration").len(), 2, "{key}");
    }
    // The lowest level has a limit of its own.
    let low = |percent: f64| {
        let mut all = traces(1.0, both(5.0));
        all[3] = both(0.5 * (1.0 + percent / 100.0));
        all
    };
    let lab = processed(
        strict("back_calculated_lowest_percent = 2.0"),
        &low(15.0),
        1,
    );
    assert_eq!(served(&lab, 2), [STORED, STORED]);
    let lab = processed(Lab::new(), &low(15.0), 0);
    assert_eq!(served(&lab, 2), [OWN, OWN]);
}

#[test]
fn a_refused_fit_without_a_stored_one_leaves_no_concentration() {
    let lab = processed(Lab::uncalibrated(), &traces(1.0, both(9.0)), 1);
    let sheet = lab.sheet("crocks");
    let row = sheet.row(2, "lactic acid");
    assert!(row.is_empty("concentration") && row.is_empty("calibration"));
    assert_eq!(row.judgement(), "provisional bracket-open");
    let alerts = lab.alerts("crocks");
    let told = alerts.check("calibration");
    assert_eq!(told.len(), 2);
    let nothing = "there is no stored calibration to serve instead: no concentrations";
    assert!(told.iter().all(|a| a.text("message").ends_with(nothing)));
    // Both standards are there: what is missing is a calibration to judge them by.
    let summary = lab.summary("crocks");
    let said: Vec<&str> = summary.split_whitespace().collect();
    let said = said.join(" ");
    assert!(
        said.contains("and no stored calibration does")
            && said.contains("stay provisional: without a calibration"),
        "{summary}"
    );
    assert!(!said.contains("lack a standard"), "{summary}");
}

#[test]
fn a_calibrator_that_is_exported_again_mends_the_fit() {
    let lab = processed(Lab::new(), &traces(1.0, both(9.0)), 1);
    assert_eq!(served(&lab, 2), [STORED, STORED]);
    lab.export("crocks-06", &both(5.0));
    lab.process().ends(0);
    assert_eq!(served(&lab, 2), [OWN, OWN]);
    let alerts = lab.alerts("crocks");
    let told = alerts.check("calibration");
    assert!(
        told.len() == 2 && told.iter().all(|a| !a.is_empty("cleared_at")),
        "{told:#?}"
    );
}

#[test]
fn a_calibrator_that_never_came_is_done_without() {
    let lab = Lab::new();
    lab.list("crocks", &rows());
    let all = traces(0.8, both(4.0));
    export(&lab, &all, 1..=5);
    export(&lab, &all, 7..=9);
    lab.process().ends(1);
    assert_eq!(served(&lab, 2), [OWN, OWN]);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(2), "accepted");
    assert_eq!(sheet.verdict(6), "rerun missing-trace");
    // Alone in a queue it could not be fitted, and no result waits for it.
    assert!(lab.rerun("crocks").column("position").is_empty());
}
