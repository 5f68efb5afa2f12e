//! Ledgers that cannot be used are left as they are, byte for byte; and what was changed in one behind the program's back shows.

use std::collections::BTreeMap;
use std::fs;
use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::PathBuf;

use crate::calm;
use crate::drifting;
use crate::lab::{Done, Lab};

/// A night in the ledger, with nothing left in its log.
fn lab() -> Lab {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    lab
}

fn path(lab: &Lab) -> PathBuf {
    lab.root().join("state/ledger.sqlite")
}

fn open(lab: &Lab) -> rusqlite::Connection {
    rusqlite::Connection::open(path(lab)).unwrap()
}

/// Content of all files that are not SQLite's index of its log.
fn state(lab: &Lab) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut out: BTreeMap<_, _> = lab
        .files("state")
        .into_iter()
        .map(|(name, (bytes, _))| (name, bytes))
        .collect();
    out.retain(|name, bytes| {
        let name = name.to_string_lossy();
        !(name.ends_with("-shm") || name.ends_with("-wal") && bytes.is_empty())
    });
    out
}

/// Every command that needs the ledger says why not, in one line, ends with 3, and changes nothing.
#[track_caller]
fn refused(lab: &Lab, words: &[&str]) {
    let before = state(lab);
    let exports = lab.named("exports");
    for arguments in [&["watch"][..], &["process", exports.as_str()], &["summary"]] {
        let done: Done = lab.run(arguments).ends(3);
        assert_eq!(done.stderr.trim().lines().count(), 1, "{}", done.stderr);
        for word in words {
            assert!(done.stderr.contains(word), "no {word:?} in {}", done.stderr);
        }
        assert!(
            before == state(lab),
            "{arguments:?} changed the state folder"
        );
    }
}

#[test]
fn a_ledger_of_a_newer_version() {
    let lab = lab();
    open(&lab).pragma_update(None, "user_version", 99).unwrap();
    refused(
        &lab,
        &["ledger.sqlite", "version 99", "use the newer runsitter"],
    );
    lab.run(&["check", "--ledger"]).ends(3);
}

#[test]
fn a_damaged_page() {
    let lab = lab();
    let size = fs::metadata(path(&lab)).unwrap().len();
    let mut file = fs::File::options().write(true).open(path(&lab)).unwrap();
    for page in 3..size / 4096 - 1 {
        file.seek(SeekFrom::Start(page * 4096)).unwrap();
        file.write_all(&[0x5a; 64]).unwrap();
    }
    drop(file);
    refused(&lab, &["ledger.sqlite", "is damaged", "left as it is"]);
    lab.run(&["check", "--ledger"]).ends(3);
}

#[test]
fn a_ledger_that_is_cut_off_or_empty_or_something_else() {
    let lab = lab();
    let whole = fs::read(path(&lab)).unwrap();
    fs::write(path(&lab), &whole[..whole.len() / 2]).unwrap();
    refused(&lab, &["is damaged"]);
    fs::write(path(&lab), "").unwrap();
    refused(&lab, &["is damaged", "empty"]);
    fs::write(path(&lab), "these are my notes\n".repeat(500)).unwrap();
    refused(&lab, &["is damaged"]);
    fs::remove_file(path(&lab)).unwrap();
    let other = open(&lab);
    other
        .execute_batch("CREATE TABLE recipe (salt REAL)")
        .unwrap();
    drop(other);
    refused(&lab, &["another program"]);
    // What the message says helps: a new ledger is begun, and the files are read again.
    fs::remove_file(path(&lab)).unwrap();
    fs::remove_file(lab.root().join("state/machine")).unwrap();
    lab.process().ends(1);
    fs::write(path(&lab), whole).unwrap();
    lab.process().ends(1);
    lab.run(&["check", "--ledger"]).ends(0);
}

#[test]
fn a_state_folder_from_another_machine() {
    let lab = lab();
    let mark = lab.root().join("state/machine");
    let text = fs::read_to_string(&mark).unwrap();
    let id = fs::read_to_string("/etc/machine-id").unwrap_or_default();
    if id.trim().is_empty() {
        // Machines cannot be told apart here.
        return assert!(text.starts_with("- "), "{text}");
    }
    assert!(
        !text.contains(id.trim()),
        "the number itself stays where it is"
    );
    fs::write(&mark, format!("{} old-pc\n", "ab".repeat(32))).unwrap();
    refused(&lab, &["another machine (old-pc)", "remove this file"]);
    fs::remove_file(&mark).unwrap();
    lab.process().ends(1);
    assert_eq!(fs::read_to_string(&mark).unwrap(), text);
}

#[test]
fn what_a_power_cut_leaves_of_the_lock_stops_nobody() {
    let lab = lab();
    fs::write(lab.root().join("state/lock"), "held by 4711").unwrap();
    lab.process().ends(1);
    let daemon = lab.watch();
    for arguments in [&["watch"][..], &["summary"]] {
        let second = lab.run(arguments).ends(3);
        assert!(
            second.stderr.contains("another runsitter"),
            "{}",
            second.stderr
        );
    }
    // The chain can be walked beside a daemon at work.
    lab.run(&["check", "--ledger"]).ends(0);
    daemon.signal("KILL");
    lab.process().ends(1);
}

#[test]
fn a_record_that_was_changed_removed_or_put_in_shows() {
    for (sql, words) in [
        (
            "UPDATE landing SET sha256 = 'other' WHERE id = 4",
            "landing 4 (crocks-04) is not what record",
        ),
        (
            "UPDATE landing SET queue = 'other' WHERE id = 4",
            "landing 4 (crocks-04) is not what record",
        ),
        ("DELETE FROM landing WHERE id = 5", "landing 5, record"),
        (
            "UPDATE alert SET record = record || ' ' WHERE id = 1",
            "alert 1 (recovery|slot:crocks-05|lactic acid) is not what record",
        ),
        (
            "INSERT INTO alert (station, queue, key, raised_ns, record) SELECT station, queue, key, raised_ns, record FROM alert LIMIT 1",
            "put in from outside",
        ),
        ("DELETE FROM run_list", "run_list 1, record"),
        (
            "UPDATE document SET content = content || '# ' WHERE kind = 'method'",
            "method.toml) is not what record",
        ),
        ("DELETE FROM used WHERE id = 1", "used 1, record"),
        (
            "UPDATE chain SET digest = zeroblob(32) WHERE id = 3",
            "record 3 of the chain",
        ),
        (
            "DELETE FROM chain WHERE id = 3",
            "record 3 of the chain is missing",
        ),
    ] {
        let lab = lab();
        assert!(open(&lab).execute(sql, []).unwrap() > 0, "{sql}");
        let done = lab.run(&["check", "--ledger"]).ends(3);
        let wrong: Vec<&str> = done
            .stdout
            .lines()
            .filter(|l| l.contains("WRONG"))
            .collect();
        assert!(wrong.iter().any(|l| l.contains(words)), "{sql}: {wrong:#?}");
        assert!(
            wrong.len() <= 3,
            "one deed, at most three breaks: {wrong:#?}"
        );
    }
}

/// What the summary prints behind `ledger record`.
fn record(lab: &Lab) -> String {
    let summary = lab.summary("crocks");
    let line = summary
        .lines()
        .find_map(|l| l.strip_prefix("  ledger record "));
    line.unwrap_or_else(|| panic!("{summary}")).to_owned()
}

#[test]
fn the_summary_names_a_record_that_can_be_looked_up() {
    let lab = lab();
    let record = record(&lab);
    let look = |lab: &Lab, record: &str| lab.run(&["check", "--ledger", "--record", record]);
    let done = look(&lab, &record).ends(0);
    assert!(
        done.stdout.contains("as the summary says"),
        "{}",
        done.stdout
    );
    // A ledger that was made anew is whole in itself; the summary kept elsewhere gives it away.
    fs::remove_file(path(&lab)).unwrap();
    fs::remove_file(lab.root().join("state/machine")).unwrap();
    lab.process().ends(1);
    lab.run(&["check", "--ledger"]).ends(0);
    look(&lab, &record).ends(3);
    for bad in ["57", "x:abcdef12", "57:zz", "57:ab"] {
        look(&lab, bad).ends(2);
    }
    lab.run(&["check", "--record", &record]).ends(2);
}

#[test]
fn the_end_of_the_chain_cannot_be_cut_off_unseen() {
    let lab = lab();
    let record = record(&lab);
    let ledger = open(&lab);
    ledger
        .execute_batch(
            "DELETE FROM landing WHERE id = 11;
             DELETE FROM chain WHERE id >= (SELECT min(id) FROM chain WHERE of_table = 'landing' AND of_row = 11);
             DELETE FROM alert WHERE id NOT IN (SELECT of_row FROM chain WHERE of_table = 'alert');",
        )
        .unwrap();
    drop(ledger);
    lab.run(&["check", "--ledger", "--record", &record]).ends(3);
}

#[test]
fn a_method_or_calibration_changed_in_mid_queue_stands_in_the_summary() {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    (1..=3).for_each(|p| calm::export(&lab, p));
    let rows = |lab: &Lab| lab.sheet("crocks").rows.len();
    let mut daemon = lab.watch();
    daemon.wait_until("three are in the sheet", || rows(&lab) == 6);
    daemon.stop();
    assert!(
        !lab.summary("crocks").contains("changed after"),
        "{}",
        lab.summary("crocks")
    );
    let lab = lab.method(|m| m + "# checked again\n");
    let calibration = fs::read_to_string(lab.root().join("calibration.toml")).unwrap();
    lab.write("calibration.toml", &format!("{calibration}# looked at\n"));
    let mut daemon = lab.watch();
    (4..=7).for_each(|p| calm::export(&lab, p));
    daemon.wait_until("the night is in the sheet", || rows(&lab) == 14);
    daemon.stop();
    let summary = lab.summary("crocks").replace("\n  ", " ");
    for what in ["method", "calibration"] {
        let words = format!("the {what} changed after the first trace had landed");
        assert_eq!(summary.matches(&words).count(), 1, "{summary}");
    }
    let done = lab.run(&["check", "--ledger"]).ends(0);
    assert!(
        done.stdout.contains("each follows from the one before"),
        "{}",
        done.stdout
    );
}
