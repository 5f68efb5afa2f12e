//! The simulated night, through the real daemon.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use crate::lab::run;
use crate::table::Table;

#[test]
fn the_drifting_night_asks_for_its_samples_again() {
    let folder = tempfile::tempdir().unwrap();
    let started = Instant::now();
    let done = run(
        folder.path(),
        &[
            "rehearse",
            "--scenario",
            "drifting-standard",
            "--cycle",
            "0.6",
            "--into",
            "night",
        ],
    )
    .ends(1);
    assert!(
        started.elapsed() < Duration::from_secs(40),
        "{:?}",
        started.elapsed()
    );
    assert!(!done.stdout.contains(['\r', '\u{1b}']), "{}", done.stdout);

    let queue = folder.path().join("night/results/simulated/crocks");
    let queue = if queue.exists() {
        queue
    } else {
        only_queue(&folder.path().join("night/results"))
    };
    let sheet = Table::read(&queue.join("sheet.csv"));
    let rerun = |kind: &str| -> BTreeSet<u64> {
        let of_kind =
            |r: &&crate::table::Cells| r.text("kind") == kind && r.text("verdict") == "rerun";
        sheet
            .rows
            .iter()
            .filter(of_kind)
            .map(|r| r.text("position").parse().unwrap())
            .collect()
    };
    assert_eq!(rerun("sample"), BTreeSet::from([16, 17, 18, 20, 21, 22]));
    assert_eq!(rerun("standard"), BTreeSet::from([19, 23]));
    assert_eq!(rerun("blank").len() + rerun("calibrator").len(), 0);
    let of_samples = sheet
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample" && r.text("verdict") == "rerun");
    assert!(
        of_samples.clone().count() > 0
            && of_samples
                .clone()
                .all(|r| r.text("reasons") == "bracket-failed")
    );

    let again = Table::read(&queue.join("rerun.csv"));
    assert_eq!(
        again
            .rows
            .iter()
            .filter(|r| r.text("kind") == "sample")
            .count(),
        6
    );
    for path in ["sheet.csv", "summary.txt", "rerun.csv", "alerts.csv"] {
        assert!(
            done.stdout.contains(path),
            "{path} is not named in:\n{}",
            done.stdout
        );
    }
    assert!(
        done.stdout.contains("standard low"),
        "the alert is told while it happens:\n{}",
        done.stdout
    );
}

#[test]
fn the_second_night_repairs_the_first() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = "rehearse --scenario rerun-joins --cycle 0.5 --into night";
    let done = run(folder.path(), &arguments.split(' ').collect::<Vec<_>>()).ends(0);
    let results = folder.path().join("night/results/acids");
    let first = |name: &str| Table::read(&results.join("crocks").join(name));
    let failed: BTreeSet<u64> = first("sheet.csv")
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample" && r.text("verdict") == "rerun")
        .map(|r| r.text("position").parse().unwrap())
        .collect();
    assert_eq!(failed, BTreeSet::from([16, 17, 18, 20, 21, 22]));
    assert!(first("rerun.csv").rows.is_empty());
    let second = Table::read(&results.join("crocks-rerun/sheet.csv"));
    let samples = || second.rows.iter().filter(|r| r.text("kind") == "sample");
    assert_eq!(samples().count(), 24);
    assert!(samples().all(|r| r.text("verdict") == "accepted"));

    // What the crocks hold in truth, mmol/L; the first night alone found a tenth less.
    let course = first("time-course.csv");
    for (series, lactic) in [("crock A", 128.0), ("crock B", 104.0)] {
        let here = |r: &&crate::table::Cells| {
            (r.text("series"), r.text("time_h"), r.text("analyte"))
                == (series, "168", "lactic acid")
        };
        let row = course.rows.iter().find(here).unwrap();
        assert_eq!(row.text("n"), "3");
        row.close("mean", lactic, 2.0);
        let left_out = row.text("left_out");
        assert_eq!(
            left_out
                .matches(": bracket-failed, replaced by its repeat in crocks-rerun (position ")
                .count(),
            3,
            "{left_out}"
        );
    }
    for words in [
        "The queue crocks has ended.",
        "the second night begins",
        "The queue crocks-rerun has ended.",
    ] {
        assert!(done.stdout.contains(words), "{words}:\n{}", done.stdout);
    }
}

#[test]
fn a_folder_with_something_in_it_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("mine.txt"), "mine").unwrap();
    let done = run(folder.path(), &["rehearse", "--into", "."]).ends(2);
    assert!(
        done.stderr.contains("expected a new or empty one"),
        "{}",
        done.stderr
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}

/// The only folder below `results/STATION` that has a sheet.
fn only_queue(results: &std::path::Path) -> std::path::PathBuf {
    let stations = std::fs::read_dir(results).unwrap().flatten();
    let queues = stations
        .flat_map(|s| std::fs::read_dir(s.path()).unwrap().flatten())
        .map(|q| q.path());
    let mut with_sheet = queues.filter(|q| q.join("sheet.csv").exists());
    with_sheet.next().expect("a queue with a sheet")
}

/// What is printed of a message, from its head to the blank line behind it.
fn messages(stdout: &str) -> Vec<&str> {
    let parts = stdout.split("--- message to ").skip(1);
    parts.map(|p| p.split("\n\n").next().unwrap()).collect()
}

#[test]
fn while_the_server_is_away_files_are_written_and_messages_wait() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = [
        "rehearse",
        "--scenario",
        "mail-down",
        "--cycle",
        "0.6",
        "--into",
        "night",
    ];
    let done = run(folder.path(), &arguments).ends(1);
    let line = |text: &str| {
        done.stdout
            .lines()
            .position(|l| l.starts_with(text))
            .unwrap_or_else(|| panic!("{text} is not in:\n{}", done.stdout))
    };
    let (away, back) = (
        line("The server that takes messages is away"),
        line("The server that takes messages is back"),
    );
    for file in ["crocks-015", "crocks-019"] {
        let written = line(&format!("file    {file}"));
        assert!(away < written && written < back, "{file}:\n{}", done.stdout);
    }
    for arrived in ["arrived standard drifts", "arrived standard low"] {
        assert!(line(arrived) > back, "{arrived}:\n{}", done.stdout);
    }
    assert!(
        done.stdout
            .lines()
            .any(|l| l.starts_with("arrived standard drifts") && l.contains(", after ")),
        "{}",
        done.stdout
    );
    let posted = messages(&done.stdout).len();
    let arrived = done
        .stdout
        .lines()
        .filter(|l| l.starts_with("arrived "))
        .count();
    assert_eq!(arrived, posted, "each arrives, once:\n{}", done.stdout);
    assert!(
        done.stdout
            .contains(&format!("{posted} messages arrived, ")),
        "{}",
        done.stdout
    );
}

#[test]
fn own_calibrators_serve_what_was_in_before_and_a_refused_fit_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = [
        "rehearse",
        "--scenario",
        "own-calibrators",
        "--cycle",
        "0.6",
        "--into",
        "night",
    ];
    let done = run(folder.path(), &arguments).ends(1);
    let queue = only_queue(&folder.path().join("night/results"));
    let sheet = Table::read(&queue.join("sheet.csv"));
    let judged = |r: &&crate::table::Cells| ["standard", "sample"].contains(&r.text("kind"));
    for row in sheet.rows.iter().filter(judged) {
        let acetic = row.text("analyte") == "acetic acid";
        let served = if acetic {
            "stored-calibration.toml"
        } else {
            "queue:crocks"
        };
        assert_eq!(row.text("calibration"), served, "{row:?}");
        assert_eq!(row.judgement(), "accepted", "{row:?}");
        if row.text("kind") == "standard" {
            row.close("recovery_percent", if acetic { 94.0 } else { 100.0 }, 2.5);
        }
    }
    let alerts = Table::read(&queue.join("alerts.csv"));
    assert_eq!(alerts.rows.len(), 1, "{alerts:#?}");
    assert_eq!(
        (alerts.rows[0].text("check"), alerts.rows[0].text("analyte")),
        ("calibration", "acetic acid")
    );
    assert!(done.stdout.contains("acetic acid"), "{}", done.stdout);
}
