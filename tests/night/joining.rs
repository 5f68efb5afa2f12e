//! Repeats join the night that they repair, whichever way the second night comes in.

use std::collections::BTreeMap;

use crate::chromatogram::{Trace, both, trace};
use crate::lab::{Lab, date};
use crate::runlist::{blank, crock, standard};
use crate::table::Table;
use crate::words::without_times;

/// What is to be the same whatever happened on the way.
const FILES: [&str; 6] = [
    "sheet.csv",
    "time-course.csv",
    "replicates.csv",
    "rerun.csv",
    "alerts.csv",
    "summary.txt",
];

/// Injections of the first night.
pub const FIRST: u64 = 9;

/// Blank, standards and two crocks in duplicate: the second standard is weak, or none is.
pub fn first_night(lab: &Lab, weak: bool) {
    let rows = [
        blank(),
        standard("mid"),
        crock("crock A", 24, 1),
        crock("crock A", 24, 2),
        standard("mid"),
        crock("crock B", 24, 1),
        crock("crock B", 24, 2),
        standard("mid"),
        blank(),
    ];
    lab.list("crocks", &rows);
    for (k, row) in (1..).zip(&rows) {
        let content = match row.kind {
            "blank" => trace(),
            "standard" if k == 5 && weak => both(4.0),
            "standard" => both(5.0),
            _ => both(3.0 + 0.01 * k as f64),
        };
        lab.export(&format!("crocks-{k:02}"), &content);
    }
}

/// The rerun list of a queue becomes the run list of another, and its traces come. `found`: what a sample's trace shows, by
/// position.
pub fn rerun(lab: &Lab, of: &str, queue: &str, at: u64, found: &dyn Fn(u64) -> Option<Trace>) {
    let text = std::fs::read_to_string(lab.results(of).join("rerun.csv")).unwrap();
    lay_list(lab, queue, &text, at);
    traces(lab, &text, found);
}

pub fn lay_list(lab: &Lab, queue: &str, text: &str, at: u64) {
    let aside = lab.write("list.tmp", text);
    date(&aside, at);
    let name = format!("exports/{queue}.runlist.csv");
    std::fs::rename(aside, lab.root().join(name)).unwrap();
}

pub fn traces(lab: &Lab, list: &str, found: &dyn Fn(u64) -> Option<Trace>) {
    for row in Table::parse(list.as_bytes()).rows {
        let position: u64 = row.text("position").parse().unwrap();
        let content = match row.text("kind") {
            "blank" => Some(trace()),
            "sample" => found(position),
            _ => Some(both(5.0)),
        };
        if let Some(content) = content {
            lab.export(row.text("file").trim_end_matches(".csv"), &content);
        }
    }
}

/// Repeats find a little less than the first night did.
pub fn less(position: u64) -> Option<Trace> {
    Some(both(2.9 + 0.01 * position as f64))
}

fn results(lab: &Lab, queue: &str) -> BTreeMap<&'static str, String> {
    let read = |name: &&'static str| {
        let path = lab.results(queue).join(name);
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{queue}/{name}: {e}"));
        (*name, without_times(&text))
    };
    FILES.iter().map(read).collect()
}

#[track_caller]
fn same(one: &Lab, other: &Lab, queues: &[&str]) {
    for queue in queues {
        let (a, b) = (results(one, queue), results(other, queue));
        for name in FILES {
            assert_eq!(a[name], b[name], "{queue}/{name} differs");
        }
    }
}

pub const BOTH: [&str; 2] = ["crocks", "crocks-rerun"];

/// Both nights one after the other, each processed when it was over.
pub fn one_after_the_other() -> Lab {
    let lab = Lab::new();
    first_night(&lab, true);
    lab.process().ends(1);
    rerun(&lab, "crocks", "crocks-rerun", FIRST + 1, &less);
    lab.process().ends(0);
    lab
}

/// The rerun list that the first night always gives.
fn rerun_list() -> String {
    let lab = Lab::new();
    first_night(&lab, true);
    lab.process().ends(1);
    std::fs::read_to_string(lab.results("crocks").join("rerun.csv")).unwrap()
}

#[test]
fn a_repeat_takes_the_place_of_what_failed() {
    let lab = one_after_the_other();
    let sheet = lab.sheet("crocks");
    for k in [3, 4, 6, 7] {
        assert_eq!(
            sheet.verdict(k),
            "rerun bracket-failed",
            "what was measured stays"
        );
    }
    let course = lab.time_course("crocks");
    let row = &course.rows[0];
    assert_eq!((row.text("series"), row.text("n")), ("crock A", "2"));
    // The repeats stand at 3 and 4 of the second list: 2.93 and 2.94.
    row.close("mean", 2.935, 1.0);
    assert_eq!(
        row.text("left_out"),
        "crock A at 24 h (position 3): bracket-failed, replaced by its repeat in crocks-rerun (position 3); \
crock A at 24 h (position 4): bracket-failed, replaced by its repeat in crocks-rerun (position 4)"
    );
    assert!(lab.rerun("crocks").rows.is_empty(), "nothing twice");
    let summary = lab.summary("crocks");
    assert!(
        summary.starts_with(
            "crocks: none of 8 results can be used; 8 stand by another injection of the same sample\n"
        ),
        "{summary}"
    );
    assert!(
        summary.contains("1. Nothing: what failed has been injected again"),
        "{summary}"
    );
    assert!(summary.contains("\nREPEATS\n"), "{summary}");
    // The second night has its own course, and says what it repeats.
    let own = lab.time_course("crocks-rerun");
    own.rows[0].close("mean", 2.935, 1.0);
    assert_eq!(own.rows[0].text("left_out"), "");
    assert!(
        lab.summary("crocks-rerun")
            .contains("3 crock A at 24 h repeats position 3 of crocks"),
        "{}",
        lab.summary("crocks-rerun")
    );
    assert!(lab.rerun("crocks-rerun").rows.is_empty());
}

#[test]
fn the_rerun_list_says_what_each_row_repeats() {
    let list = Table::parse(rerun_list().as_bytes());
    for row in &list.rows {
        let expected = match row.text("kind") {
            "sample" => format!("crocks/{}", row.text("file").replace("-repeat", "")),
            _ => String::new(),
        };
        assert_eq!(row.text("repeats"), expected, "{row:?}");
    }
    assert_eq!(
        list.column("kind")
            .iter()
            .filter(|k| **k == "sample")
            .count(),
        4
    );
}

#[test]
fn both_nights_at_once_or_one_after_the_other() {
    let list = rerun_list();
    let together = Lab::new();
    first_night(&together, true);
    lay_list(&together, "crocks-rerun", &list, FIRST + 1);
    traces(&together, &list, &less);
    together.process().ends(0);
    same(&together, &one_after_the_other(), &BOTH);
    let before = together.files("results");
    together.process().ends(0);
    assert!(
        before == together.files("results"),
        "run twice it changes no byte"
    );
}

#[test]
fn the_second_night_may_be_processed_first() {
    let list = rerun_list();
    let lab = Lab::new();
    first_night(&lab, true);
    let first: Vec<_> = (1..=FIRST)
        .map(|k| format!("exports/crocks-{k:02}.csv"))
        .collect();
    lay_list(&lab, "crocks-rerun", &list, FIRST + 1);
    traces(&lab, &list, &less);
    // The first night lies in a folder of its own, and comes last.
    std::fs::create_dir(lab.root().join("first")).unwrap();
    for path in &first {
        let name = path.trim_start_matches("exports/");
        std::fs::rename(lab.root().join(path), lab.root().join("first").join(name)).unwrap();
    }
    lab.process().ends(0);
    assert!(!lab.results("crocks").join("sheet.csv").exists());
    let folder = lab.named("first");
    lab.run(&["process", &folder]).ends(0);
    same(&lab, &one_after_the_other(), &BOTH);
}

#[test]
fn watched_with_a_restart_between_or_without() {
    let list = rerun_list();
    let expected = one_after_the_other();
    for restart in [false, true] {
        let lab = Lab::new();
        let mut daemon = lab.watch();
        first_night(&lab, true);
        daemon.wait_until("the first night has ended", || {
            lab.rerun("crocks").rows.len() == 9
        });
        if restart {
            daemon.stop();
            daemon = lab.watch();
        }
        lay_list(&lab, "crocks-rerun", &list, FIRST + 1);
        traces(&lab, &list, &less);
        daemon.wait_until("the first night is repaired", || {
            lab.rerun("crocks").rows.is_empty()
                && lab
                    .summary("crocks-rerun")
                    .starts_with("crocks-rerun: all 8")
        });
        daemon.stop();
        same(&lab, &expected, &BOTH);
    }
}

#[test]
fn the_summary_of_the_first_night_alone_finds_its_repeats() {
    let lab = one_after_the_other();
    let before = lab.files("results");
    std::fs::remove_dir_all(lab.results("crocks")).unwrap();
    lab.run(&["summary", "crocks"]).ends(0);
    let bytes = |files: BTreeMap<std::path::PathBuf, (Vec<u8>, std::time::SystemTime)>| {
        files
            .into_iter()
            .map(|(name, (bytes, _))| (name, bytes))
            .collect::<Vec<_>>()
    };
    assert!(bytes(before) == bytes(lab.files("results")));
}

#[test]
fn the_mark_in_the_name_is_enough() {
    let lab = Lab::new();
    first_night(&lab, true);
    lab.process().ends(1);
    // Retyped by hand, without the column, and only one of the samples.
    let text = "kind,name,file,level\nstandard,standard,check-1,mid\nsample,brine,crocks-03-repeat,\nstandard,standard,check-2,mid\n";
    lay_list(&lab, "tuesday", text, FIRST + 1);
    traces(
        &lab,
        "position,kind,file\n1,standard,check-1\n2,sample,crocks-03-repeat\n3,standard,check-2\n",
        &less,
    );
    lab.process().ends(1);
    let course = lab.time_course("crocks");
    assert_eq!(course.rows[0].text("n"), "1");
    assert_eq!(
        course.rows[0].text("left_out"),
        "crock A at 24 h (position 3): bracket-failed, replaced by its repeat in tuesday (position 2); crock A at 24 h (position 4): bracket-failed"
    );
    assert_eq!(
        lab.rerun("crocks")
            .column("repeats")
            .iter()
            .filter(|r| !r.is_empty())
            .collect::<Vec<_>>(),
        [
            &"crocks/crocks-04",
            &"crocks/crocks-06",
            &"crocks/crocks-07"
        ],
        "what is still to be repaired"
    );
}
