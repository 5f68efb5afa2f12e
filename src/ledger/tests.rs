use super::*;
use crate::night::Landing;
use crate::night::alarm::AlertChanges;
use crate::reading::{Evaluation, Unreadable};

fn landing(stem: &str, revision: u32, sha: &str) -> Landing {
    Landing {
        id: 0,
        stem: stem.to_owned(),
        file_name: format!("{stem}.csv"),
        sha256: sha.to_owned(),
        modified: Timestamp::from_second(1_700_000_000).unwrap(),
        landed_at: Timestamp::from_second(1_700_000_100).unwrap(),
        revision,
        evaluation: Evaluation::Unreadable(Unreadable {
            line: Some(3),
            message: "found text".to_owned(),
        }),
    }
}

fn land(ledger: &mut Ledger, queue: &str, mut l: Landing) -> i64 {
    let path = PathBuf::from(format!("/exports/{}", l.file_name));
    l.id = ledger.take_landing_id();
    let batch = [NewLanding {
        path: &path,
        size: 9,
        queue,
        landing: &l,
        method_sha256: "m",
    }];
    ledger.land("acids", &batch, &[]).unwrap();
    l.id
}

#[test]
fn the_last_content_of_a_name_counts_and_earlier_ones_stay() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    land(&mut ledger, "crocks", landing("a", 1, "one"));
    land(&mut ledger, "crocks", landing("b", 1, "two"));
    land(&mut ledger, "crocks", landing("a", 2, "three"));
    let now = ledger.landings("acids", "crocks").unwrap();
    let shas: Vec<_> = now.iter().map(|s| s.landing.sha256.as_str()).collect();
    assert_eq!(shas, ["two", "three"]);
    let all: i64 = ledger
        .connection
        .query_row("SELECT count(*) FROM landing", [], |r| r.get(0))
        .unwrap();
    assert_eq!(all, 3);
    let seen = ledger
        .file("acids", Path::new("/exports/a.csv"))
        .unwrap()
        .unwrap();
    assert_eq!((seen.size, seen.method_sha256.as_str()), (9, "m"));
    assert_eq!(
        ledger.file("other", Path::new("/exports/a.csv")).unwrap(),
        None
    );
}

#[test]
fn a_ledger_survives_being_closed() {
    let dir = tempfile::tempdir().unwrap();
    let first = landing("a", 1, "one");
    let id = land(&mut Ledger::open(dir.path()).unwrap(), "q", first.clone());
    let again = Ledger::open(dir.path()).unwrap();
    let stored = again.landings("acids", "q").unwrap();
    assert_eq!(stored[0].landing, Landing { id, ..first });
}

#[test]
fn a_late_list_moves_all_revisions_of_a_name() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    land(&mut ledger, "unlisted-2026-01-02", landing("a", 1, "one"));
    let id = land(&mut ledger, "unlisted-2026-01-02", landing("a", 2, "two"));
    land(&mut ledger, "other", landing("a", 1, "three"));
    ledger
        .move_landings("acids", &[(id, "a".to_owned(), "crocks".to_owned())])
        .unwrap();
    assert_eq!(
        ledger.queues_of_stem("acids", "a").unwrap(),
        ["crocks", "other"]
    );
}

#[test]
fn a_second_one_is_refused_and_says_why() {
    let dir = tempfile::tempdir().unwrap();
    let _first = Ledger::open(dir.path()).unwrap();
    let error = Ledger::open(dir.path()).unwrap_err().to_string();
    assert!(
        error.contains("another runsitter works with this state folder"),
        "{error}"
    );
}

#[test]
fn a_newer_ledger_is_refused_untouched() {
    let dir = tempfile::tempdir().unwrap();
    Ledger::open(dir.path())
        .unwrap()
        .connection
        .pragma_update(None, "user_version", 99)
        .unwrap();
    let error = Ledger::open(dir.path()).unwrap_err().to_string();
    let known = format!(
        "the ledger has version 99, this program knows versions up to {}; use the newer runsitter",
        super::schema::VERSION
    );
    assert!(error.ends_with(&known), "{error}");
}

#[test]
fn the_disk_is_asked_to_keep_everything() {
    let dir = tempfile::tempdir().unwrap();
    let ledger = Ledger::open(dir.path()).unwrap();
    let mode: String = ledger
        .connection
        .query_row("PRAGMA journal_mode", [], |r| r.get(0))
        .unwrap();
    let sync: i64 = ledger
        .connection
        .query_row("PRAGMA synchronous", [], |r| r.get(0))
        .unwrap();
    assert_eq!((mode.as_str(), sync), ("wal", 2));
}

#[test]
fn alerts_keep_the_time_at_which_they_ended() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let at = |s| Timestamp::from_second(s).unwrap();
    let mut alert: crate::night::alarm::Alert = serde_json::from_value(serde_json::json!({
        "key": "recovery|slot:a|", "raised_at": at(1), "cleared_at": null, "now": true, "check": "recovery", "position": 1, "name": "",
        "trace": "", "analyte": "", "measured": 84.2, "limit": "90-110", "unit": "%", "affected": [2, 3], "message": "m"
    }))
    .unwrap();
    ledger
        .keep_alerts(
            "acids",
            "q",
            &AlertChanges {
                raised: vec![alert.clone()],
                cleared: vec![],
            },
        )
        .unwrap();
    alert.cleared_at = Some(at(5));
    ledger
        .keep_alerts(
            "acids",
            "q",
            &AlertChanges {
                raised: vec![],
                cleared: vec![alert.clone()],
            },
        )
        .unwrap();
    assert_eq!(ledger.alerts("acids", "q").unwrap(), [alert]);
}
