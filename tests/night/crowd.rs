//! More files at once than the kernel's queue of events holds.

use std::fs;

use crate::chromatogram::both;
use crate::daemon::Daemon;
use crate::lab::Lab;
use crate::peak;

/// The daemon is stopped while the files appear, so that the queue overflows for certain.
fn pause(daemon: &Daemon, signal: &str) {
    let sent = std::process::Command::new("kill")
        .args([signal, &daemon.id().to_string()])
        .status();
    assert!(sent.unwrap().success());
}

/// A small trace: one sample each second.
fn coarse() -> String {
    let text = both(3.0).text("crowd");
    let mut lines = text.lines();
    let header = lines.next().unwrap();
    std::iter::once(header)
        .chain(lines.step_by(4))
        .map(|l| format!("{l}\n"))
        .collect()
}

/// Lays `others` files of other kinds and `traces` traces of one content into the folder at once.
fn crowd(others: usize, traces: usize, bound: f64) {
    let most: usize = fs::read_to_string("/proc/sys/fs/inotify/max_queued_events")
        .unwrap()
        .trim()
        .parse()
        .unwrap();
    assert!(others + traces > most, "the queue holds {most} events");
    let lab = Lab::new();
    let mut daemon = lab.watch();
    pause(&daemon, "-STOP");
    let folder = lab.exports();
    for k in 0..others {
        fs::File::create(folder.join(format!("other-{k:05}.raw"))).unwrap();
    }
    let first = lab.export_as("exports/trace-00000.csv", &coarse());
    for k in 1..traces {
        fs::hard_link(&first, folder.join(format!("trace-{k:05}.csv"))).unwrap();
    }
    let started = std::time::Instant::now();
    pause(&daemon, "-CONT");
    let sheet = lab.results("unlisted-2026-09-21").join("sheet.csv");
    let lines = || fs::read(&sheet).map_or(0, |b| b.iter().filter(|b| **b == b'\n').count());
    daemon.wait_until("every trace is in the sheet", || lines() > 2 * traces);
    let took = started.elapsed();
    let mib = peak::of(daemon.id()).unwrap();
    daemon.stop();
    assert_eq!(lab.all_names().len(), traces);
    assert_eq!(lab.sheet("unlisted-2026-09-21").rows.len(), 2 * traces);
    println!("{} files in {took:.1?}", others + traces);
    peak::within(&format!("{} files at once", others + traces), mib, bound);
}

#[test]
fn more_files_than_the_kernel_has_events_for() {
    crowd(17_000, 400, 100.0);
}

/// `.ci/run` asks for this one by its name.
#[test]
#[ignore = "50,000 files: run by .ci/run"]
fn fifty_thousand_files_at_once() {
    crowd(30_000, 20_000, 200.0);
}
