use super::*;
use crate::ledger::chain::Links;
use crate::ledger::tests::{land, landing};
use crate::ledger::{Ledger, ListRecord};
use crate::night::alarm::{Alert, AlertChanges};
use jiff::Timestamp;

fn at(s: i64) -> Timestamp {
    Timestamp::from_second(1_700_000_000 + s).unwrap()
}

fn alert(key: &str) -> Alert {
    serde_json::from_value(serde_json::json!({
        "key": key, "raised_at": at(0), "cleared_at": null, "now": true, "check": "recovery", "position": 2,
        "name": "mid", "trace": "a.csv", "analyte": "lactic acid", "measured": 4.0, "limit": "80 to 120",
        "unit": "%", "affected": [], "message": "found 4"
    }))
    .unwrap()
}

/// A ledger with a record of each kind: an alert that goes on and one that is over.
fn filled(dir: &Path) -> Ledger {
    let mut ledger = Ledger::open(dir).unwrap();
    let text = "name = \"acids\"\n";
    let path = Path::new("method.toml");
    ledger
        .keep_document("acids", "method", path, "one", text, at(0))
        .unwrap();
    let list = ListRecord {
        queue: "crocks".to_owned(),
        content: b"vial,name\n1,mid\n".to_vec(),
        modified: at(1),
        sha256: "two".to_owned(),
        path: "crocks.runlist.csv".into(),
    };
    ledger.keep_list("acids", &list, at(1)).unwrap();
    land(&mut ledger, "crocks", landing("a", 1, "three"));
    let raised = vec![alert("goes on"), alert("is over")];
    let mut cleared = vec![alert("is over")];
    cleared[0].cleared_at = Some(at(9));
    let changes = AlertChanges { raised, cleared };
    ledger.keep_alerts("acids", "crocks", &changes).unwrap();
    ledger
}

fn breaks(dir: &Path) -> Vec<String> {
    audit(dir, None).unwrap().unwrap().breaks
}

#[test]
fn a_changed_record_with_a_link_of_its_own_shows() {
    for (table, row, sql) in [
        (Table::Document, 1, "UPDATE document SET content = 'other'"),
        (Table::Used, 1, "UPDATE used SET since_ns = 7"),
        (Table::RunList, 1, "UPDATE run_list SET content = x'31'"),
        (
            Table::Landing,
            1,
            "UPDATE landing SET evaluation = replace(evaluation, 'found', 'found no')",
        ),
        (
            Table::Landing,
            1,
            "UPDATE landing SET queue = 'other', sha256 = 'other'",
        ),
        (
            Table::Alert,
            1,
            "UPDATE alert SET record = record || ' ' WHERE id = 1",
        ),
        (
            Table::Alert,
            2,
            "UPDATE alert SET record = record || ' ' WHERE id = 2",
        ),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let ledger = filled(dir.path());
        assert!(breaks(dir.path()).is_empty());
        assert!(ledger.connection.execute(sql, []).unwrap() > 0);
        let mut links = Links::open(&ledger.connection).unwrap();
        links.add(table, row, None).unwrap();
        let found = breaks(dir.path());
        let name = format!("{} {row} ", table.name());
        assert!(
            found.len() == 1 && found[0].starts_with(&name) && found[0].contains("changed"),
            "{sql}: {found:?}"
        );
    }
}

#[test]
fn a_link_that_says_nothing_new_shows() {
    let dir = tempfile::tempdir().unwrap();
    let ledger = filled(dir.path());
    for (table, row) in [(Table::Document, 1), (Table::RunList, 1), (Table::Alert, 1)] {
        let mut links = Links::open(&ledger.connection).unwrap();
        links.add(table, row, None).unwrap();
    }
    assert_eq!(breaks(dir.path()).len(), 3, "{:?}", breaks(dir.path()));
}

#[test]
fn what_lists_moved_is_whole_whatever_became_of_its_queues() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path()).unwrap();
    let id = land(&mut ledger, "unlisted-2023-11-14", landing("a", 1, "one"));
    // The night began the day before.
    let late = land(&mut ledger, "unlisted-2023-11-13", landing("b", 1, "two"));
    let mut go = |id: i64, stem: &str, queue: &str, left: &str| {
        let moves = [(id, stem.to_owned(), queue.to_owned())];
        ledger.move_landings("acids", &moves).unwrap();
        ledger.drop_queue("acids", left).unwrap();
    };
    go(id, "a", "of a list that is gone", "unlisted-2023-11-14");
    go(id, "a", "unlisted-2023-11-14", "of a list that is gone");
    go(id, "a", "crocks", "unlisted-2023-11-14");
    go(late, "b", "crocks", "unlisted-2023-11-13");
    assert_eq!(breaks(dir.path()), Vec::<String>::new());
    // One that an earlier version wrote remembers no queue that is gone; unlisted ones are named by a day.
    let mut old = landing("c", 1, "three");
    old.modified = at(86_400);
    let old = land(&mut ledger, "unlisted-2023-11-14", old);
    let moves = [(old, "c".to_owned(), "crocks".to_owned())];
    ledger.move_landings("acids", &moves).unwrap();
    ledger
        .connection
        .execute("DELETE FROM former WHERE queue LIKE 'unlisted-%'", [])
        .unwrap();
    ledger.drop_queue("acids", "unlisted-2023-11-14").unwrap();
    assert_eq!(breaks(dir.path()), Vec::<String>::new());
}
