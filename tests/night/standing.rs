//! Results that are gone, old or elsewhere: what stands in the ledger stands in the folder again, in life and at the next start.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::time::SystemTime;

use crate::drifting;
use crate::joining::{self, FIRST, first_night, lay_list, less, traces};
use crate::lab::Lab;

const FILES: [&str; 6] = [
    "sheet.csv",
    "time-course.csv",
    "replicates.csv",
    "rerun.csv",
    "alerts.csv",
    "summary.txt",
];

/// A sign of life every second: so often is proved that everything is well.
fn lively() -> Lab {
    Lab::new().section("\n[alert.heartbeat]\nfile = \"alive.txt\"\nevery_s = 1\n")
}

fn bytes(lab: &Lab) -> BTreeMap<PathBuf, Vec<u8>> {
    let all = lab.files("results").into_iter();
    // What is being written has no name yet.
    all.filter(|(name, _)| !name.to_string_lossy().contains(".writing-"))
        .map(|(name, (bytes, _))| (name, bytes))
        .collect()
}

fn copy(of: &std::path::Path) -> Vec<(PathBuf, Vec<u8>, SystemTime)> {
    FILES
        .iter()
        .map(|name| {
            let path = of.join(name);
            let time = fs::metadata(&path).unwrap().modified().unwrap();
            (path.clone(), fs::read(&path).unwrap(), time)
        })
        .collect()
}

fn put_back(files: &[(PathBuf, Vec<u8>, SystemTime)]) {
    for (path, bytes, time) in files {
        fs::write(path, bytes).unwrap();
        let file = fs::File::options().write(true).open(path).unwrap();
        file.set_modified(*time).unwrap();
    }
}

#[test]
fn what_is_missing_or_old_of_an_ended_queue_is_made_again_at_the_next_start() {
    let lab = lively();
    drifting::play(&lab);
    lab.process().ends(1);
    let expected = bytes(&lab);
    // One file is gone, another is that of an earlier hour: a share that was away for a while.
    fs::remove_file(lab.results("crocks").join("summary.txt")).unwrap();
    let mut daemon = lab.watch();
    daemon.wait_until("the missing file is there", || bytes(&lab) == expected);
    daemon.stop();
    let sheet = lab.results("crocks").join("sheet.csv");
    let time = fs::metadata(&sheet).unwrap().modified().unwrap();
    let earlier = time - std::time::Duration::from_secs(60);
    put_back(&[(sheet.clone(), b"half a night\n".to_vec(), earlier)]);
    let mut daemon = lab.watch();
    daemon.wait_until("the old file is made again", || bytes(&lab) == expected);
    daemon.stop();
    fs::remove_dir_all(lab.root().join("results")).unwrap();
    let mut daemon = lab.watch();
    daemon.wait_until("all of it is there", || bytes(&lab) == expected);
    daemon.stop();
}

#[test]
fn what_is_sound_is_left_alone_and_what_a_person_saved_too() {
    let lab = lively();
    drifting::play(&lab);
    lab.process().ends(1);
    let sheet = lab.results("crocks").join("sheet.csv");
    let mut text = fs::read(&sheet).unwrap();
    text.extend(b"my own remark\n");
    let later = SystemTime::now() + std::time::Duration::from_secs(60);
    put_back(&[(sheet, text, later)]);
    let before = lab.files("results");
    let mut daemon = lab.watch();
    daemon.wait_until("there is a sign of life", || {
        lab.root().join("alive.txt").exists()
    });
    daemon.stop();
    assert!(before == lab.files("results"), "a start changed a result");
}

#[test]
fn results_that_are_removed_while_it_watches_are_written_again() {
    let lab = lively();
    lab.list("crocks", &drifting::rows());
    (1..=6).for_each(|p| drifting::export(&lab, p));
    let mut daemon = lab.watch();
    daemon.wait_until("the message is there", || !lab.messages().is_empty());
    daemon.wait_until("six have landed", || {
        lab.summary("crocks").contains("6 of 11 injections landed")
    });
    let expected = bytes(&lab);
    // A file of a queue that runs.
    fs::remove_file(lab.results("crocks").join("rerun.csv")).unwrap();
    daemon.wait_until("the file is there again", || bytes(&lab) == expected);
    fs::remove_file(lab.results("crocks").join("sheet.csv")).unwrap();
    daemon.wait_until("the sheet is there again", || bytes(&lab) == expected);
    // The whole folder, and another one in its place that holds what stood there before.
    let (results, aside) = (lab.root().join("results"), lab.root().join("aside"));
    fs::rename(&results, &aside).unwrap();
    daemon.wait_until("all of it is there again", || bytes(&lab) == expected);
    assert!(
        daemon.log().contains("another one than before"),
        "{}",
        daemon.log()
    );
    daemon.stop();
}

#[test]
fn a_share_that_was_away_while_its_queue_ended_is_brought_up_to_date() {
    let lab = lively();
    // A link stands for the mount: what it points at changes from one instant to the next.
    let point = |at: &str| {
        let folder = lab.root().join(at);
        fs::create_dir_all(&folder).unwrap();
        std::os::unix::fs::symlink(&folder, lab.root().join("link")).unwrap();
        fs::rename(lab.root().join("link"), lab.root().join("results")).unwrap();
    };
    point("share");
    lab.list("crocks", &drifting::rows());
    (1..=3).for_each(|p| drifting::export(&lab, p));
    let mut daemon = lab.watch();
    daemon.wait_until("three have landed", || {
        lab.summary("crocks").contains("3 of 11 injections landed")
    });
    point("empty");
    (4..=11).for_each(|p| drifting::export(&lab, p));
    daemon.wait_until("it has ended", || daemon_ended(&lab));
    point("share");
    daemon.wait_until("the share is up to date", || {
        lab.summary("crocks").contains("11 of 11 injections landed")
            && lab.sheet("crocks").rows.len() == 22
            && lab.messages().len() == 1
    });
    daemon.stop();
    let expected = bytes(&lab);
    let mut daemon = lab.watch();
    daemon.wait_until("it watches again", || lab.root().join("alive.txt").exists());
    daemon.stop();
    assert!(bytes(&lab) == expected);
}

fn daemon_ended(lab: &Lab) -> bool {
    lab.watch_log().contains("the queue has ended")
}

/// The first night has ended. Its repeats land while a file of it cannot be written; what it should say is written by the next
/// start, though nothing of it lands any more.
#[test]
fn what_an_ended_night_owes_is_written_after_a_restart() {
    let list = {
        let lab = Lab::new();
        first_night(&lab, true);
        lab.process().ends(1);
        fs::read_to_string(lab.results("crocks").join("rerun.csv")).unwrap()
    };
    let lab = lively();
    first_night(&lab, true);
    lab.process().ends(1);
    let before = copy(&lab.results("crocks"));
    let rerun = lab.results("crocks").join("rerun.csv");
    fs::remove_file(&rerun).unwrap();
    fs::create_dir(&rerun).unwrap();
    let mut daemon = lab.watch();
    lay_list(&lab, "crocks-rerun", &list, FIRST + 1);
    traces(&lab, &list, &less);
    daemon.wait_until("the second night has ended", || {
        lab.summary("crocks-rerun")
            .starts_with("crocks-rerun: all 8")
            && daemon_ended(&lab)
    });
    daemon.stop();
    fs::remove_dir(&rerun).unwrap();
    // As a kill leaves them: whole, of the time when the night ended.
    put_back(&before);
    assert_eq!(lab.rerun("crocks").rows.len(), 9);
    let mut daemon = lab.watch();
    daemon.wait_until("the first night asks for nothing any more", || {
        lab.rerun("crocks").rows.is_empty()
    });
    daemon.stop();
    let expected = joining::one_after_the_other();
    for name in FILES {
        let read = |lab: &Lab| fs::read_to_string(lab.results("crocks").join(name)).unwrap();
        let plain = |lab: &Lab| crate::words::without_times(&read(lab));
        assert_eq!(plain(&lab), plain(&expected), "{name}");
    }
}
