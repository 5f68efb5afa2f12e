//! Samples against the calibrated range, diluted, in other volumes, in replicates.

use crate::chromatogram::{Trace, both, trace};
use crate::lab::Lab;
use crate::runlist::{Row, crock, sample, standard};

/// A good night with these samples between its standards.
fn night(samples: &[(Row, Trace)]) -> Lab {
    let lab = Lab::new();
    let mut rows = vec![standard("mid")];
    rows.extend(samples.iter().map(|(row, _)| row.clone()));
    rows.push(standard("mid"));
    lab.list("crocks", &rows);
    lab.export("crocks-01", &both(5.0));
    for (k, (_, content)) in (2..).zip(samples) {
        lab.export(&format!("crocks-{k:02}"), content);
    }
    lab.export(&format!("crocks-{:02}", samples.len() + 2), &both(5.0));
    lab
}

#[test]
fn a_dilution_is_taken_into_account() {
    let lab = night(&[(sample("brine").diluted(10), trace().lactic(8.0).acetic(1.5))]);
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    let row = sheet.row(2, "lactic acid");
    row.close("measured", 8.0, 1.0);
    row.close("concentration", 80.0, 1.0);
    assert_eq!(row.text("dilution"), "10");
}

#[test]
fn a_sample_above_the_range_gets_a_dilution() {
    let lab = night(&[(sample("strong brine"), trace().lactic(30.0).acetic(3.0))]);
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.row(2, "lactic acid").judgement(), "rerun above-range");
    assert_eq!(sheet.row(2, "acetic acid").judgement(), "accepted");
    let alerts = lab.alerts("crocks");
    assert_eq!(
        (alerts.rows[0].text("check"), alerts.rows[0].text("told")),
        ("above-range", "summary")
    );
    assert!(lab.messages().is_empty());
    let rerun = lab.rerun("crocks");
    let again = rerun
        .rows
        .iter()
        .find(|r| r.text("kind") == "sample")
        .expect("the sample again");
    let expected = 30.0 / again.number("dilution");
    assert!(
        (0.5..20.0).contains(&expected) && again.number("dilution") > 1.0,
        "{again:?}"
    );
}

#[test]
fn a_sample_below_the_range_that_is_not_diluted_stands() {
    let lab = night(&[(sample("weak brine"), trace().lactic(0.3).acetic(3.0))]);
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert_eq!(
        sheet.row(2, "lactic acid").judgement(),
        "accepted below-range"
    );
    sheet.row(2, "lactic acid").close("measured", 0.3, 5.0);
    assert!(lab.rerun("crocks").rows.is_empty());
}

#[test]
fn a_diluted_sample_below_the_range_is_run_less_diluted() {
    let lab = night(&[(
        sample("weak brine").diluted(20),
        trace().lactic(0.3).acetic(0.3),
    )]);
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun below-range");
    let rerun = lab.rerun("crocks");
    let again: Vec<f64> = rerun
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample")
        .map(|r| r.number("dilution"))
        .collect();
    assert_eq!(again.len(), 1, "{rerun:#?}");
    assert!(again[0] < 20.0 && again[0] >= 1.0, "{again:?}");
}

#[test]
fn one_row_for_each_dilution_that_is_needed() {
    let lab = night(&[(
        sample("mixed brine").diluted(10),
        trace().lactic(60.0).acetic(0.2),
    )]);
    lab.process().ends(1);
    let rerun = lab.rerun("crocks");
    let again: Vec<f64> = rerun
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample")
        .map(|r| r.number("dilution"))
        .collect();
    assert_eq!(again.len(), 2, "{rerun:#?}");
    assert!(again[0] < 10.0 && again[1] > 10.0, "{again:?}");
}

#[test]
fn no_peak_in_the_window_is_below_the_range() {
    let lab = night(&[(sample("water"), trace().acetic(3.0))]);
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    let row = sheet.row(2, "lactic acid");
    assert_eq!(row.judgement(), "accepted below-range");
    assert!(
        row.is_empty("measured") && row.is_empty("retention_min") && row.is_empty("concentration")
    );
    assert!(
        lab.summary("crocks").contains('<'),
        "the limit of detection is named:\n{}",
        lab.summary("crocks")
    );
}

#[test]
fn a_saturated_sample_must_be_run_again_diluted() {
    let lab = night(&[(
        sample("black brine"),
        trace().lactic(19.0).acetic(3.0).ceiling(30.0),
    )]);
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    let row = sheet.row(2, "lactic acid");
    assert_eq!(row.text("verdict"), "rerun");
    assert!(
        row.text("reasons").split(' ').any(|r| r == "saturated"),
        "{row:?}"
    );
    assert_eq!(sheet.row(2, "acetic acid").judgement(), "accepted");
    let rerun = lab.rerun("crocks");
    let again = rerun
        .rows
        .iter()
        .find(|r| r.text("kind") == "sample")
        .expect("the sample again");
    assert!(again.number("dilution") > 1.0, "{again:?}");
    assert!(
        lab.messages().is_empty(),
        "a saturated sample is told in the summary"
    );
}

#[test]
fn air_in_a_sample_is_told_at_once() {
    let lab = night(&[(sample("brine"), both(3.0).air(30))]);
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    for analyte in ["lactic acid", "acetic acid"] {
        let row = sheet.row(2, analyte);
        assert_eq!(row.text("verdict"), "rerun");
        assert!(
            row.text("reasons").split(' ').any(|r| r == "air-bubble"),
            "{row:?}"
        );
    }
    assert_eq!(lab.messages().len(), 1);
}

#[test]
fn another_volume_is_corrected_in_proportion() {
    let lab = night(&[(sample("brine").volume(20), both(6.0))]);
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    // Twice the volume brought what stands in the detector: half of it is in the vial.
    sheet.row(2, "lactic acid").close("measured", 3.0, 1.0);
    sheet.row(2, "lactic acid").close("area_mau_s", 360.0, 1.0);
    assert!(
        lab.summary("crocks").contains("20 µL"),
        "{}",
        lab.summary("crocks")
    );
}

#[test]
fn the_range_is_judged_on_what_was_in_the_detector() {
    let lab = night(&[
        (sample("brine").volume(20), both(24.0)),
        (sample("brine").volume(5), both(18.0)),
    ]);
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(2), "rerun above-range");
    sheet.row(2, "lactic acid").close("measured", 12.0, 1.0);
    assert_eq!(sheet.verdict(3), "accepted");
    sheet.row(3, "lactic acid").close("measured", 36.0, 1.0);
}

#[test]
fn replicates_that_disagree_are_named_and_kept() {
    let odd = |n, c| (crock("crock A", 48, n), both(c));
    let lab = night(&[odd(1, 4.0), odd(2, 4.1), odd(3, 5.6)]);
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    for position in 2..=4 {
        assert_eq!(sheet.verdict(position), "accepted replicates");
    }
    let course = lab.time_course("crocks");
    assert_eq!(course.column("n"), ["3", "3"]);
    course.rows[0].close("mean", 13.7 / 3.0, 1.0);
    assert_eq!(lab.alerts("crocks").check("replicates").len(), 2);
}

#[test]
fn what_must_be_run_again_is_left_out_of_the_mean() {
    let of = |n, content| (crock("crock A", 48, n), content);
    let lab = night(&[of(1, both(4.0)), of(2, both(4.1)), of(3, both(4.2).air(30))]);
    lab.process().ends(1);
    let course = lab.time_course("crocks");
    let lactic = course
        .rows
        .iter()
        .find(|r| r.text("analyte") == "lactic acid")
        .unwrap();
    assert_eq!(lactic.text("n"), "2");
    lactic.close("mean", 4.05, 1.0);
    assert!(
        lactic.text("left_out").contains("position 4")
            && lactic.text("left_out").contains("air-bubble"),
        "{lactic:?}"
    );
}
