//! Run lists that come late, change, or lie elsewhere.

use crate::chromatogram::both;
use crate::lab::Lab;
use crate::runlist::{sample, standard};

const UNLISTED: &str = "unlisted-2026-09-21";

fn three(lab: &Lab) {
    for (k, c) in [(1, 5.0), (2, 3.0), (3, 5.0)] {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
}

#[test]
fn a_list_that_comes_after_its_traces() {
    let lab = Lab::new();
    let mut daemon = lab.watch();
    three(&lab);
    daemon.wait_until("the traces stand as unlisted", || {
        lab.sheet(UNLISTED).rows.len() == 6
    });
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    daemon.wait_until("they stand where they belong", || {
        lab.sheet("crocks").rows.len() == 6
    });
    daemon.wait_until("the old folder is gone", || !lab.results(UNLISTED).exists());
    daemon.stop();
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.column("verdict"), ["accepted"; 6]);
    assert_eq!(sheet.column("reasons"), [""; 6]);
    assert!(lab.messages().is_empty());
}

#[test]
fn a_late_list_leaves_strangers_where_they_are() {
    let lab = Lab::new();
    three(&lab);
    lab.export("stray", &both(2.0));
    lab.process().ends(0);
    assert_eq!(lab.sheet(UNLISTED).rows.len(), 8);
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").column("verdict"), ["accepted"; 6]);
    assert_eq!(lab.sheet(UNLISTED).column("name"), ["stray"; 2]);
    assert_eq!(lab.sheet(UNLISTED).column("position"), ["1"; 2]);
}

#[test]
fn rows_added_at_the_end() {
    let lab = Lab::new();
    lab.list("crocks", &[standard("mid"), sample("brine")]);
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(3.0));
    daemon.wait_until("the short queue has ended", || {
        let sheet = lab.sheet("crocks");
        sheet.rows.len() == 4 && sheet.verdict(2) == "provisional bracket-open"
    });
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    crate::lab::date(&lab.exports().join("crocks.runlist.csv"), 5);
    daemon.wait_until("the sample waits for its standard", || {
        lab.sheet("crocks").verdict(2) == "provisional"
    });
    lab.export("crocks-03", &both(5.0));
    daemon.wait_until("the bracket is closed", || {
        lab.sheet("crocks").verdict(2) == "accepted"
    });
    daemon.stop();
    assert_eq!(lab.sheet("crocks").rows.len(), 6);
}

#[test]
fn rows_taken_out_are_unlisted_from_then_on() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    three(&lab);
    lab.process().ends(0);
    lab.list("crocks", &[standard("mid"), sample("brine")]);
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").rows.len(), 4);
    assert_eq!(lab.sheet("crocks").verdict(2), "provisional bracket-open");
    assert_eq!(lab.sheet(UNLISTED).column("name"), ["crocks-03"; 2]);
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").column("verdict"), ["accepted"; 6]);
    assert!(!lab.results(UNLISTED).exists());
}

#[test]
fn a_changed_list_changes_what_a_trace_is() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    three(&lab);
    lab.process().ends(0);
    lab.list(
        "crocks",
        &[
            standard("mid"),
            sample("strong brine").diluted(10),
            standard("mid"),
        ],
    );
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.row(2, "lactic acid").text("name"), "strong brine");
    sheet
        .row(2, "lactic acid")
        .close("concentration", 30.0, 1.0);
}

#[test]
fn every_night_has_its_own_trace_of_a_name_that_comes_again() {
    let lab = Lab::new();
    lab.raw_list(
        "monday",
        "kind,name,file,level\nstandard,standard,check.csv,mid\n",
    );
    lab.export("check", &both(5.0));
    lab.process().ends(0);
    let monday = lab.sheet("monday").rows;
    lab.raw_list(
        "tuesday",
        "kind,name,file,level\nstandard,standard,check.csv,mid\n",
    );
    crate::lab::date(&lab.exports().join("tuesday.runlist.csv"), 60);
    let path = lab.export("check", &both(5.2));
    crate::lab::date(&path, 61);
    lab.process().ends(0);
    assert_eq!(
        lab.sheet("monday").rows,
        monday,
        "monday keeps what it measured"
    );
    lab.sheet("tuesday")
        .row(1, "lactic acid")
        .close("recovery_percent", 104.0, 1.0);
    let first = lab.files("results");
    lab.process().ends(0);
    assert!(first == lab.files("results"));
}

#[test]
fn a_list_that_becomes_unusable_goes_on_in_its_last_usable_version() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    daemon.wait_until("the first trace is in the sheet", || {
        lab.sheet("crocks").rows.len() == 2
    });
    lab.write(
        "exports/crocks.runlist.csv",
        "position,kind,file\n1,sampel,crocks-01.csv\n",
    );
    daemon.wait_until("the bad list is told", || !lab.messages().is_empty());
    lab.export("crocks-02", &both(3.0));
    daemon.wait_until("the next trace is in the same sheet", || {
        lab.sheet("crocks").rows.len() == 4
    });
    daemon.wait_until("the alert is in the table", || {
        !lab.alerts("crocks").check("run-list").is_empty()
    });
    daemon.stop();
    assert_eq!(lab.sheet("crocks").verdict(1), "accepted");
    let alerts = lab.alerts("crocks");
    assert!(
        alerts.check("run-list")[0]
            .text("message")
            .contains("last usable version"),
        "{alerts:#?}"
    );
}

#[test]
fn a_list_outside_the_watched_folder() {
    let lab = Lab::new().station("run_list = \"lists/*.runlist.csv\"");
    std::fs::create_dir(lab.root().join("lists")).unwrap();
    let mut daemon = lab.watch();
    lab.write("lists/brine.runlist.csv", "kind,name,file,level\nstandard,standard,crocks-01,mid\nsample,brine,D:\\old\\crocks-02.raw,\n");
    three(&lab);
    daemon.wait_until("the listed traces are in the sheet", || {
        lab.sheet("brine").rows.len() == 4
    });
    daemon.stop();
    assert_eq!(
        lab.sheet("brine").row(2, "lactic acid").text("name"),
        "brine"
    );
}

#[test]
fn two_queues_share_the_folder() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.list(
        "brine",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    for (k, c) in [(1, 5.0), (2, 3.0), (3, 5.0)] {
        lab.export(&format!("brine-{k:02}"), &both(c));
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.process().ends(0);
    for queue in ["crocks", "brine"] {
        assert_eq!(
            lab.sheet(queue).column("verdict"),
            ["accepted"; 6],
            "{queue}"
        );
    }
}
