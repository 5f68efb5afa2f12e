//! Run lists that cannot be used: their traces are processed all the same.

use std::fs;

use crate::chromatogram::both;
use crate::lab::Lab;
use crate::table::Cells;
use crate::words::without_times;

/// A night under a list that cannot be used; gives its one `run-list` alert.
fn night(list: &str) -> (Lab, Cells) {
    let lab = Lab::new();
    lab.raw_list("crocks", list);
    lab.export("c-01", &both(5.0));
    lab.export("c-02", &both(3.0));
    lab.process().ends(1);
    let sheet = lab.sheet("unlisted-2026-09-21");
    assert_eq!(sheet.column("name"), ["c-01", "c-01", "c-02", "c-02"]);
    assert_eq!(sheet.verdict(2), "provisional unlisted-trace bracket-open");
    let alerts = lab.alerts("unlisted-2026-09-21");
    let alert = alerts.check("run-list");
    assert_eq!(alert.len(), 1, "{alerts:#?}");
    assert_eq!(alert[0].text("told"), "now");
    assert_eq!(alert[0].text("name"), "crocks.runlist.csv");
    let messages = lab.messages();
    assert_eq!(messages.len(), 1, "{messages:#?}");
    assert!(
        messages
            .values()
            .all(|m| m.contains("run-list") && m.contains("crocks")),
        "{messages:#?}"
    );
    let alert = alert[0].clone();
    (lab, alert)
}

#[track_caller]
fn says(alert: &Cells, parts: &[&str]) {
    for part in parts {
        assert!(
            alert.text("message").contains(part),
            "{part:?} is not in {:?}",
            alert.text("message")
        );
    }
}

#[test]
fn a_position_twice() {
    let (_lab, alert) = night(
        "position,kind,name,file,level\n1,standard,standard,c-01.csv,mid\n1,sample,brine,c-02.csv,\n",
    );
    says(&alert, &["line 3", "column position", "1", "line 2"]);
}

#[test]
fn a_file_twice() {
    let (_lab, alert) = night(
        "position,kind,name,file,level\n1,standard,standard,c-01.csv,mid\n2,sample,brine,sub/c-01.txt,\n",
    );
    says(&alert, &["line 3", "column file", "c-01"]);
}

#[test]
fn an_unknown_kind() {
    let (_lab, alert) = night("position,kind,name,file\n1,sampel,brine,c-01.csv\n");
    says(&alert, &["line 2", "column kind", "sampel", "sample"]);
}

#[test]
fn a_missing_column() {
    let (_lab, alert) = night("position,name,file\n1,brine,c-01.csv\n");
    says(&alert, &["line 1", "kind"]);
}

#[test]
fn an_unknown_level() {
    let (_lab, alert) = night("position,kind,name,file,level\n1,standard,standard,c-01.csv,mdi\n");
    says(&alert, &["line 2", "column level", "mdi", "mid"]);
}

#[test]
fn a_dilution_that_is_none() {
    let (_lab, alert) = night("position,kind,name,file,dilution\n1,sample,brine,c-01.csv,1:10\n");
    says(&alert, &["line 2", "column dilution", "1:10"]);
}

#[test]
fn a_list_that_is_mended_takes_its_traces_over() {
    let (lab, _) = night(
        "position,kind,name,file,level\n1,standard,standard,c-01.csv,mdi\n2,sample,brine,c-02.csv,\n",
    );
    lab.write("exports/crocks.runlist.csv", "position,kind,name,file,level\n1,standard,standard,c-01.csv,mid\n2,sample,brine,c-02.csv,\n");
    lab.process().ends(0);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(1), "accepted");
    assert_eq!(sheet.verdict(2), "provisional bracket-open");
    assert!(
        !lab.results("unlisted-2026-09-21").exists(),
        "the folder of the emptied queue is gone"
    );
}

/// A level is renamed between two starts: the list does not fit any more, and fits again.
#[test]
fn a_queue_whose_list_fits_no_more_leaves_no_results_behind() {
    let lab = Lab::new();
    crate::drifting::play(&lab);
    lab.process().ends(1);
    let before =
        without_times(&fs::read_to_string(lab.results("crocks").join("sheet.csv")).unwrap());
    let lab = lab.method(|m| m.replace("name = \"mid\"", "name = \"middle\""));
    let mut daemon = lab.watch();
    daemon.wait_until("its results are gone", || !lab.results("crocks").exists());
    daemon.wait_until("its traces stand as unlisted", || {
        lab.sheet("unlisted-2026-09-21").rows.len() == 22
    });
    daemon.stop();
    lab.run(&["summary", "crocks"]).ends(2);
    let lab = lab.method(|m| m.replace("name = \"middle\"", "name = \"mid\""));
    // What was exported has gone elsewhere: the ledger has it.
    for k in 1..=11 {
        fs::remove_file(lab.exports().join(format!("crocks-{k:02}.csv"))).unwrap();
    }
    let mut daemon = lab.watch();
    let sheet = || fs::read_to_string(lab.results("crocks").join("sheet.csv")).unwrap_or_default();
    daemon.wait_until("they are back", || without_times(&sheet()) == before);
    daemon.wait_until("the unlisted queue is gone", || {
        !lab.results("unlisted-2026-09-21").exists()
    });
    daemon.stop();
}
