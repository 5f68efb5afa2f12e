//! Brackets in all their cases.
//!
//! | case | test |
//! | --- | --- |
//! | no opening checkpoint | `brackets::no_opening_standard_leaves_the_samples_open`, `published::b5` |
//! | none at the end | `brackets::no_closing_standard_leaves_the_samples_open`, `published::b4` |
//! | none at all | `brackets::no_standard_at_all_leaves_everything_open` |
//! | two in a row | `published::b7`, `brackets::one_of_two_standards_in_a_row_is_enough_to_fail` |
//! | one level failing | `one_level_failing_fails_the_checkpoint` |
//! | a failed standard repeated at once and passing | `a_failed_standard_repeated_at_once_and_passing` and the two behind it |
//! | standards out of order | `standards_that_land_out_of_order`, `a_list_that_is_out_of_order` |
//! | a re-export that turns a pass into a fail | `a_re_export_that_turns_a_pass_into_a_fail` and back |
//! | a late run list | `a_late_run_list`, and `late_lists.rs` |
//! | a run list edited while the queue runs | `rows_added_while_the_queue_runs`, `rows_put_between_while_the_queue_runs` |
//! | the same name in two queues | `the_same_name_in_two_queues` |
//! | a queue resumed after a stop | `a_queue_resumed_after_a_stop` |

use std::collections::BTreeSet;

use crate::brackets::{judged, night};
use crate::chromatogram::both;
use crate::lab::{Lab, date};
use crate::runlist::{Row, sample, standard};
use crate::table::Table;

/// Which samples fall with a failed check, as published rules have it (`tests/reference/bracketing_cases.csv`).
mod published {
    use super::*;

    const CASES: &str = include_str!("../reference/bracketing_cases.csv");

    /// Plays a sequence: `P`ass, `F`ail, `H` fail high, `S`ample, `N` sample without the analyte.
    #[track_caller]
    fn case(name: &str) {
        let table = Table::parse(CASES.as_bytes());
        let row = table.rows.iter().find(|r| r.text("case") == name).unwrap();
        let sequence: Vec<&str> = row.text("sequence").split(' ').collect();
        let lab = Lab::new();
        let is_sample = |token: &str| matches!(token, "S" | "N");
        let plan = |token: &&str| match is_sample(token) {
            true => sample("brine"),
            false => standard("mid"),
        };
        lab.list("crocks", &sequence.iter().map(plan).collect::<Vec<Row>>());
        for (k, token) in (1..).zip(&sequence) {
            let content = match *token {
                "P" => both(5.0),
                "F" => both(4.0),
                "H" => both(6.0),
                "S" => both(3.0),
                _ => crate::chromatogram::trace(),
            };
            lab.export(&format!("crocks-{k:02}"), &content);
        }
        lab.process();
        let sheet = lab.sheet("crocks");
        let falls = |k: &u64| !sheet.of(*k).all(|r| r.text("verdict") == "accepted");
        let samples = (1..).zip(&sequence).filter(|(_, t)| is_sample(t));
        let found: BTreeSet<u64> = samples.map(|(k, _)| k).filter(falls).collect();
        let invalid = row.text("invalid_positions_strict");
        let expected = invalid.split_whitespace().map(|k| k.parse().unwrap());
        assert_eq!(found, expected.collect(), "{name}: {sequence:?}");
    }

    macro_rules! cases {
        ($($name:ident)*) => { $(#[test] fn $name() { case(stringify!($name)); })* };
    }
    cases!(b1 b2 b3 b4 b5 b6 b7 b8 b9);

    #[test]
    fn every_listed_case_has_its_test() {
        let cases = Table::parse(CASES.as_bytes());
        assert_eq!(
            cases.column("case"),
            ["b1", "b2", "b3", "b4", "b5", "b6", "b7", "b8", "b9"]
        );
    }
}

#[test]
fn one_level_failing_fails_the_checkpoint() {
    let lab = Lab::new();
    let checkpoint = || [standard("L2"), standard("mid")];
    let mut rows = checkpoint().to_vec();
    rows.push(sample("brine"));
    rows.extend(checkpoint());
    rows.push(sample("brine"));
    rows.extend(checkpoint());
    lab.list("crocks", &rows);
    // The low level is 20 % off at the second checkpoint, the middle one is right.
    for (k, c) in (1..).zip([2.0, 5.0, 3.0, 1.6, 5.0, 3.0, 2.0, 5.0]) {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.process().ends(1);
    judged(
        &lab.sheet("crocks"),
        &[
            (3, "rerun bracket-failed"),
            (5, "accepted"),
            (6, "rerun bracket-failed"),
            (8, "accepted"),
        ],
    );
}

/// Both are one checkpoint, which passes only when every standard in it passes.
#[test]
fn a_failed_standard_repeated_at_once_and_passing() {
    let (lab, code, sheet) = night("PsFPsP");
    assert_eq!(code, 1);
    judged(
        &sheet,
        &[
            (2, "rerun bracket-failed"),
            (4, "accepted"),
            (5, "rerun bracket-failed"),
            (6, "accepted"),
        ],
    );
    let samples = lab.rerun("crocks");
    let kinds = samples.column("kind");
    assert_eq!(kinds.iter().filter(|k| **k == "sample").count(), 2);
}

/// Who knows why the first one failed takes its row out of the list: its trace is unlisted then, and the other one counts.
#[test]
fn a_failed_standard_taken_out_of_the_list_leaves_its_repeat() {
    let (lab, _code, _sheet) = night("PsFPsP");
    let path = lab.exports().join("crocks.runlist.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let without: String = text
        .lines()
        .filter(|l| !l.starts_with("3,"))
        .map(|l| format!("{l}\n"))
        .collect();
    lab.raw_list("crocks", &without);
    lab.process().ends(0);
    judged(
        &lab.sheet("crocks"),
        &[(2, "accepted"), (4, "accepted"), (5, "accepted")],
    );
    assert_eq!(
        lab.sheet("unlisted-2026-09-21").column("name"),
        ["crocks-03"; 2],
        "nothing is dropped in silence"
    );
}

/// A blank between the two does not make two checkpoints of them; a sample does.
#[test]
fn a_failed_standard_repeated_after_a_sample() {
    let (_lab, code, sheet) = night("PsFsPsP");
    assert_eq!(code, 1);
    judged(&sheet, &[(2, "rerun bracket-failed"), (6, "accepted")]);
}

#[test]
fn standards_that_land_out_of_order() {
    let lab = Lab::new();
    let rows: Vec<Row> = "PsPsP"
        .chars()
        .map(|c| {
            if c == 's' {
                sample("brine")
            } else {
                standard("mid")
            }
        })
        .collect();
    lab.list("crocks", &rows);
    let mut daemon = lab.watch();
    let content = |k: u64| both(if k == 5 { 4.0 } else { 5.0 });
    for (k, expected) in [
        (5, None),
        (2, Some((2, "provisional"))),
        (4, Some((4, "rerun bracket-failed"))),
        (1, Some((2, "provisional"))),
        (3, Some((2, "accepted"))),
    ] {
        lab.export(&format!("crocks-{k:02}"), &content(k));
        daemon.wait_until(&format!("{k} is in"), || {
            let sheet = lab.sheet("crocks");
            let in_sheet = sheet.of(k).any(|r| !r.is_empty("trace"));
            in_sheet && expected.is_none_or(|(at, v)| sheet.verdict(at) == v)
        });
    }
    daemon.stop();
    judged(
        &lab.sheet("crocks"),
        &[
            (2, "accepted"),
            (3, "accepted"),
            (4, "rerun bracket-failed"),
        ],
    );
}

#[test]
fn a_list_that_is_out_of_order() {
    let lab = Lab::new();
    lab.raw_list(
        "crocks",
        "position,kind,name,file,level\n4,sample,brine,crocks-04,\n5,standard,mid,crocks-05,mid\n1,standard,mid,crocks-01,mid\n\
3,standard,mid,crocks-03,mid\n2,sample,brine,crocks-02,\n",
    );
    for (k, c) in (1..).zip([5.0, 3.0, 5.0, 3.0, 4.0]) {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.process().ends(1);
    judged(
        &lab.sheet("crocks"),
        &[(2, "accepted"), (4, "rerun bracket-failed")],
    );
    assert_eq!(lab.sheet("crocks").column("position").first(), Some(&"1"));
}

#[test]
fn a_re_export_that_turns_a_pass_into_a_fail() {
    let (lab, code, sheet) = night("PsPsP");
    assert_eq!(code, 0);
    judged(&sheet, &[(2, "accepted"), (4, "accepted")]);
    lab.export("crocks-03", &both(4.0));
    lab.process().ends(1);
    judged(
        &lab.sheet("crocks"),
        &[
            (1, "accepted"),
            (2, "rerun bracket-failed"),
            (4, "rerun bracket-failed"),
            (5, "accepted"),
        ],
    );
    assert!(lab.sheet("crocks").verdict(3).starts_with("rerun recovery"));
    let rerun = lab.rerun("crocks");
    assert_eq!(
        rerun
            .rows
            .iter()
            .filter(|r| r.text("kind") == "sample")
            .count(),
        2
    );
    // And back again.
    lab.export("crocks-03", &both(5.1));
    lab.process().ends(0);
    judged(&lab.sheet("crocks"), &[(2, "accepted"), (4, "accepted")]);
    assert!(lab.rerun("crocks").rows.is_empty());
}

#[test]
fn a_late_run_list() {
    let lab = Lab::new();
    for (k, c) in (1..).zip([5.0, 3.0, 4.0, 3.0, 5.0]) {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.process().ends(0);
    let unlisted = lab.sheet("unlisted-2026-09-21");
    assert_eq!(
        unlisted.verdict(3),
        "provisional unlisted-trace bracket-open"
    );
    lab.list(
        "crocks",
        &[
            standard("mid"),
            sample("brine"),
            standard("mid"),
            sample("brine"),
            standard("mid"),
        ],
    );
    lab.process().ends(1);
    judged(
        &lab.sheet("crocks"),
        &[
            (1, "accepted"),
            (2, "rerun bracket-failed"),
            (4, "rerun bracket-failed"),
            (5, "accepted"),
        ],
    );
}

/// People add samples to a running queue: the standard that was to be the last one is a checkpoint in the middle then.
#[test]
fn rows_added_while_the_queue_runs() {
    let lab = Lab::new();
    let mut rows = vec![standard("mid"), sample("brine"), standard("mid")];
    lab.list("crocks", &rows);
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(3.0));
    daemon.wait_until("the sample waits", || {
        let sheet = lab.sheet("crocks");
        sheet.rows.len() == 4 && sheet.verdict(2) == "provisional"
    });
    rows.extend([sample("more brine"), standard("mid")]);
    lab.list("crocks", &rows);
    date(&lab.exports().join("crocks.runlist.csv"), 3);
    lab.export("crocks-03", &both(5.0));
    lab.export("crocks-04", &both(3.0));
    daemon.wait_until("the new sample waits for its standard", || {
        let sheet = lab.sheet("crocks");
        sheet.rows.len() == 8 && sheet.verdict(2) == "accepted" && sheet.verdict(4) == "provisional"
    });
    lab.export("crocks-05", &both(4.0));
    daemon.wait_until("the last standard fails", || {
        lab.sheet("crocks").rows.len() == 10
            && lab.sheet("crocks").verdict(4) == "rerun bracket-failed"
    });
    daemon.stop();
    judged(&lab.sheet("crocks"), &[(2, "accepted"), (3, "accepted")]);
}

#[test]
fn rows_put_between_while_the_queue_runs() {
    let lab = Lab::new();
    let rows = |extra: &str| {
        format!(
            "position,kind,name,file,level\n10,standard,mid,crocks-01,mid\n20,sample,brine,crocks-02,\n{extra}30,sample,brine,crocks-03,\n40,standard,mid,crocks-04,mid\n"
        )
    };
    lab.raw_list("crocks", &rows(""));
    for (k, c) in (1..).zip([5.0, 3.0, 3.0, 5.0]) {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.process().ends(0);
    judged(&lab.sheet("crocks"), &[(20, "accepted"), (30, "accepted")]);
    lab.raw_list("crocks", &rows("25,standard,mid,check,mid\n"));
    lab.export("check", &both(4.0));
    lab.process().ends(1);
    judged(
        &lab.sheet("crocks"),
        &[
            (20, "rerun bracket-failed"),
            (30, "rerun bracket-failed"),
            (40, "accepted"),
        ],
    );
}

/// `check.csv` closes Monday's queue and Tuesday's: each has its own, and Tuesday's failure is not Monday's.
#[test]
fn the_same_name_in_two_queues() {
    let lab = Lab::new();
    let list = |day: &str| {
        format!(
            "kind,name,file,level\nstandard,mid,{day}-1,mid\nsample,brine,{day}-2,\nstandard,mid,check,mid\n"
        )
    };
    lab.raw_list("monday", &list("monday"));
    lab.export("monday-1", &both(5.0));
    lab.export("monday-2", &both(3.0));
    lab.export("check", &both(5.0));
    lab.process().ends(0);
    lab.raw_list("tuesday", &list("tuesday"));
    date(&lab.exports().join("tuesday.runlist.csv"), 60);
    for (k, (stem, c)) in (61..).zip([("tuesday-1", 5.0), ("tuesday-2", 3.0), ("check", 4.0)]) {
        let path = lab.export(stem, &both(c));
        date(&path, k);
    }
    lab.process().ends(1);
    judged(&lab.sheet("monday"), &[(2, "accepted"), (3, "accepted")]);
    judged(&lab.sheet("tuesday"), &[(2, "rerun bracket-failed")]);
}

/// The instrument stops behind a sample, the queue ends, and in the morning somebody lets the rest run.
#[test]
fn a_queue_resumed_after_a_stop() {
    let lab = Lab::new();
    let rows: Vec<Row> = "PsPssP"
        .chars()
        .map(|c| {
            if c == 's' {
                sample("brine")
            } else {
                standard("mid")
            }
        })
        .collect();
    lab.list("crocks", &rows);
    for k in 1..=4 {
        lab.export(&format!("crocks-{k:02}"), &both(5.0));
    }
    // Ended: what has not come counts as missing, and the bracket around 4 has failed with its closing standard.
    lab.process().ends(1);
    judged(
        &lab.sheet("crocks"),
        &[
            (2, "accepted"),
            (4, "rerun bracket-failed"),
            (5, "rerun missing-trace bracket-failed"),
            (6, "rerun missing-trace"),
        ],
    );
    for k in [5, 6] {
        let path = lab.export(&format!("crocks-{k:02}"), &both(5.0));
        date(&path, 40 + k);
    }
    lab.process().ends(0);
    judged(
        &lab.sheet("crocks"),
        &[
            (2, "accepted"),
            (4, "accepted"),
            (5, "accepted"),
            (6, "accepted"),
        ],
    );
    assert!(lab.rerun("crocks").rows.is_empty());
}
