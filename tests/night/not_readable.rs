//! What may not be read: it is told, the sign of life stops, and what becomes readable is evaluated without a restart.

use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, SystemTime};

use crate::calm;
use crate::daemon::Daemon;
use crate::lab::{Lab, program};

fn lab() -> Lab {
    Lab::new()
        .station("settle_s = 0.1\npoll_s = 0.1")
        .section("\n[alert.heartbeat]\nfile = \"alive.txt\"\nevery_s = 1\n")
}

/// The program without the right of the administrator to read everything.
fn without_rights(lab: &Lab) -> Command {
    let closed = lab.write("closed", "");
    mode(&closed, 0);
    if fs::read(&closed).is_err() {
        return program();
    }
    let usual = program();
    let mut command = Command::new("setpriv");
    command
        .args(["--bounding-set=-dac_override,-dac_read_search", "--"])
        .arg(usual.get_program())
        .env("TZ", "UTC")
        .env_remove("NOTIFY_SOCKET");
    command
}

fn mode(path: &Path, bits: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(bits)).unwrap();
}

fn beat(lab: &Lab) -> SystemTime {
    let meta = fs::metadata(lab.root().join("alive.txt"));
    meta.and_then(|m| m.modified())
        .unwrap_or(SystemTime::UNIX_EPOCH)
}

fn start(lab: &Lab) -> Daemon {
    let mut daemon = Daemon::start_by(without_rights(lab), lab.root(), "runsitter=info");
    daemon.wait_until("the first sign of life", || {
        beat(lab) > SystemTime::UNIX_EPOCH
    });
    daemon
}

/// The message that files cannot be read, in one line.
fn told(lab: &Lab) -> Option<String> {
    let messages = lab.messages();
    let (_, body) = messages
        .iter()
        .find(|(name, _)| name.starts_with("files-not-read-"))?;
    Some(body.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// It is told, with these words, and there is no sign of life; after the mending there is one again.
fn is_told_until(lab: &Lab, daemon: &mut Daemon, words: &str, mend: impl FnOnce()) {
    daemon.wait_until("it is told", || told(lab).is_some());
    let message = told(lab).unwrap();
    assert!(message.contains(words), "{message}");
    daemon.wait_until("no sign of life is said", || {
        fs::read_to_string(lab.root().join("watch.log"))
            .is_ok_and(|log| log.contains("no sign of life"))
    });
    let before = beat(lab);
    std::thread::sleep(Duration::from_millis(2200));
    assert_eq!(beat(lab), before, "the sign of life goes on");
    mend();
    daemon.wait_until("the sign of life goes on", || beat(lab) > before);
}

fn rows(lab: &Lab) -> usize {
    let path = lab.results("crocks").join("sheet.csv");
    fs::read_to_string(path).map_or(0, |text| text.lines().count())
}

#[test]
fn a_run_list_that_may_not_be_read() {
    let lab = lab();
    lab.list("crocks", &calm::rows());
    let list = lab.exports().join("crocks.runlist.csv");
    mode(&list, 0);
    calm::export(&lab, 1);
    let mut daemon = start(&lab);
    is_told_until(
        &lab,
        &mut daemon,
        "crocks.runlist.csv: Permission denied",
        || {
            mode(&list, 0o644);
        },
    );
    daemon.wait_until("the trace is in the list's sheet", || rows(&lab) > 1);
    daemon.stop();
    let log = daemon_log(&lab);
    let said = log.matches("a run list cannot be read").count();
    assert_eq!(said, 1, "{log}");
}

fn daemon_log(lab: &Lab) -> String {
    fs::read_to_string(lab.root().join("watch.log")).unwrap()
}

#[test]
fn traces_that_may_not_be_read() {
    let lab = lab();
    lab.list("crocks", &calm::rows());
    (1..=3).for_each(|k| calm::export(&lab, k));
    let paths: Vec<_> = fs::read_dir(lab.exports())
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| !p.to_string_lossy().contains("runlist"))
        .collect();
    paths.iter().for_each(|p| mode(p, 0));
    let mut daemon = start(&lab);
    let words = "Permission denied (os error 13) (2 more like it)";
    is_told_until(&lab, &mut daemon, words, || {
        paths.iter().for_each(|p| mode(p, 0o644));
    });
    daemon.wait_until("all are in the sheet", || rows(&lab) > 6);
    daemon.stop();
}

#[test]
fn a_folder_within_that_may_not_be_entered() {
    let lab = lab();
    lab.list("crocks", &calm::rows());
    let within = lab.exports().join("day-2");
    fs::create_dir(&within).unwrap();
    mode(&within, 0);
    let mut daemon = start(&lab);
    is_told_until(&lab, &mut daemon, "day-2: Permission denied", || {
        mode(&within, 0o755);
    });
    daemon.stop();
}

#[test]
fn a_folder_that_is_empty_on_another_disk_is_a_share_that_is_not_mounted() {
    let lab = lab();
    // Shared memory is a disk of its own.
    let place = tempfile::tempdir_in("/dev/shm").unwrap();
    let share = lab.root().join("share");
    fs::create_dir(&share).unwrap();
    fs::remove_dir(lab.exports()).unwrap();
    let link = |to: &Path| {
        let beside = lab.root().join("beside");
        symlink(to, &beside).unwrap();
        fs::rename(&beside, lab.exports()).unwrap();
    };
    link(&share);
    lab.list("crocks", &calm::rows());
    let mut daemon = start(&lab);
    calm::export(&lab, 1);
    daemon.wait_until("the trace is in the sheet", || rows(&lab) > 1);
    let before = beat(&lab);
    link(place.path());
    daemon.wait_until("it is said", || {
        daemon_log(&lab).contains("a watched folder is empty and lies on another disk than before")
    });
    std::thread::sleep(Duration::from_millis(1500));
    let silent = beat(&lab);
    std::thread::sleep(Duration::from_millis(2200));
    assert_eq!(beat(&lab), silent, "the sign of life goes on");
    link(&share);
    daemon.wait_until("the sign of life goes on", || {
        beat(&lab) > silent.max(before)
    });
    daemon.stop();
}
