//! Restarts, and the daemon against the same work done once.

use crate::calm;
use crate::drifting;
use crate::lab::{Lab, run};
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

fn results(lab: &Lab) -> Vec<(&'static str, String)> {
    let read = |name| {
        std::fs::read_to_string(lab.results("crocks").join(name))
            .unwrap_or_else(|e| panic!("{name}: {e}"))
    };
    FILES
        .iter()
        .map(|name| (*name, without_times(&read(name))))
        .collect()
}

/// A night that nobody disturbed.
fn undisturbed() -> Lab {
    let lab = Lab::new();
    calm::play(&lab);
    lab.process().ends(0);
    lab
}

#[track_caller]
fn same(one: &Lab, other: &Lab) {
    for ((name, a), (_, b)) in results(one).into_iter().zip(results(other)) {
        assert_eq!(a, b, "{name} differs");
    }
}

fn rows(lab: &Lab) -> usize {
    lab.sheet("crocks").rows.len()
}

#[test]
fn process_and_watch_end_in_the_same_bytes() {
    let (once, watched) = (Lab::new(), Lab::new());
    drifting::play(&once);
    once.process().ends(1);
    drifting::play(&watched);
    let mut daemon = watched.watch();
    daemon.wait_until("the night is in the sheet", || rows(&watched) == 22);
    daemon.stop();
    same(&once, &watched);
    assert_eq!(
        once.messages().keys().collect::<Vec<_>>(),
        watched.messages().keys().collect::<Vec<_>>()
    );
    // What a message says of the rerun list depends on when it was written; what it is about does not.
    let subjects = |lab: &Lab| -> Vec<String> {
        let first = |text: &String| text.lines().next().unwrap_or_default().to_owned();
        lab.messages().values().map(first).collect()
    };
    assert_eq!(subjects(&once), subjects(&watched));
}

#[test]
fn one_by_one_ends_as_all_at_once() {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    let mut daemon = lab.watch();
    for position in 1..=7 {
        calm::export(&lab, position);
        daemon.wait_until("the trace is in the sheet", || rows(&lab) == 2 * position);
    }
    daemon.stop();
    same(&undisturbed(), &lab);
}

#[test]
fn a_backlog_is_taken_in_the_order_in_which_it_was_written() {
    let lab = Lab::new();
    for name in ["zebra", "apple", "mango"] {
        lab.export(name, &crate::chromatogram::both(3.0));
    }
    let mut daemon = lab.watch();
    daemon.wait_until("the backlog is in the sheet", || {
        lab.sheet("unlisted-2026-09-21").rows.len() == 6
    });
    daemon.stop();
    let sheet = lab.sheet("unlisted-2026-09-21");
    let names: Vec<&str> = sheet.column("name").into_iter().step_by(2).collect();
    assert_eq!(names, ["zebra", "apple", "mango"]);
}

#[test]
fn a_restart_in_the_middle_leaves_no_mark() {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    let mut daemon = lab.watch();
    (1..=3).for_each(|p| calm::export(&lab, p));
    daemon.wait_until("the first half is in the sheet", || rows(&lab) == 6);
    daemon.stop();
    let before = lab.sheet("crocks").rows;
    (4..=7).for_each(|p| calm::export(&lab, p));
    let mut daemon = lab.watch();
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 14);
    assert_eq!(
        lab.sheet("crocks").rows[..4],
        before[..4],
        "what landed before the restart keeps its time"
    );
    assert_eq!(daemon.signal("INT").code(), Some(0));
    same(&undisturbed(), &lab);
}

#[test]
fn a_crash_in_the_middle_leaves_no_mark() {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    for half in [1..=4, 5..=6] {
        let mut daemon = lab.watch();
        let before = rows(&lab);
        half.for_each(|p| calm::export(&lab, p));
        daemon.wait_until("something is in the sheet", || rows(&lab) > before);
        daemon.signal("KILL");
    }
    calm::export(&lab, 7);
    let mut daemon = lab.watch();
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 14);
    daemon.stop();
    same(&undisturbed(), &lab);
}

#[test]
fn a_restart_tells_nothing_twice() {
    let lab = Lab::new();
    drifting::play(&lab);
    let mut daemon = lab.watch();
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 22);
    daemon.stop();
    let before = lab.files("results");
    let mut daemon = lab.watch();
    lab.export("stray", &crate::chromatogram::both(1.0));
    daemon.wait_until("it works again", || {
        lab.sheet("unlisted-2026-09-21").rows.len() == 2
    });
    daemon.stop();
    let mut after = lab.files("results");
    after.retain(|path, _| !path.to_string_lossy().contains("unlisted-"));
    assert!(
        before == after,
        "a restart changed a result of a finished night"
    );
}

#[test]
fn an_order_to_stop_in_a_backlog_is_obeyed_and_nothing_is_lost() {
    let lab = Lab::new();
    let text = crate::chromatogram::both(3.0).text("x");
    for k in 0..150 {
        lab.export_as(&format!("exports/b-{k:03}.csv"), &text);
    }
    let daemon = lab.watch();
    std::thread::sleep(std::time::Duration::from_millis(250));
    daemon.stop();
    let mut daemon = lab.watch();
    let landed = || {
        (21..25)
            .map(|day| lab.sheet(&format!("unlisted-2026-09-{day}")).rows.len())
            .sum::<usize>()
    };
    daemon.wait_until("the backlog is in the sheets", || landed() == 300);
    daemon.stop();
}

#[test]
fn a_sheet_that_somebody_spoiled_is_whole_again_with_the_next_trace() {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    let mut daemon = lab.watch();
    calm::export(&lab, 1);
    daemon.wait_until("the first trace is in the sheet", || rows(&lab) == 2);
    std::fs::remove_file(lab.results("crocks").join("sheet.csv")).unwrap();
    calm::export(&lab, 2);
    daemon.wait_until("both are in the sheet", || rows(&lab) == 4);
    std::fs::write(
        lab.results("crocks").join("sheet.csv"),
        "saved by a spreadsheet\n",
    )
    .unwrap();
    calm::export(&lab, 3);
    daemon.wait_until("all three are in the sheet", || {
        std::fs::read_to_string(lab.results("crocks").join("sheet.csv"))
            .unwrap()
            .lines()
            .count()
            == 7
    });
    daemon.stop();
    assert_eq!(lab.sheet("crocks").rows.len(), 6);
}

#[test]
fn results_that_cannot_be_written_now_are_written_later() {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    let results = lab.write("results", "a share that is gone");
    let mut daemon = lab.watch();
    calm::export(&lab, 1);
    let log = lab.root().join("watch.log");
    daemon.wait_until("it says so", || {
        std::fs::read_to_string(&log).is_ok_and(|l| l.contains("cannot be written now"))
    });
    std::fs::remove_file(results).unwrap();
    daemon.wait_until("the sheet is there", || rows(&lab) == 2);
    daemon.stop();
    assert!(!lab.summary("crocks").is_empty());
}

#[test]
fn results_lost_while_it_slept_are_made_again() {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    let (before, messages) = (results(&lab), lab.messages());
    std::fs::remove_dir_all(lab.root().join("results")).unwrap();
    lab.process().ends(1);
    assert_eq!(before, results(&lab));
    assert_eq!(messages, lab.messages());
}

#[test]
fn the_morning_after_process_adds_nothing_to_what_watch_did() {
    let lab = Lab::new();
    calm::play(&lab);
    let mut daemon = lab.watch();
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 14);
    daemon.stop();
    let before = lab.files("results");
    lab.process().ends(0);
    assert!(
        before == lab.files("results"),
        "process changed what watch had written"
    );
}

#[test]
fn a_second_daemon_on_the_same_ledger_is_refused() {
    let lab = Lab::new();
    let daemon = lab.watch();
    let second = run(lab.root(), &["watch"]).ends(3);
    assert!(
        second.stderr.contains("state"),
        "it names the folder: {}",
        second.stderr
    );
    assert_eq!(second.stderr.trim().lines().count(), 1, "{}", second.stderr);
    let once = lab.process().ends(3);
    assert_eq!(once.stderr.trim().lines().count(), 1, "{}", once.stderr);
    // To look does not need the ledger.
    lab.run(&["check"]).ends(0);
    daemon.stop();
    lab.process().ends(0);
}
