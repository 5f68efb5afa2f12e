//! A daemon that was away: what is late, and what only looks so.

use crate::calm;
use crate::lab::Lab;

/// Moves everything that has landed so far two hours into the past, as if the daemon had been away since.
fn away_for_two_hours(lab: &Lab) {
    let ledger = std::fs::read_dir(lab.root().join("state"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| std::fs::read(path).is_ok_and(|bytes| bytes.starts_with(b"SQLite format 3")))
        .unwrap();
    let ledger = rusqlite::Connection::open(ledger).unwrap();
    let moved = ledger
        .execute(
            "UPDATE landing SET landed_ns = landed_ns - 7200000000000",
            [],
        )
        .unwrap();
    assert!(moved > 0);
}

/// Three of seven land, and the daemon goes.
fn three_landed() -> Lab {
    let lab = Lab::new();
    lab.list("crocks", &calm::rows());
    let mut daemon = lab.watch();
    (1..=3).for_each(|p| calm::export(&lab, p));
    daemon.wait_until("three are in the sheet", || {
        lab.sheet("crocks").rows.len() == 6
    });
    daemon.stop();
    away_for_two_hours(&lab);
    lab
}

#[test]
fn nothing_is_told_late_while_what_landed_meanwhile_lies_there() {
    let lab = three_landed();
    (4..=7).for_each(|p| calm::export(&lab, p));
    let mut daemon = lab.watch();
    daemon.wait_until("the night is in the sheet", || {
        lab.sheet("crocks").rows.len() == 14
    });
    daemon.stop();
    assert!(
        lab.alerts("crocks").rows.is_empty(),
        "{:#?}",
        lab.alerts("crocks")
    );
    assert!(lab.messages().is_empty(), "{:#?}", lab.messages());
}

#[test]
fn a_queue_that_stopped_meanwhile_is_told_at_once_with_what_never_came() {
    let lab = three_landed();
    let mut daemon = lab.watch();
    daemon.wait_until("it is told", || !lab.messages().is_empty());
    daemon.wait_until("the queue has ended", || {
        lab.sheet("crocks").rows.len() == 14
    });
    daemon.stop();
    let messages = lab.messages();
    assert_eq!(messages.len(), 1, "{messages:#?}");
    let (name, text) = messages.first_key_value().unwrap();
    assert!(name.starts_with("crocks-late-trace"), "{name}");
    assert!(text.contains("4 of 7 injections have not come"), "{text}");
    let late = lab.alerts("crocks");
    let late = late.check("late-trace")[0];
    assert_eq!(late.text("affected"), "4 5 6 7");
    assert_eq!(lab.alerts("crocks").check("missing-trace").len(), 4);
    assert!(lab.summary("crocks").contains("Never came: positions 4-7"));
}
