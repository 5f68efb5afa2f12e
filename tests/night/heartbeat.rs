//! The sign of life: it goes on only while everything works.

use std::fs;
use std::time::SystemTime;

use crate::calm;
use crate::daemon::Daemon;
use crate::lab::Lab;

fn laboratory() -> Lab {
    Lab::new()
        .station("poll_s = 0.2")
        .section("\n[alert.heartbeat]\nfile = \"alive.txt\"\nevery_s = 1\n")
}

fn written(lab: &Lab) -> SystemTime {
    let meta = fs::metadata(lab.root().join("alive.txt"));
    meta.and_then(|m| m.modified())
        .unwrap_or(SystemTime::UNIX_EPOCH)
}

#[track_caller]
fn beats(lab: &Lab, daemon: &mut Daemon, why: &str) {
    let before = written(lab);
    daemon.wait_until(why, || written(lab) > before);
}

/// After the daemon has said that something does not work, the file stands still.
#[track_caller]
fn stands_still(lab: &Lab, daemon: &mut Daemon, times: usize) {
    let log = lab.root().join("watch.log");
    daemon.wait_until("it says so", || {
        fs::read_to_string(&log).is_ok_and(|t| t.matches("no sign of life").count() >= times)
    });
    let before = written(lab);
    std::thread::sleep(std::time::Duration::from_millis(2500));
    assert_eq!(written(lab), before);
}

#[test]
fn the_file_says_when_and_where_the_queues_stand() {
    let lab = laboratory();
    let mut daemon = lab.watch();
    beats(&lab, &mut daemon, "the first sign of life");
    let text = fs::read_to_string(lab.root().join("alive.txt")).unwrap();
    assert!(text.ends_with("Z acids: idle\n"), "{text}");
    lab.list("crocks", &calm::rows());
    calm::export(&lab, 1);
    daemon.wait_until("the queue is named", || {
        fs::read_to_string(lab.root().join("alive.txt"))
            .is_ok_and(|t| t.ends_with("Z acids: crocks 1 of 7\n"))
    });
    daemon.stop();
}

#[test]
fn it_stops_while_results_cannot_be_written_and_goes_on_after() {
    let lab = laboratory();
    let mut daemon = lab.watch();
    beats(&lab, &mut daemon, "the first sign of life");
    // A file where the folder was: nothing can be written there, whoever runs the test.
    let (results, aside) = (lab.root().join("results"), lab.root().join("aside"));
    if results.exists() {
        fs::rename(&results, &aside).unwrap();
    }
    fs::write(&results, "").unwrap();
    stands_still(&lab, &mut daemon, 1);
    fs::remove_file(&results).unwrap();
    beats(&lab, &mut daemon, "it goes on");
    daemon.stop();
}

#[test]
fn it_stops_while_the_watched_folder_is_gone_and_goes_on_after() {
    let lab = laboratory();
    let mut daemon = lab.watch();
    beats(&lab, &mut daemon, "the first sign of life");
    let aside = lab.root().join("exports-aside");
    fs::rename(lab.exports(), &aside).unwrap();
    stands_still(&lab, &mut daemon, 1);
    fs::rename(&aside, lab.exports()).unwrap();
    beats(&lab, &mut daemon, "it goes on");
    daemon.stop();
}

#[test]
fn it_stops_when_the_ledger_cannot_be_written() {
    let lab = laboratory();
    let mut daemon = lab.watch();
    beats(&lab, &mut daemon, "the first sign of life");
    // Somebody holds the database: SQLite waits five seconds, then gives up.
    let ledger = rusqlite::Connection::open(lab.root().join("state/ledger.sqlite")).unwrap();
    ledger.execute_batch("BEGIN IMMEDIATE").unwrap();
    stands_still(&lab, &mut daemon, 1);
    ledger.execute_batch("ROLLBACK").unwrap();
    beats(&lab, &mut daemon, "it goes on");
    daemon.stop();
}
