//! Blanks: nothing should show.

use crate::chromatogram::{Trace, both, trace};
use crate::lab::Lab;
use crate::runlist::{blank, sample, standard};

/// A good night whose second blank shows this.
fn night(odd: &Trace) -> Lab {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[
            blank(),
            standard("mid"),
            sample("brine"),
            blank(),
            sample("brine"),
            standard("mid"),
        ],
    );
    for (k, content) in (1..).zip([
        &trace(),
        &both(5.0),
        &both(3.0),
        odd,
        &both(3.0),
        &both(5.0),
    ]) {
        lab.export(&format!("crocks-{k:02}"), content);
    }
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    for sample in [3, 5] {
        assert_eq!(
            sheet.verdict(sample),
            "accepted",
            "a failed blank changes no sample's verdict"
        );
    }
    assert_eq!(sheet.verdict(1), "accepted");
    lab
}

#[test]
fn carry_over_stands_on_its_analyte() {
    // 40 % of the lowest calibrator's lactic acid; the limit is 20 %.
    let lab = night(&trace().lactic(0.2));
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.row(4, "lactic acid").judgement(), "rerun carry-over");
    assert_eq!(sheet.row(4, "acetic acid").judgement(), "rerun");
    let alerts = lab.alerts("crocks");
    let alert = alerts.check("carry-over")[0];
    alert.close("measured", 40.0, 5.0);
    assert_eq!((alert.text("told"), alert.text("unit")), ("now", "%"));
    assert_eq!(alerts.rows.len(), 1, "{alerts:#?}");
    assert_eq!(lab.messages().len(), 1);
}

#[test]
fn a_trace_of_acid_under_the_limit_is_no_carry_over() {
    let lab = Lab::new();
    lab.list("crocks", &[blank()]);
    lab.export("crocks-01", &trace().lactic(0.05));
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").verdict(1), "accepted");
}

#[test]
fn a_noisy_blank_stands_on_all_its_rows() {
    let lab = night(&trace().noise(0.4));
    assert_eq!(lab.sheet("crocks").verdict(4), "rerun blank-noise");
    let alerts = lab.alerts("crocks");
    assert_eq!(alerts.column("check"), ["blank-noise"]);
    assert!(alerts.rows[0].number("measured") > 0.5);
}

#[test]
fn a_drifting_blank_says_its_slope() {
    let lab = night(&trace().drift(-12.0));
    assert_eq!(lab.sheet("crocks").verdict(4), "rerun blank-drift");
    let alerts = lab.alerts("crocks");
    assert_eq!(alerts.column("check"), ["blank-drift"]);
    alerts.rows[0].close("measured", -12.0, 5.0);
    assert_eq!(alerts.rows[0].text("unit"), "mAU/h");
}

#[test]
fn a_blank_with_spikes_has_air_in_it_and_nothing_else() {
    let lab = night(&trace().air(30));
    assert_eq!(lab.sheet("crocks").verdict(4), "rerun air-bubble");
}
