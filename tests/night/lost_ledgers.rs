//! A ledger that is lost is never begun anew in silence, neither at a start nor while the daemon runs; and a lock that is removed
//! lets nobody in.

use std::fs;
use std::path::{Path, PathBuf};

use crate::daemon::Daemon;
use crate::drifting;
use crate::hook::{Hook, Mood};
use crate::lab::Lab;

fn state(lab: &Lab) -> PathBuf {
    lab.root().join("state")
}

/// Everything that is kept in the state folder and below the results, but for SQLite's index of its log.
fn all(lab: &Lab) -> Vec<(PathBuf, Vec<u8>)> {
    let files = ["state", "results"].map(|below| lab.files(below));
    let mut out: Vec<_> = files
        .into_iter()
        .flatten()
        .map(|(name, (bytes, _))| (name, bytes))
        .collect();
    out.retain(|(name, _)| !name.to_string_lossy().ends_with("-shm"));
    out
}

/// Every command that needs the ledger says why not, in one line, ends with 3, and changes nothing.
#[track_caller]
fn refused(lab: &Lab, words: &[&str]) {
    let before = all(lab);
    let exports = lab.named("exports");
    for arguments in [
        &["watch"][..],
        &["process", exports.as_str()],
        &["summary"],
        &["check", "--ledger"],
    ] {
        let done = lab.run(arguments).ends(3);
        let said = done.text();
        for word in words {
            assert!(said.contains(word), "{arguments:?}: no {word:?} in {said}");
        }
        assert!(before == all(lab), "{arguments:?} changed something");
    }
}

#[test]
fn a_ledger_that_is_missing_at_a_start() {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    let (path, aside) = (
        state(&lab).join("ledger.sqlite"),
        lab.root().join("ledger.aside"),
    );
    fs::rename(&path, &aside).unwrap();
    refused(
        &lab,
        &[
            "ledger.sqlite",
            "found no ledger",
            "`machine`",
            "from a copy",
        ],
    );
    // Both ways out that it names.
    fs::rename(&aside, &path).unwrap();
    lab.process().ends(1);
    fs::remove_file(&path).unwrap();
    fs::remove_file(state(&lab).join("machine")).unwrap();
    lab.process().ends(1);
    lab.run(&["check", "--ledger"]).ends(0);
}

#[test]
fn a_log_without_its_ledger_is_not_written_over() {
    let lab = Lab::new();
    let mut daemon = lab.watch();
    drifting::play(&lab);
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 22);
    daemon.signal("KILL");
    let log = state(&lab).join("ledger.sqlite-wal");
    assert!(fs::metadata(&log).unwrap().len() > 0);
    // Nothing else says that there was a ledger.
    let (path, aside) = (
        state(&lab).join("ledger.sqlite"),
        lab.root().join("ledger.aside"),
    );
    fs::rename(&path, &aside).unwrap();
    fs::remove_file(state(&lab).join("machine")).unwrap();
    refused(&lab, &["found no ledger", "log"]);
    fs::rename(&aside, &path).unwrap();
    lab.process().ends(1);
    lab.run(&["check", "--ledger"]).ends(0);
}

/// Rows in the sheet; none while there is none.
fn rows(lab: &Lab) -> usize {
    let path = lab.results("crocks").join("sheet.csv");
    fs::read_to_string(path).map_or(0, |t| t.lines().count().saturating_sub(1))
}

fn moved(names: &[PathBuf], to: &Path) {
    fs::create_dir_all(to).unwrap();
    for name in names {
        fs::rename(name, to.join(name.file_name().unwrap())).unwrap();
    }
}

/// What begins with `ledger.sqlite` in a folder.
fn ledger_in(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path());
    let ours = |p: &PathBuf| {
        p.file_name()
            .unwrap()
            .to_string_lossy()
            .starts_with("ledger.")
    };
    entries.filter(ours).collect()
}

/// The ledger goes away at work and is put back: nothing lands meanwhile, it is told, and then nothing is missing.
fn away_and_back(away: impl Fn(&Lab, &Path), back: impl Fn(&Lab, &Path)) {
    use std::os::unix::fs::PermissionsExt as _;
    let hook = Hook::new(Mood::Status(200));
    let lab = Lab::new().section(&format!(
        "[alert.webhook]\nurl = \"{}\"\nsecret_file = \"secret\"\n\n[alert.heartbeat]\nfile = \"alive.txt\"\nevery_s = 1\n",
        hook.url()
    ));
    let secret = lab.write("secret", "a secret of some length\n");
    fs::set_permissions(secret, fs::Permissions::from_mode(0o600)).unwrap();
    lab.list("crocks", &drifting::rows());
    let mut daemon = lab.watch();
    (1..=3).for_each(|p| drifting::export(&lab, p));
    daemon.wait_until("three are in the sheet", || rows(&lab) == 6);
    let first = lab.sheet("crocks").column("landed_at")[0].to_owned();
    let aside = lab.root().join("aside");
    away(&lab, &aside);
    (4..=6).for_each(|p| drifting::export(&lab, p));
    lost(&lab, &mut daemon, &hook);
    assert_eq!(rows(&lab), 6, "landed in a ledger that is lost");
    let beat = fs::read(lab.root().join("alive.txt")).unwrap();
    back(&lab, &aside);
    (7..=11).for_each(|p| drifting::export(&lab, p));
    daemon.wait_until("everything is in the sheet", || rows(&lab) == 22);
    assert_eq!(
        lab.sheet("crocks").column("landed_at")[0],
        first,
        "a new ledger was begun"
    );
    daemon.wait_until("the sign of life goes on", || {
        fs::read(lab.root().join("alive.txt")).unwrap() != beat
    });
    daemon.stop();
    lab.run(&["check", "--ledger"]).ends(0);
}

/// It says so, by letter too.
fn lost(lab: &Lab, daemon: &mut Daemon, hook: &Hook) {
    daemon.wait_until("it says that the ledger is lost", || {
        let log = lab.watch_log();
        log.contains("the ledger cannot be written now")
            && log.contains("removed, moved or replaced")
    });
    daemon.wait_until("a letter says so", || {
        hook.accepted()
            .iter()
            .any(|p| p.body.contains("no-ledger|"))
    });
}

#[test]
fn its_files_go_away_at_work() {
    away_and_back(
        |lab, aside| moved(&ledger_in(&state(lab)), aside),
        |lab, aside| moved(&ledger_in(aside), &state(lab)),
    );
}

#[test]
fn its_folder_goes_away_at_work() {
    away_and_back(
        |lab, aside| fs::rename(state(lab), aside).unwrap(),
        // Put back over what may have been made there meanwhile: nothing.
        |lab, aside| fs::rename(aside, state(lab)).unwrap(),
    );
}

#[test]
fn an_empty_folder_comes_in_its_place_at_work() {
    away_and_back(
        |lab, aside| {
            fs::rename(state(lab), aside).unwrap();
            fs::create_dir(state(lab)).unwrap();
        },
        |lab, aside| {
            // It must be empty for that: nothing was begun there.
            fs::remove_dir(state(lab)).unwrap();
            fs::rename(aside, state(lab)).unwrap();
        },
    );
}

#[test]
fn an_order_to_stop_does_not_hide_that_it_is_lost() {
    let lab = Lab::new();
    let mut daemon = lab.watch();
    drifting::play(&lab);
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 22);
    fs::remove_dir_all(state(&lab)).unwrap();
    assert_eq!(daemon.signal("TERM").code(), Some(3), "{}", lab.watch_log());
}

#[test]
fn a_removed_lock_lets_nobody_in() {
    let lab = Lab::new();
    lab.list("crocks", &drifting::rows());
    let mut daemon = lab.watch();
    let lock = state(&lab).join("lock");
    for deed in ["remove", "replace"] {
        match deed {
            "remove" => fs::remove_file(&lock).unwrap(),
            _ => fs::write(&lock, "").unwrap(),
        }
        let exports = lab.named("exports");
        for arguments in [&["watch"][..], &["process", exports.as_str()], &["summary"]] {
            let second = lab.run(arguments).ends(3);
            assert!(
                second.stderr.contains("another runsitter"),
                "{deed}: {}",
                second.stderr
            );
        }
    }
    drifting::export(&lab, 1);
    daemon.wait_until("the first goes on", || rows(&lab) == 2);
    daemon.stop();
    assert!(!lab.watch_log().contains("ERROR"), "{}", lab.watch_log());
}
