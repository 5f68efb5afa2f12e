//! Nights whose samples are quantified between their checkpoints.

use super::*;
use crate::check::{Check, Line};
use crate::method::{Quantify, ScatterOf};
use crate::night::fixture::{bubble, terms};
use crate::reading::Reading;

/// A night with this way of quantifying.
fn night(letters: &str, quantify: Quantify, scatter: ScatterOf) -> Night {
    let mut night = Night::new(letters);
    begin(&mut night, quantify, scatter);
    night
}

/// The queue as it is planned now.
fn begin(night: &mut Night, quantify: Quantify, scatter: ScatterOf) {
    let mut terms = terms();
    let mut method = (*terms.method).clone();
    (method.quantify, method.scatter) = (quantify, scatter);
    terms.method = Arc::new(method);
    night.queue = Some(Queue::planned("crocks", &terms, &night.list()));
}

fn bracketing(letters: &str) -> Night {
    night(letters, Quantify::Bracketing, ScatterOf::Calibrators)
}

/// What a vial of 5 mmol/L shows at so much of the response, either acid.
fn at(response: f64) -> Reading {
    mid(&[response, response])
}

fn line(night: &mut Night, position: usize) -> Line {
    night.judged().slots()[position - 1].assessment.lines[0]
}

fn measured(night: &mut Night, position: usize) -> f64 {
    line(night, position).measured.unwrap()
}

#[track_caller]
fn close(got: f64, expected: f64) {
    assert!(
        (got / expected - 1.0).abs() < 2e-3,
        "{got}, expected {expected}"
    );
}

#[test]
fn a_sample_is_set_right_by_its_place_between_the_checkpoints() {
    // The response falls by 2 % with each injection.
    let falling = |p: usize| 1.0 - 0.02 * (p as f64 - 1.0);
    let play = |quantify| {
        let mut night = night("PsssP", quantify, ScatterOf::Calibrators);
        for p in 1..=5 {
            night.land(p, at(falling(p)));
        }
        night
    };
    let (mut set, mut plain) = (play(Quantify::Bracketing), play(Quantify::Curve));
    for p in 2..=4 {
        close(measured(&mut set, p), 5.0);
        close(measured(&mut plain, p), 5.0 * falling(p));
        assert!(line(&mut set, p).bracketed && !line(&mut plain, p).bracketed);
        let (set, plain) = (line(&mut set, p), line(&mut plain, p));
        let width = |l: Line| l.high_95.unwrap() - l.low_95.unwrap();
        assert!(
            width(set) > 1.1 * width(plain),
            "the standards' scatter comes in"
        );
        assert!(set.low_95.unwrap() < 5.0 && 5.0 < set.high_95.unwrap());
        assert!(plain.high_95.unwrap() < 5.0 || p == 2, "{plain:?}");
    }
    // What detects the drift stays judged by the curve alone.
    for p in [1, 5] {
        assert_eq!(line(&mut set, p), line(&mut plain, p));
    }
    close(line(&mut set, 5).recovery_percent.unwrap(), 92.0);
    assert!(
        set.judged()
            .alerts()
            .open()
            .any(|a| a.check == "standard-drift" && a.position == Some(5))
    );
}

#[test]
fn the_opening_checkpoint_serves_alone_until_the_closing_one_is_in() {
    let mut night = bracketing("PsssP");
    night.land(1, at(1.04)).land(2, at(1.0));
    close(measured(&mut night, 2), 5.0 / 1.04);
    assert_eq!(spelled(night.judged()), "ap---");
    night.land(5, at(0.96));
    close(measured(&mut night, 2), 5.0 / 1.02);
    assert_eq!(spelled(night.judged()), "aa--a");
}

#[test]
fn what_stands_on_one_side_alone_serves_and_nothing_is_the_plain_curve() {
    let (mut open, mut late, mut none) = (bracketing("Pss"), bracketing("ssP"), bracketing("ss"));
    open.land(1, at(0.95))
        .land(2, at(1.0))
        .land(3, at(1.0))
        .end();
    late.land(1, at(1.0))
        .land(2, at(1.0))
        .land(3, at(0.95))
        .end();
    none.land(1, at(1.0)).land(2, at(1.0)).end();
    for (night, expected) in [
        (&mut open, 5.0 / 0.95),
        (&mut late, 5.0 / 0.95),
        (&mut none, 5.0),
    ] {
        close(measured(night, 2), expected);
    }
    assert_eq!(spelled(open.judged()), "aoo");
    assert_eq!(spelled(late.judged()), "ooa");
    assert!(!line(&mut none, 1).bracketed);
}

#[test]
fn a_standard_that_failed_says_nothing_of_the_response() {
    let mut bubbly = at(0.97);
    bubbly.air = Some(bubble());
    let mut cut_off = at(0.97);
    cut_off.analytes[0].as_mut().unwrap().saturated = true;
    for failing in [at(0.8), trace(&[None, None]), bubbly, cut_off] {
        let mut night = bracketing("PssP");
        night.land(1, at(0.98)).land(2, at(1.0)).land(3, at(1.0));
        let before = line(&mut night, 3);
        night.land(4, failing);
        assert_eq!(line(&mut night, 3), before, "the value stays as it was");
        assert_eq!(spelled(night.judged()), "arrr");
    }
    // One that never comes and one that is no trace do so, too.
    for broken in [true, false] {
        let mut night = bracketing("PssP");
        night.land(1, at(0.98)).land(2, at(1.0)).land(3, at(1.0));
        if broken {
            night.broken(4);
        } else {
            night.end();
        }
        close(measured(&mut night, 3), 5.0 / 0.98);
        assert_eq!(spelled(night.judged()), "arrr");
    }
}

#[test]
fn a_standard_that_lands_again_changes_the_samples_on_both_sides_and_no_others() {
    let mut night = bracketing("PsPsPsP");
    for p in 1..=7 {
        night.land(p, at(1.0));
        night.judged();
    }
    night.land(3, at(0.96));
    night.judged();
    assert_eq!(night.changes.slots, [1, 2, 3]);
    close(measured(&mut night, 2), 5.0 / 0.98);
    close(measured(&mut night, 4), 5.0 / 0.98);
    close(measured(&mut night, 6), 5.0);
    assert_eq!(spelled(night.judged()), "aaaaaaa");
}

#[test]
fn several_standards_of_a_checkpoint_are_pooled() {
    let mut night = Night::new("PPsPP");
    night.plan(2, |i| i.level = "high".to_owned());
    begin(&mut night, Quantify::Bracketing, ScatterOf::Calibrators);
    night
        .land(1, at(1.03))
        .land(2, trace(&[Some(20.0 * 1.03), Some(20.0)]));
    night.land(3, at(1.0));
    close(measured(&mut night, 3), 5.0 / 1.03);
    night.land(4, at(0.96)).land(5, at(0.98));
    // In 1/x the factor stands at the mean of 1.03 (0 and 1, the higher level 4 times as heavy) and 0.97 (3 and 4).
    let (start, end) = (4.0 / 5.0, 3.5);
    close(
        measured(&mut night, 3),
        5.0 / (1.03 - 0.06 * (2.0 - start) / (end - start)),
    );
}

#[test]
fn a_standard_of_another_volume_is_reckoned_for_the_methods() {
    let mut night = Night::new("PsP");
    for p in [1, 2] {
        night.plan(p, |i| i.volume_ul = Some(5.0));
    }
    begin(&mut night, Quantify::Bracketing, ScatterOf::Calibrators);
    night
        .land(1, at(0.5 * 0.97))
        .land(2, at(0.5 * 0.97))
        .land(3, at(0.97));
    close(measured(&mut night, 2), 5.0);
}

/// The detector saw what it saw: a response that has fallen or risen since moves no reading into or out of what the
/// calibrators showed.
#[test]
fn the_calibrated_range_is_that_of_the_uncorrected_reading() {
    let above = |response: f64, x: f64| {
        let mut night = bracketing("PsP");
        night.land(1, at(response));
        night
            .land(2, trace(&[Some(x), Some(5.0)]))
            .land(3, at(response));
        let measured = measured(&mut night, 2);
        let reasons = night.judged().slots()[1].rows[0].reasons.clone();
        (
            measured > 20.0,
            reasons.contains(&Reason::Check(Check::AboveRange)),
        )
    };
    assert_eq!(above(1.05, 20.5), (false, true));
    assert_eq!(above(0.95, 19.5), (true, false));
    assert_eq!(above(1.0, 19.5), (false, false));
}

#[test]
fn the_order_of_landing_leaves_no_mark() {
    let shares = [1.03, 1.0, 1.01, 0.99, 1.0, 1.0, 0.96, 0.8, 0.97];
    let played = |order: &[usize], scatter| {
        let mut night = night("PssPPssPP", Quantify::Bracketing, scatter);
        for p in order {
            night.land(*p, at(shares[p - 1]));
            night.judged();
        }
        night.end();
        let slots = night.judged().slots();
        let of = |s: &Slot| (s.assessment.lines.clone(), s.rows.clone());
        slots.iter().map(of).collect::<Vec<_>>()
    };
    for scatter in [ScatterOf::Calibrators, ScatterOf::Standards] {
        let straight = played(&[1, 2, 3, 4, 5, 6, 7, 8, 9], scatter);
        assert_eq!(straight, played(&[9, 8, 7, 6, 5, 4, 3, 2, 1], scatter));
        assert_eq!(straight, played(&[2, 3, 6, 7, 5, 1, 9, 4, 8], scatter));
    }
}

/// A drift over the night would look like scatter if all standards were held against one mean.
#[test]
fn a_drift_is_not_taken_for_scatter() {
    let width = |quantify| {
        let mut night = night("PPsPPsPP", quantify, ScatterOf::Standards);
        for (p, share) in [
            (1, 1.05),
            (2, 1.05),
            (4, 1.0),
            (5, 1.0),
            (7, 0.95),
            (8, 0.95),
        ] {
            night.land(p, at(share));
        }
        night.land(3, at(1.0)).land(6, at(1.0));
        let line = line(&mut night, 6);
        line.high_95.unwrap() - line.low_95.unwrap()
    };
    assert!(width(Quantify::Bracketing) < 0.5 * width(Quantify::Curve));
}

#[test]
fn calibrators_of_the_queue_change_the_factor_with_the_curve() {
    let mut night = Night::new("PsCCCCCP");
    for (p, level) in [(3, "low"), (4, "low"), (5, "mid"), (6, "high"), (7, "high")] {
        night.plan(p, |i| i.level = level.to_owned());
    }
    begin(&mut night, Quantify::Bracketing, ScatterOf::Calibrators);
    night.land(1, at(0.95)).land(2, at(0.95));
    close(measured(&mut night, 2), 5.0);
    // The column has lost 5 % since the stored calibration; the queue's own calibrators know it.
    for (p, x) in [(3, 0.5), (4, 0.5), (5, 5.0), (6, 20.0), (7, 20.0)] {
        let area = 0.95 * x * if p % 2 == 0 { 1.002 } else { 0.998 };
        night.land(p, trace(&[Some(area), Some(area)]));
    }
    night.land(8, at(0.95));
    close(measured(&mut night, 2), 5.0);
    let queue = night.judged();
    assert_eq!(queue.serving().label(queue.method(), 0), "queue:crocks");
    close(line(&mut night, 1).recovery_percent.unwrap(), 100.0);
}
