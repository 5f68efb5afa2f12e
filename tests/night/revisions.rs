//! The same trace again: other content, other folders, another method.

use crate::chromatogram::{both, trace};
use crate::drifting;
use crate::lab::{Lab, date};
use crate::runlist::{sample, standard};

fn lab() -> Lab {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-03", &both(5.0));
    lab
}

#[test]
fn two_files_of_one_stem_are_revisions_of_one_trace() {
    let lab = lab();
    lab.export_as("exports/first/crocks-02.csv", &both(3.0).text("1"));
    lab.export_as("exports/again/crocks-02.txt", &both(4.0).text("2"));
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.rows.len(), 6);
    sheet.row(2, "lactic acid").close("concentration", 4.0, 1.0);
    assert_eq!(sheet.row(2, "lactic acid").text("trace"), "crocks-02.txt");
    assert!(
        lab.summary("crocks").contains("revision 2"),
        "{}",
        lab.summary("crocks")
    );
    let first = lab.files("results");
    lab.process().ends(0);
    assert!(
        first == lab.files("results"),
        "a second run changed a result"
    );
}

#[test]
fn a_bad_file_elsewhere_takes_nothing_from_a_good_one_of_its_name() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0));
    lab.process().ends(0);
    let before = lab.files("results");
    let text = both(3.0).text("crocks-02");
    // A report beside the trace, and a copy that broke off.
    lab.export_as("exports/crocks-02.txt", "area report\nlactic acid 3.0\n");
    lab.export_as("exports/copy/crocks-02.csv", &text[..text.len() / 2]);
    lab.process().ends(0);
    assert!(
        before == lab.files("results"),
        "a bad file changed a result"
    );
    // At the same place it is the same trace.
    lab.export_as("exports/crocks-02.csv", &text[..text.len() / 2]);
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun unreadable-trace");
}

#[test]
fn of_two_files_the_one_that_was_written_last_counts_whichever_lands_first() {
    let (older, newer) = (both(3.0).text("1"), both(4.0).text("2"));
    let of = |paths: [(&str, &str, u64); 2]| {
        let lab = lab();
        for (path, text, at) in paths {
            lab.export_as(path, text);
            date(&lab.root().join(path), at);
            lab.process().ends(0);
        }
        lab.sheet("crocks")
            .row(2, "lactic acid")
            .close("concentration", 4.0, 1.0);
    };
    of([
        ("exports/a/crocks-02.csv", &older, 1),
        ("exports/b/crocks-02.csv", &newer, 2),
    ]);
    of([
        ("exports/b/crocks-02.csv", &newer, 2),
        ("exports/a/crocks-02.csv", &older, 1),
    ]);
    // Where the newer one is gone, the older one was put back on purpose.
    let lab = lab();
    lab.export_as("exports/b/crocks-02.csv", &newer);
    lab.process().ends(0);
    std::fs::remove_file(lab.exports().join("b/crocks-02.csv")).unwrap();
    lab.export_as("exports/a/crocks-02.csv", &older);
    date(&lab.exports().join("a/crocks-02.csv"), 1);
    lab.process().ends(0);
    lab.sheet("crocks")
        .row(2, "lactic acid")
        .close("concentration", 3.0, 1.0);
}

#[test]
fn content_that_was_there_before_counts_again() {
    let lab = lab();
    for c in [3.0, 4.0, 3.0] {
        lab.export_as("exports/crocks-02.csv", &both(c).text("2"));
        lab.process().ends(0);
        lab.sheet("crocks")
            .row(2, "lactic acid")
            .close("concentration", c, 1.0);
    }
    assert!(
        lab.summary("crocks").contains("revision 3"),
        "{}",
        lab.summary("crocks")
    );
}

#[test]
fn the_summary_still_says_so_after_a_restart() {
    let lab = lab();
    for c in [3.0, 4.0] {
        lab.export_as("exports/crocks-02.csv", &both(c).text("2"));
        lab.process().ends(0);
    }
    let before = lab.summary("crocks");
    assert!(before.contains("revision 2"), "{before}");
    lab.process().ends(0);
    assert_eq!(lab.summary("crocks"), before);
    assert_eq!(
        lab.run(&["summary", "crocks"]).ends(0).stdout.trim_end(),
        before.trim_end()
    );
}

#[test]
fn a_standard_that_is_exported_again_clears_its_alert() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0));
    lab.export_as("exports/crocks-03.csv", "the disk was full");
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun bracket-failed");
    lab.export("crocks-03", &both(5.0));
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").verdict(2), "accepted");
    let alerts = lab.alerts("crocks");
    assert_eq!(alerts.column("check"), ["unreadable-trace"]);
    assert!(!alerts.rows[0].is_empty("cleared_at"));
    assert!(lab.rerun("crocks").rows.is_empty());
    let cleared: Vec<String> = lab
        .messages()
        .into_keys()
        .filter(|n| n.ends_with("-cleared.txt"))
        .collect();
    assert_eq!(cleared.len(), 1, "{:#?}", lab.messages().keys());
}

#[test]
fn a_good_trace_that_is_exported_again_as_a_bad_one_fails() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0));
    lab.process().ends(0);
    lab.export("crocks-01", &trace().lactic(3.0).acetic(5.0));
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun bracket-failed");
    // The first standard has failed, and the last one has moved from it.
    assert_eq!(
        lab.alerts("crocks").column("check"),
        ["recovery", "standard-drift"]
    );
    assert_eq!(lab.messages().len(), 2);
}

#[test]
fn the_exit_code_of_a_second_run_is_that_of_the_first() {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    let first = lab.files("results");
    lab.process().ends(1);
    assert!(
        first == lab.files("results"),
        "a second run changed a result"
    );
}

#[test]
fn a_changed_limit_judges_anew() {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    let lab = lab.method(|m| {
        m + "\n[limits]\nrecovery_percent = [80.0, 120.0]\nstandard_area_drift_percent = 20.0\n"
    });
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert!(
        sheet.column("verdict").iter().all(|v| *v == "accepted"),
        "{sheet:#?}"
    );
    let alerts = lab.alerts("crocks");
    assert!(
        alerts.column("cleared_at").iter().all(|c| !c.is_empty()),
        "{alerts:#?}"
    );
    assert!(
        !lab.summary("crocks").contains("revision"),
        "the traces are the same:\n{}",
        lab.summary("crocks")
    );
}

#[test]
fn a_moved_window_integrates_anew() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0).peak(17.0, 120.0));
    lab.process().ends(0);
    let lab = lab.method(|m| m.replace("retention_min = 15.2", "retention_min = 17.0"));
    lab.process();
    let sheet = lab.sheet("crocks");
    let row = sheet.row(2, "acetic acid");
    row.close("retention_min", 17.0, 0.2);
    row.close("area_mau_s", 120.0, 1.0);
    assert_eq!(sheet.row(1, "acetic acid").judgement(), "rerun no-peak");
}
