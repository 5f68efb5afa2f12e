use jiff::Timestamp;

use super::*;
use crate::night::fixture::{Night, mid};

fn at(s: i64) -> Timestamp {
    Timestamp::from_second(s).unwrap()
}

#[test]
fn a_mark_is_taken_off() {
    for (stem, expected) in [
        ("t-7-repeat", Some(("t-7", 1))),
        ("t-7-repeat12", Some(("t-7", 12))),
        ("t-7", None),
        ("t-7-repeats", None),
        ("-repeat", None),
        ("repeat", None),
    ] {
        assert_eq!(unmarked(stem), expected, "{stem}");
    }
}

#[test]
fn the_column_counts_before_the_mark() {
    let mut night = Night::new("sb");
    let plan = |cell: &str, stem: &str, night: &mut Night| {
        let mut plan = night.list().injections[0].clone();
        (plan.extra, plan.stem) = (vec!["x".to_owned(), cell.to_owned()], stem.to_owned());
        plan
    };
    let extra = ["remark".to_owned(), "Repeats".to_owned()];
    let named = |q, s| Some(Origin::Named(Place::new(q, s)));
    for (cell, stem, expected) in [
        ("crocks/t-3", "t-9-repeat", named("crocks", "t-3")),
        (" crocks/t-3.csv ", "x", named("crocks", "t-3")),
        ("t-3", "x", Some(Origin::Stem("t-3".to_owned()))),
        ("", "t-9-repeat", Some(Origin::Stem("t-9".to_owned()))),
        ("crocks/", "x", None),
        ("", "t-9", None),
    ] {
        let plan = plan(cell, stem, &mut night);
        assert_eq!(origin(&plan, &extra), expected, "{cell:?} {stem}");
    }
    let blank = Injection {
        stem: "b-repeat".to_owned(),
        ..night.list().injections[1].clone()
    };
    assert_eq!(
        origin(&blank, &[]),
        None,
        "blanks belong to their own night"
    );
}

#[test]
fn the_newest_queue_before_the_repeat_is_meant() {
    let all = [("a", 10), ("b", 20), ("c", 30)].map(|(q, s)| (q.to_owned(), at(s)));
    assert_eq!(nearest(&all, at(25)), Some("b"));
    assert_eq!(nearest(&all, at(20)), Some("b"));
    assert_eq!(nearest(&all, at(5)), Some("a"), "all are newer");
    assert_eq!(nearest(&[], at(5)), None);
}

fn known(queue: &str, stem: &str, when: i64, verdict: Verdict, found: f64) -> Member {
    let outcome = |analyte: &str| Outcome {
        analyte: analyte.to_owned(),
        unit: "mmol/L".to_owned(),
        verdict,
        reasons: Vec::new(),
        concentration: Some(found),
        low_95: None,
        high_95: None,
    };
    Member {
        queue: queue.to_owned(),
        stem: stem.to_owned(),
        position: 2,
        name: stem.to_owned(),
        kind: "sample".to_owned(),
        when: at(when),
        results: vec![outcome("lactic acid"), outcome("acetic acid")],
    }
}

#[test]
fn a_family_holds_through_a_member_of_which_nothing_is_known() {
    let [x, y, z] =
        [("a", "x"), ("b", "x-repeat"), ("c", "x-repeat2")].map(|(q, s)| Place::new(q, s));
    let mut family = Family::default();
    let member = |p: &Place, when| Some(known(&p.queue, &p.stem, when, Verdict::Accepted, 1.0));
    family.insert(x.clone(), None, member(&x, 1));
    family.insert(y.clone(), Some(x.clone()), None);
    family.insert(z.clone(), Some(y.clone()), member(&z, 3));
    let kin = family.kin(&x, "sample");
    assert_eq!(kin.len(), 1);
    assert!(kin[0].is_repeat && !kin[0].is_original);
    let kin = family.kin(&z, "sample");
    assert!(!kin[0].is_repeat && kin[0].is_original);
    assert!(family.kin(&x, "calibrator").is_empty());
    // A circle ends where it began.
    family.insert(x.clone(), Some(z.clone()), member(&x, 1));
    assert!(family.kin(&x, "sample")[0].is_repeat && family.kin(&z, "sample")[0].is_repeat);
}

/// Three replicates, of which the second failed, with what repeats of it gave.
fn repaired(repeats: &[(Verdict, f64)]) -> Night {
    let mut night = Night::new("PsPsPsP");
    night.group("crock", 24.0, &[2, 4, 6]);
    for p in [1, 2, 3, 5, 6, 7] {
        night.good(p);
    }
    night.land(4, mid(&[9.0, 1.0])).end();
    night.judged();
    let repeat = |(k, (verdict, found)): (usize, &(Verdict, f64))| Kin {
        member: known(
            "second",
            &format!("r-{k}"),
            2_000_000_000 + k as i64,
            *verdict,
            *found,
        ),
        is_repeat: true,
        is_original: false,
    };
    let kin = repeats.iter().enumerate().map(repeat).collect();
    night.queue().set_kin("t-4", kin);
    night.judged();
    night
}

#[test]
fn the_last_accepted_repeat_takes_the_place_of_what_failed() {
    use Verdict::{Accepted, Provisional, Rerun};
    for (repeats, expected) in [
        (&[][..], None),
        (&[(Rerun, 4.0)], None),
        (&[(Accepted, 4.0), (Accepted, 6.0), (Rerun, 7.0)], Some(6.0)),
        (&[(Accepted, 4.0), (Provisional, 6.0)], Some(4.0)),
        // It stands as provisional, and there are accepted ones beside it.
        (&[(Provisional, 6.0)], None),
        (&[(Rerun, 4.0), (Accepted, 5.5)], Some(5.5)),
    ] {
        let mut night = repaired(repeats);
        let queue = night.queue();
        let lactic = queue.averaged_members(0, 0);
        let of_repeat = lactic.iter().find(|(k, _)| *k == 3).map(|(_, c)| *c);
        assert_eq!(of_repeat, expected, "{repeats:?}");
        assert_eq!(lactic.len(), 2 + usize::from(expected.is_some()));
        // The other analyte was accepted the first time: it stays.
        let acetic = queue.averaged_results(0, 1);
        assert_eq!(acetic.len(), 3);
        assert!(acetic.iter().all(|s| s.repeat.is_none()), "{repeats:?}");
    }
}

#[test]
fn what_repeats_gave_is_asked_for_no_more() {
    use Verdict::{Accepted, Provisional, Rerun};
    for (repeats, asks, repaired_now) in [
        (&[][..], true, false),
        (&[(Rerun, 4.0)], false, false),
        (&[(Accepted, 4.0)], false, true),
        (&[(Provisional, 4.0)], false, true),
    ] {
        let mut night = repaired(repeats);
        let queue = night.queue();
        let slot = &queue.slots()[3];
        assert_eq!(queue.asks_again(slot, 0), asks, "{repeats:?}");
        assert!(!queue.asks_again(slot, 1));
        assert_eq!(queue.is_repaired(), repaired_now, "{repeats:?}");
        assert_eq!(queue.needs_attention(), !repaired_now, "{repeats:?}");
    }
}

#[test]
fn replicates_are_held_against_the_repeat() {
    // 5, 5 and 4.0 differ by 12 %, limit 10.
    let mut night = repaired(&[(Verdict::Accepted, 4.0)]);
    assert!(night.queue().groups()[0].disagree[0].is_some());
    assert!(night.changes.rejoined && !night.changes.slots.is_empty());
    let kin = night.queue().kin_of("t-4").to_vec();
    night.queue().set_kin("t-4", kin);
    night.judged();
    assert!(night.changes.is_empty(), "nothing new was said");
    night.queue().set_kin("t-4", Vec::new());
    assert!(night.judged().groups()[0].disagree[0].is_none());
}
