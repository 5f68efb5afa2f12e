use super::*;
use crate::night::Landing;
use crate::night::alarm::AlertChanges;
use crate::reading::{Evaluation, Unreadable};

pub(super) fn landing(stem: &str, revision: u32, sha: &str) -> Landing {
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

pub(super) fn land(ledger: &mut Ledger, queue: &str, mut l: Landing) -> i64 {
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
    let expected = format!(
        "the ledger has version 99, this program knows versions up to {}; use the newer runsitter",
        schema::VERSION
    );
    assert!(error.ends_with(&expected), "{error}");
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

#[test]
fn a_ledger_of_the_first_version_is_brought_forward() {
    let dir = tempfile::tempdir().unwrap();
    {
        let mut ledger = Ledger::open(dir.path()).unwrap();
        land(&mut ledger, "crocks", landing("a", 1, "one"));
        ledger
            .connection
            .execute_batch(
                "DROP TABLE outbox; DROP TABLE told; DROP TABLE running; DROP TABLE pressure; DROP TABLE alive; DROP TABLE repeat; DROP TABLE chain; DROP TABLE used; ALTER TABLE queue DROP COLUMN head; PRAGMA user_version = 1;",
            )
            .unwrap();
    }
    let mut ledger = Ledger::open(dir.path()).unwrap();
    assert_eq!(ledger.landings("acids", "crocks").unwrap().len(), 1);
    assert_eq!(ledger.next_letter().unwrap(), None);
    let taken = audit(dir.path(), None).unwrap().unwrap();
    assert_eq!((taken.records, taken.taken_over, taken.broken), (2, 2, 0));
    assert_eq!(ledger.head("acids", "crocks").unwrap().unwrap().record, 1);
    land(&mut ledger, "crocks", landing("b", 1, "two"));
    let grown = audit(dir.path(), None).unwrap().unwrap();
    assert_eq!((grown.records, grown.broken), (3, 0));
    assert_eq!(ledger.head("acids", "crocks").unwrap().unwrap().record, 3);
    let at = Timestamp::from_second(1_700_000_000).unwrap();
    assert_eq!(ledger.start_running(at).unwrap(), None);
}

#[test]
fn a_crash_leaves_its_mark_until_people_know() {
    let dir = tempfile::tempdir().unwrap();
    let at = |s: i64| Timestamp::from_second(1_700_000_000 + s).unwrap();
    let open = || Ledger::open(dir.path()).unwrap();
    let mut ledger = open();
    assert_eq!(ledger.start_running(at(0)).unwrap(), None);
    ledger.mark_alive(at(60)).unwrap();
    drop(ledger);
    let gap = |from, since, to| {
        Some(Gap {
            from: at(from),
            since: at(since),
            to: at(to),
        })
    };
    assert_eq!(open().start_running(at(900)).unwrap(), gap(60, 900, 900));
    // A second crash before anybody was told: the gap grows.
    let mut ledger = open();
    assert_eq!(ledger.start_running(at(1000)).unwrap(), gap(60, 900, 1000));
    let told = Told {
        gap_told: true,
        ..Told::default()
    };
    ledger.keep_told("acids", "", &told, at(1001)).unwrap();
    ledger.stop_running().unwrap();
    drop(ledger);
    assert_eq!(open().start_running(at(2000)).unwrap(), None);
}

#[test]
fn the_last_landing_is_a_sign_of_life() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let at = |s: i64| Timestamp::from_second(1_700_000_000 + s).unwrap();
    ledger.start_running(at(60)).unwrap();
    // It landed 40 s after the mark.
    land(&mut ledger, "crocks", landing("a", 1, "one"));
    let gap = ledger.start_running(at(5000)).unwrap().unwrap();
    assert_eq!((gap.from, gap.to), (at(100), at(5000)));
}

#[test]
fn alerts_letters_and_book_are_kept_together_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let at = Timestamp::from_second(1_700_000_000).unwrap();
    let mut book = crate::tell::policy::Book::default();
    book.next_repeat("k");
    let told = Told {
        book: Some(&book),
        ended_at: Some(at),
        ..Told::default()
    };
    ledger.keep_told("acids", "crocks", &told, at).unwrap();
    assert_eq!(ledger.book("acids", "crocks").unwrap(), book);
    assert_eq!(
        ledger.queues("acids").unwrap(),
        [("crocks".to_owned(), true)]
    );
    ledger.connection.execute_batch("DROP TABLE told").unwrap();
    let other = Told {
        book: Some(&book),
        ended_at: Some(at),
        ..Told::default()
    };
    assert!(ledger.keep_told("acids", "late", &other, at).is_err());
    assert_eq!(
        ledger.queues("acids").unwrap().len(),
        1,
        "nothing of it is kept"
    );
}

#[test]
fn a_file_that_is_again_what_it_was_before_the_last_time_is_not_known() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let path = PathBuf::from("/exports/a.csv");
    let seen = |size| FileSeen {
        size,
        modified: Timestamp::from_second(1_700_000_000).unwrap(),
        method_sha256: "m".to_owned(),
    };
    let take = |ledger: &mut Ledger, size| {
        let files = [(path.clone(), seen(size))];
        ledger.land("acids", &[], &files).unwrap();
    };
    let known = |ledger: &Ledger, size| ledger.is_known("acids", &path, &seen(size)).unwrap();
    take(&mut ledger, 1);
    // The second time it is not asked for in the database.
    assert!(known(&ledger, 1) && known(&ledger, 1) && !known(&ledger, 2));
    take(&mut ledger, 2);
    assert!(!known(&ledger, 1) && known(&ledger, 2));
    assert!(!ledger.is_known("other", &path, &seen(2)).unwrap());
    let other = FileSeen {
        method_sha256: "n".to_owned(),
        ..seen(2)
    };
    assert!(!ledger.is_known("acids", &path, &other).unwrap());
}

#[test]
fn the_last_sign_of_life_is_found_from_the_end() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let at = |s: i64| Timestamp::from_second(1_700_000_000 + s).unwrap();
    assert_eq!(ledger.start_running(at(0)).unwrap(), None);
    for (k, s) in [10, 50, 90, 400].into_iter().enumerate() {
        let mut one = landing(&format!("a{k}"), 1, &k.to_string());
        one.landed_at = at(s);
        land(&mut ledger, "crocks", one);
    }
    ledger.mark_alive(at(60)).unwrap();
    // What landed long after the mark was landed by hand.
    let gap = ledger.start_running(at(1000)).unwrap().unwrap();
    assert_eq!((gap.from, gap.to), (at(90), at(1000)));
}

#[test]
fn every_link_follows_from_the_one_before() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    for (stem, sha) in [("a", "one"), ("b", "two"), ("c", "three")] {
        land(&mut ledger, "crocks", landing(stem, 1, sha));
    }
    // By hand, from what the module says of its hashes.
    let mut before = [0_u8; 32];
    for id in 1..=3_i64 {
        let (digest, link): ([u8; 32], [u8; 32]) = ledger
            .connection
            .query_row("SELECT digest, link FROM chain WHERE id = ?1", [id], |r| {
                Ok((r.get(0)?, r.get(1)?))
            })
            .unwrap();
        let mut bytes = before.to_vec();
        bytes.push(3);
        bytes.extend(7_u64.to_le_bytes());
        bytes.extend(b"landing");
        bytes.push(1);
        bytes.extend(8_u64.to_le_bytes());
        bytes.extend(id.to_le_bytes());
        bytes.extend(digest);
        assert_eq!(
            crate::service::evaluate::hex(&bytes),
            crate::text::hex(&link)
        );
        before = link;
    }
    let whole = audit(dir.path(), Some((3, &crate::text::hex(&before))))
        .unwrap()
        .unwrap();
    assert_eq!(
        (whole.records, whole.broken, whole.holds),
        (3, 0, Some(true))
    );
    let other = audit(dir.path(), Some((2, &crate::text::hex(&before))))
        .unwrap()
        .unwrap();
    assert_eq!(other.holds, Some(false));
}

#[test]
fn what_moves_and_what_is_cleared_stays_in_the_chain() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let id = land(&mut ledger, "unlisted-2026-01-02", landing("a", 1, "one"));
    land(&mut ledger, "unlisted-2026-01-02", landing("b", 1, "two"));
    assert_eq!(ledger.take_touched("acids"), ["unlisted-2026-01-02"]);
    ledger
        .move_landings("acids", &[(id, "a".to_owned(), "crocks".to_owned())])
        .unwrap();
    assert_eq!(
        ledger.take_touched("acids"),
        ["crocks", "unlisted-2026-01-02"]
    );
    // Moved already: nothing is added.
    ledger
        .move_landings("acids", &[(id, "a".to_owned(), "crocks".to_owned())])
        .unwrap();
    assert!(ledger.take_touched("acids").is_empty());
    let whole = audit(dir.path(), None).unwrap().unwrap();
    assert_eq!((whole.records, whole.broken), (3, 0));
    ledger
        .connection
        .execute(
            "UPDATE landing SET queue = 'unlisted-2026-01-02' WHERE id = ?1",
            [id],
        )
        .unwrap();
    let broken = audit(dir.path(), None).unwrap().unwrap();
    assert_eq!(
        broken.breaks,
        ["landing 1 (a) is not what record 3 of the chain says: it was changed"]
    );
}

#[test]
fn what_fails_leaves_no_link() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let first = landing("a", 1, "one");
    land(&mut ledger, "crocks", first.clone());
    ledger.last_id = 0;
    let path = PathBuf::from("/exports/a.csv");
    let taken = Landing { id: 1, ..first };
    let again = [NewLanding {
        path: &path,
        size: 9,
        queue: "crocks",
        landing: &taken,
        method_sha256: "m",
    }];
    assert!(
        ledger.land("acids", &again, &[]).is_err(),
        "the number is taken"
    );
    ledger.last_id = 1;
    land(&mut ledger, "crocks", landing("b", 1, "two"));
    let whole = audit(dir.path(), None).unwrap().unwrap();
    assert_eq!((whole.records, whole.broken), (2, 0));
}

#[test]
fn changes_of_a_document_are_kept_and_a_return_too() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let at = |s: i64| Timestamp::from_second(1_700_000_000 + s).unwrap();
    for (s, sha) in [(0, "one"), (1, "one"), (2, "two"), (3, "one")] {
        ledger
            .keep_document("acids", "method", Path::new("m.toml"), sha, sha, at(s))
            .unwrap();
    }
    ledger
        .keep_document("other", "method", Path::new("m.toml"), "two", "two", at(4))
        .unwrap();
    let change = |s, from: &str, to: &str| crate::night::made::Change {
        what: "method".to_owned(),
        at: at(s),
        from: from.to_owned(),
        to: to.to_owned(),
    };
    let expected = [change(2, "one", "two"), change(3, "two", "one")];
    assert_eq!(ledger.changes("acids").unwrap(), expected);
    assert!(ledger.changes("other").unwrap().is_empty());
    let whole = audit(dir.path(), None).unwrap().unwrap();
    // Two texts, three uses at one station and one at the other.
    assert_eq!((whole.records, whole.broken), (6, 0));
}

#[test]
fn nothing_lands_in_files_that_are_no_longer_in_their_place() {
    for name in [FILE_NAME, "ledger.sqlite-wal", ""] {
        let dir = tempfile::tempdir().unwrap();
        let state = dir.path().join("state");
        let mut ledger = Ledger::open(&state).unwrap();
        land(&mut ledger, "crocks", landing("a", 1, "one"));
        let (path, aside) = (state.join(name), dir.path().join("aside"));
        let put = |from: &Path, to: &Path| std::fs::rename(from, to).unwrap();
        let at = Timestamp::from_second(1_700_000_000).unwrap();
        let mut keep = |text: &str| {
            let written = ledger.keep_document("acids", "method", Path::new("m"), text, text, at);
            (ledger.prove_in_place(), written)
        };
        put(&path, &aside);
        for copied in [false, true] {
            if copied && path.file_name() != state.file_name() {
                std::fs::copy(&aside, &path).unwrap();
            }
            let (proved, written) = keep(if copied { "two" } else { "one" });
            for error in [proved.unwrap_err(), written.unwrap_err()] {
                assert!(matches!(error, LedgerError::Lost { .. }), "{error}");
                assert!(error.may_pass());
            }
        }
        if path.exists() {
            std::fs::remove_file(&path).unwrap();
        }
        put(&aside, &path);
        let (proved, written) = keep("three");
        proved.and(written).unwrap();
    }
}

#[test]
fn a_ledger_that_was_there_before_is_never_begun_anew() {
    let dir = tempfile::tempdir().unwrap();
    let state = dir.path().join("state");
    let error = Ledger::open_again(&state).unwrap_err();
    assert!(matches!(error, LedgerError::Missing { .. }), "{error}");
    assert!(!state.exists());
    drop(Ledger::open(&state).unwrap());
    Ledger::open_again(&state).unwrap();
}

#[test]
fn a_time_that_cannot_be_kept_becomes_the_nearest_that_can() {
    let kept = |at: &str| super::nanoseconds(at.parse().unwrap());
    assert_eq!(kept("1601-01-01T00:00:00Z"), i64::MIN);
    assert_eq!(kept("1970-01-01T00:00:01Z"), 1_000_000_000);
    assert_eq!(kept("2300-01-01T00:00:00Z"), i64::MAX);
}
