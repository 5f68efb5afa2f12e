//! Nights of 23 min a cycle at 0.6 mL/min: 13.8 mL each, and 0.6 mL for every minute behind the plan.

use std::sync::Arc;

use super::*;
use crate::method::Eluent;
use crate::night::fixture::{Night, start, terms};
use crate::night::pace::later;
use crate::night::queue::Terms;

const CYCLE_ML: f64 = 13.8;

fn terms_with(bottle_ml: Option<f64>, waste_free_ml: Option<f64>, time_scale: f64) -> Terms {
    let mut terms = terms();
    Arc::make_mut(&mut terms.method).eluent = Some(Eluent {
        name: Some("5 mmol/L sulfuric acid".to_owned()),
        bottle_ml,
        reserve_ml: Some(10.0),
        waste_free_ml,
    });
    terms.time_scale = time_scale;
    terms
}

/// A night whose bottle gives so much beyond its reserve.
fn night(letters: &str, may_ml: f64) -> Night {
    let mut night = Night::new(letters);
    let terms = terms_with(Some(may_ml + 10.0), None, 1.0);
    night.queue = Some(Queue::planned("crocks", &terms, &night.list()));
    night
}

fn at_min(minutes: i64) -> Timestamp {
    later(start(), minutes as f64 * 60.0).unwrap()
}

fn raised(night: &Night) -> Vec<&str> {
    night
        .changes
        .alerts
        .raised
        .iter()
        .map(|a| a.check.as_str())
        .collect()
}

fn cleared(night: &Night) -> Vec<&str> {
    night
        .changes
        .alerts
        .cleared
        .iter()
        .map(|a| a.check.as_str())
        .collect()
}

#[test]
fn a_plan_that_just_fits_is_never_told() {
    let mut night = night("PsssP", 5.0 * CYCLE_ML);
    night.queue().plan_budget(start());
    assert!(!night.queue().has_pending());
    for position in 1..=4 {
        night.good(position).wait(0).judged();
        assert!(raised(&night).is_empty(), "position {position}");
    }
    night.good(5).wait(0).judged();
    assert!(night.queue().is_ended() && raised(&night).is_empty());
    assert!(night.queue().alerts().in_order().is_empty());
}

#[test]
fn a_plan_that_does_not_fit_is_told_once_before_the_first_injection() {
    let mut night = night("PsssP", 5.0 * CYCLE_ML - 2.0);
    night.queue().plan_budget(start());
    night.queue().plan_budget(start());
    let changes = night.queue().judge(start());
    let [alert] = changes.alerts.raised.as_slice() else {
        panic!("{changes:?}")
    };
    assert_eq!((alert.check.as_str(), alert.now), ("eluent-short", true));
    assert_eq!(alert.affected, [5]);
    assert_eq!((alert.limit.as_str(), alert.unit.as_str()), ("67", "mL"));
    assert!((alert.measured.unwrap() - 69.0).abs() < 1e-9);
    for position in 1..=4 {
        night.good(position).wait(0).judged();
        assert!(night.changes.alerts.is_empty(), "position {position}");
    }
    night.good(5).wait(0).judged();
    assert_eq!(cleared(&night), ["eluent-short"], "the end clears it");
}

#[test]
fn a_queue_that_stands_still_pumps_on() {
    // 6 mL to spare: 10 min. Two landed on time; the third is due 23 min later.
    let mut night = night("PsssP", 5.0 * CYCLE_ML + 6.0);
    night.queue().plan_budget(start());
    night.good(1).good(2).wait(0).judged();
    let due = at_min(2 * 23 + 23 + 10);
    assert_eq!(night.queue().budget_deadline(), Some(due));
    assert_eq!(night.queue().next_deadline(), Some(due), "10 min late, too");
    night.wait(32).judged();
    assert!(raised(&night).is_empty());
    night.wait(1).judged();
    assert!(
        raised(&night).contains(&"eluent-short"),
        "{:?}",
        night.changes
    );
    assert_eq!(
        night.queue().budget_deadline(),
        None,
        "no wake-up for what is told"
    );
    let alerts = &night.changes.alerts.raised;
    let alert = alerts.iter().find(|a| a.check == "eluent-short").unwrap();
    assert_eq!(
        alert.message,
        "the queue runs 10 min longer than planned: 75 mL of \"5 mmol/L sulfuric acid\" are needed until the end and 75 mL may be drawn, used up after the last run"
    );
    night.wait(20).judged();
    assert!(raised(&night).is_empty(), "told once");
}

#[test]
fn a_slow_night_is_told_before_the_bottle_is_empty() {
    // 20 injections need 276 mL; each comes 7 min late, which costs 4.2 mL: 80 mL at the end.
    let mut night = night(&"P".repeat(20), 20.0 * CYCLE_ML + 40.0);
    night.queue().plan_budget(start());
    let mut told = None;
    for position in 1..=20 {
        night.wait(7).good(position).wait(0).judged();
        if let Some(alert) = night
            .changes
            .alerts
            .raised
            .iter()
            .find(|a| a.check == "eluent-short")
        {
            assert_eq!(told.replace(position), None, "told once");
            // 18 more at 18 mL each behind 31.8 mL: it ends before position 18 is over.
            assert_eq!(alert.affected, [18, 19, 20]);
            assert!(
                alert
                    .message
                    .starts_with("the queue runs 133 min longer than planned: 356 mL"),
                "{}",
                alert.message
            );
        }
    }
    // Three intervals make a pace.
    assert_eq!(told, Some(4));
}

#[test]
fn a_pace_that_catches_up_clears_only_with_room_to_spare() {
    let play = |cycles: f64| {
        let mut night = night(&"P".repeat(12), cycles * CYCLE_ML + 25.0);
        night.good(1);
        for late in [2, 3] {
            night.wait(10).good(late).wait(0).judged();
            assert!(raised(&night).is_empty(), "two pauses are no pace");
        }
        // Three intervals of 33 min: 30 min behind, and 10 more for each of eight to come.
        night.wait(10).good(4).wait(0).judged();
        assert_eq!(raised(&night), ["eluent-short"]);
        for on_time in 5..=7 {
            night.good(on_time).wait(0).judged();
        }
        // The planned pace again: 18 mL behind.
        night.good(8).wait(0).judged();
        night
    };
    let night = play(12.0);
    assert!(
        cleared(&night).is_empty(),
        "7 mL to spare, less than a cycle"
    );
    let mut night = play(13.0);
    assert!(
        !night.queue().has_condition(Check::EluentShort),
        "one cycle more"
    );
}

#[test]
fn a_shorter_list_clears_and_a_longer_one_raises() {
    let mut station = crate::night::station::Station::new(
        terms_with(Some(10.0 + 5.0 * CYCLE_ML), None, 1.0),
        None,
        jiff::tz::TimeZone::UTC,
    );
    let list = |letters: &str| Arc::new(Night::new(letters).list());
    let mut take = |letters: &str, minutes: i64| {
        station.set_list("crocks", list(letters), start());
        station.plan_budget("crocks", at_min(minutes));
        let all = station.judge(at_min(minutes));
        let alerts = all
            .into_iter()
            .next()
            .map(|(_, c)| c.alerts)
            .unwrap_or_default();
        (alerts.raised.len(), alerts.cleared.len())
    };
    assert_eq!(take("PssssP", 0), (1, 0), "six where five fit");
    assert_eq!(take("PsssssP", 1), (0, 0), "longer still: told already");
    assert_eq!(take("PsssP", 2), (0, 1));
    assert_eq!(take("PsssP", 3), (0, 0));
    assert_eq!(take("PssssP", 4), (1, 0));
}

#[test]
fn two_versions_of_a_list_in_one_turn_are_both_told() {
    let mut station = crate::night::station::Station::new(
        terms_with(Some(10.0 + 5.0 * CYCLE_ML), None, 1.0),
        None,
        jiff::tz::TimeZone::UTC,
    );
    for letters in ["PssssP", "PsssssP"] {
        station.set_list("crocks", Arc::new(Night::new(letters).list()), start());
        station.plan_budget("crocks", start());
    }
    let all = station.judge(start());
    assert_eq!(all[0].1.alerts.raised.len(), 1);
}

#[test]
fn rows_added_while_it_runs_are_judged_by_its_pace() {
    let mut night = night("PsP", 5.0 * CYCLE_ML);
    night.good(1).good(2).wait(0).judged();
    let landed = night.queue().take_landings();
    let mut longer = self::night("PsPssP", 5.0 * CYCLE_ML);
    for landing in landed {
        longer.queue().land(landing);
    }
    longer.queue().plan_budget(at_min(46));
    let changes = longer.queue().judge(at_min(46));
    assert_eq!(changes.alerts.raised[0].check, "eluent-short");
}

#[test]
fn the_waste_is_judged_alike() {
    let mut night = Night::new("PsssP");
    let terms = terms_with(None, Some(5.0 * CYCLE_ML + 6.0), 1.0);
    night.queue = Some(Queue::planned("crocks", &terms, &night.list()));
    night.queue().plan_budget(start());
    night.good(1).good(2).wait(33).judged();
    let waste: Vec<_> = night
        .changes
        .alerts
        .raised
        .iter()
        .filter(|a| a.check == "waste-full")
        .collect();
    assert_eq!(waste.len(), 1);
    assert_eq!(
        waste[0].message,
        "the queue runs 10 min longer than planned: 75 mL of waste come together until the end and 75 mL are free, used up after the last run"
    );
}

#[test]
fn a_queue_without_a_list_or_a_bottle_is_not_judged() {
    let terms = terms_with(Some(10.1), None, 1.0);
    let mut queue = Queue::unlisted("unlisted-2026-09-21", &terms);
    queue.plan_budget(start());
    let mut strays = Night::new("ss");
    strays.good(1).good(2);
    for landing in strays.queue().take_landings() {
        let plan = strays.list().injections[0].clone();
        queue.land_unlisted(plan, landing);
    }
    queue.tick(at_min(50));
    assert!(!queue.has_pending() && queue.budget_deadline().is_none());
    let mut bare = Night::new(&"s".repeat(2000));
    bare.queue().plan_budget(start());
    bare.good(1).wait(500).judged();
    assert!(!bare.queue().has_condition(Check::EluentShort));
}

#[test]
fn a_rehearsal_runs_faster_and_drinks_as_much() {
    let terms = terms_with(Some(10.0 + 5.0 * CYCLE_ML + 6.0), None, 0.1);
    let mut night = Night::new("PsssP");
    night.queue = Some(Queue::planned("crocks", &terms, &night.list()));
    // The fixture lands every 23 min of the clock: ten times too slow for this one, 124.2 mL behind by the second trace.
    night.good(1).wait(0).judged();
    let due = later(start(), 1380.0 + (23.0 + 10.0) * 6.0);
    assert_eq!(night.queue().budget_deadline(), due);
    night.good(2).wait(0).judged();
    assert_eq!(
        raised(&night)
            .iter()
            .filter(|c| **c == "eluent-short")
            .count(),
        1
    );
}

#[test]
fn a_list_that_never_ran_is_forgotten_after_three_days() {
    let mut night = night("PsssP", 10.0);
    night.queue().plan_budget(start());
    let _ = night.queue().judge(start());
    let over = at_min(72 * 60);
    assert_eq!(night.queue().next_deadline(), Some(over));
    night.queue().tick(at_min(72 * 60 - 1));
    assert!(!night.queue().has_pending());
    night.queue().tick(over);
    assert_eq!(night.queue().judge(over).alerts.cleared.len(), 1);
    night.queue().plan_budget_again(over);
    assert!(
        !night.queue().has_pending(),
        "what was told once is not told again"
    );
    assert_eq!(night.queue().next_deadline(), None);
}

#[test]
fn a_restart_between_taking_a_list_up_and_telling_loses_nothing() {
    let mut night = night("PsssP", 10.0);
    night.queue().plan_budget_again(start());
    assert_eq!(night.queue().judge(start()).alerts.raised.len(), 1);
    night.queue().plan_budget_again(start());
    assert!(!night.queue().has_pending());
}

#[test]
fn every_deadline_is_worked_off_when_it_comes() {
    // Whatever there is to spare: a tick at the deadline leaves no deadline at or before it.
    for spare_tenths in 0..60 {
        let mut night = night(
            "PsssP",
            5.0 * CYCLE_ML + f64::from(spare_tenths) / 10.0 / 3.0,
        );
        night.good(1).wait(0).judged();
        let Some(due) = night.queue().budget_deadline() else {
            panic!("{spare_tenths}")
        };
        night.queue().tick(due);
        assert_eq!(night.queue().budget_deadline(), None, "{spare_tenths}");
        assert!(
            night.queue().has_condition(Check::EluentShort),
            "{spare_tenths}"
        );
    }
}

#[test]
fn a_list_corrected_after_the_night_tells_nothing() {
    let mut night = night("PsP", 2.0 * CYCLE_ML);
    night.queue().plan_budget(start());
    night.good(1).good(2).good(3);
    let landed = night.queue().take_landings();
    let mut corrected = self::night("PsP", 2.0 * CYCLE_ML);
    for landing in landed {
        corrected.queue().land(landing);
    }
    corrected.queue().plan_budget(at_min(600));
    assert!(!corrected.queue().has_pending());
}
