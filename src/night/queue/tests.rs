//! Whole nights, spelled by letters: `b`lank, `P` standard that passes, `F` one that fails, `.` one that never comes,
//! `s`ample. The verdicts are spelled too: `a`ccepted, `p`rovisional, `o`pen bracket, `r`erun.

use super::*;
use crate::night::fixture::{Night, bubble, mid, trace};
use crate::night::{Reason, Verdict};

/// Lands the letters one by one; what is upper-cased `P`, `F` or `.` decides what the standard shows.
fn played(letters: &str) -> Night {
    let mut night = Night::new(&letters.replace(['F', '.'], "P"));
    for (k, letter) in letters.chars().enumerate() {
        match letter {
            'F' => night.land(k + 1, mid(&[0.8, 1.0])),
            '.' => continue,
            _ => night.good(k + 1),
        };
    }
    night
}

fn spelled(queue: &Queue) -> String {
    let letter = |s: &Slot| {
        let row = s.rows.first()?;
        Some(match row.verdict? {
            Verdict::Accepted => 'a',
            Verdict::Provisional if row.reasons.contains(&Reason::BracketOpen) => 'o',
            Verdict::Provisional => 'p',
            Verdict::Rerun => 'r',
        })
    };
    queue
        .slots()
        .iter()
        .map(|s| letter(s).unwrap_or('-'))
        .collect()
}

#[test]
fn brackets_while_the_queue_runs() {
    for (landed, expected) in [
        ("bPss", "aapp"),
        ("bPssP", "aaaaa"),
        ("bPssF", "aarrr"),
        ("bFss", "arrr"),
        ("bFssP", "arrra"),
        ("PPssFPss", "aarrrarr"),
        ("PFssP", "arrra"),
        ("PssPssFssP", "aaaarrrrra"),
        ("PsbsP", "aaaaa"),
        ("PssPbPss", "aaaaaapp"),
        ("PssPbFss", "arraarrr"),
        ("sPsP", "oaaa"),
        ("sFs", "rrr"),
        ("s", "o"),
    ] {
        assert_eq!(spelled(played(landed).judged()), expected, "{landed}");
    }
}

#[test]
fn brackets_when_the_queue_has_ended() {
    for (landed, expected) in [
        ("PssPss", "aaaaoo"),
        ("ssPssP", "ooaaaa"),
        ("ss", "oo"),
        ("Pss.", "arrr"),
        ("Pss.ssP", "arrrrra"),
        ("Fss", "rrr"),
    ] {
        let mut night = played(landed);
        night.judged();
        assert_eq!(spelled(night.end().judged()), expected, "{landed}");
    }
}

#[test]
fn a_landing_changes_only_what_it_can_change() {
    let mut night = Night::new("PsssPsssPsssP");
    for p in 1..=8 {
        night.good(p);
        night.judged();
    }
    night.good(9).judged();
    assert_eq!(
        night.changes.slots,
        [5, 6, 7, 8],
        "a standard closes its bracket and no other"
    );
    night.good(10).judged();
    assert_eq!(night.changes.slots, [9], "a sample changes itself");
}

#[test]
fn an_overtaken_injection_is_missing_after_a_cycle() {
    let mut night = Night::new("PsssP");
    night.good(1).good(2).good(4).judged();
    assert_eq!(spelled(night.queue()), "ap-p-");
    night.wait(10).judged();
    assert_eq!(spelled(night.queue()), "ap-p-", "a cycle has not passed");
    night.wait(20).judged();
    assert_eq!(spelled(night.queue()), "aprp-");
    assert_eq!(night.changes.alerts.raised[0].check, "missing-trace");
    night.good(3).judged();
    assert_eq!(
        spelled(night.queue()),
        "appp-",
        "it is withdrawn when it lands"
    );
    assert_eq!(night.changes.alerts.cleared[0].check, "missing-trace");
}

#[test]
fn a_stopped_queue_is_told_once_and_cleared_by_the_next_trace() {
    let mut night = Night::new("PsssP");
    night.good(1).good(2).judged();
    night.wait(30).judged();
    assert!(
        night.changes.alerts.is_empty(),
        "late only 10 min after the cycle of 23"
    );
    night.wait(10).judged();
    assert_eq!(night.changes.alerts.raised[0].check, "late-trace");
    assert_eq!(night.changes.alerts.raised[0].affected, [3, 4, 5]);
    night.wait(5).judged();
    assert!(night.changes.alerts.is_empty());
    night.good(3).judged();
    assert_eq!(night.changes.alerts.cleared[0].check, "late-trace");
}

#[test]
fn a_silent_queue_ends_after_three_cycles_and_goes_on_when_a_trace_comes() {
    let mut night = Night::new("PssP");
    night.good(1).good(2).judged();
    night.wait(68).judged();
    assert!(!night.queue().is_ended());
    night.wait(2).judged();
    assert!(night.changes.ended && night.queue().is_ended());
    assert_eq!(spelled(night.queue()), "arrr");
    night.good(3).good(4).judged();
    assert_eq!(spelled(night.queue()), "aaaa");
    night.wait(0).judged();
    assert!(night.queue().is_ended(), "all have landed");
}

#[test]
fn what_concerns_an_analyte_stands_on_its_row_alone() {
    let mut night = Night::new("PssP");
    night.good(1).land(2, trace(&[Some(30.0), Some(5.0)]));
    let mut bubbly = mid(&[1.0, 1.0]);
    bubbly.air = Some(bubble());
    night.land(3, bubbly).good(4);
    let queue = night.judged();
    let row = |p: usize, a: usize| {
        let row = &queue.slots()[p - 1].rows[a];
        let reasons: Vec<&str> = row.reasons.iter().map(|r| r.word()).collect();
        format!(
            "{} {}",
            row.verdict.map_or("", Verdict::word),
            reasons.join(" ")
        )
    };
    assert_eq!(row(2, 0), "rerun above-range");
    assert_eq!(row(2, 1), "accepted ");
    assert_eq!(row(3, 0), "rerun air-bubble");
    assert_eq!(row(3, 1), "rerun air-bubble");
}

#[test]
fn below_the_range_is_rerun_only_where_a_smaller_dilution_is_left() {
    let mut night = Night::new("PssP");
    night.plan(3, |i| i.dilution = 10.0);
    night.good(1);
    for p in [2, 3] {
        night.land(p, trace(&[Some(0.1), None]));
    }
    let queue = night.good(4).judged();
    assert_eq!(spelled(queue), "aara");
    for slot in &queue.slots()[1..3] {
        assert!(
            slot.rows
                .iter()
                .all(|r| r.reasons == [Reason::Check(crate::check::Check::BelowRange)])
        );
    }
}

#[test]
fn replicates_are_judged_when_the_group_is_complete() {
    let mut night = Night::new("PsssP");
    night.group("crock 1", 24.0, &[2, 3, 4]);
    night.good(1).good(2).land(3, mid(&[1.5, 1.0])).judged();
    assert!(night.changes.alerts.is_empty(), "one is not in yet");
    night.good(4).judged();
    let raised = &night.changes.alerts.raised;
    assert_eq!(
        (
            raised.len(),
            raised[0].check.as_str(),
            raised[0].analyte.as_str()
        ),
        (1, "replicates", "lactic acid")
    );
    assert_eq!(raised[0].affected, [2, 3, 4]);
    let marked = |a: usize| {
        let mark = Reason::Check(crate::check::Check::Replicates);
        night.queue.as_ref().map_or(0, |q| {
            q.slots()
                .iter()
                .filter(|s| s.rows.get(a).is_some_and(|r| r.reasons.contains(&mark)))
                .count()
        })
    };
    assert_eq!((marked(0), marked(1)), (3, 0));
}

#[test]
fn the_first_standard_of_a_level_is_the_measure_of_drift() {
    let mut night = Night::new("PsPsP");
    night
        .good(1)
        .good(2)
        .land(3, mid(&[0.94, 1.0]))
        .good(4)
        .land(5, mid(&[0.94, 1.0]));
    let queue = night.judged();
    let drift: Vec<u64> = queue
        .alerts()
        .open()
        .filter(|a| a.check == "standard-drift")
        .filter_map(|a| a.position)
        .collect();
    assert_eq!(drift, [3, 5]);
    assert_eq!(spelled(queue), "aaaaa", "a warning only");
}

#[test]
fn a_standard_without_a_calibration_settles_nothing() {
    let mut terms = crate::night::fixture::terms();
    terms.stored = None;
    let mut night = Night::new("PsP");
    night.queue = Some(Queue::planned("crocks", &terms, &night.list()));
    night.good(1).good(2).good(3);
    assert_eq!(spelled(night.judged()), "apa");
    assert_eq!(spelled(night.end().judged()), "aoa");
}

/// The width of a sample's interval in a night whose standards show these shares of their amount.
fn width(shares: &[f64; 2], scatter: crate::method::ScatterOf) -> f64 {
    let mut terms = crate::night::fixture::terms();
    let mut method = (*terms.method).clone();
    method.scatter = scatter;
    terms.method = Arc::new(method);
    let mut night = Night::new("PPsPP");
    night.queue = Some(Queue::planned("crocks", &terms, &night.list()));
    for p in [1, 2, 4, 5] {
        night.land(p, mid(&[shares[p % 2], 1.0]));
        night.judged();
    }
    night.good(3);
    let line = night.judged().slots()[2].assessment.lines[0];
    line.high_95.unwrap() - line.low_95.unwrap()
}

#[test]
fn intervals_follow_the_standards_where_the_method_says_so() {
    use crate::method::ScatterOf::{Calibrators, Standards};
    let calibrators = width(&[0.97, 1.03], Calibrators);
    assert_eq!(
        calibrators,
        width(&[1.0, 1.0], Calibrators),
        "not by default"
    );
    assert!(
        width(&[0.97, 1.03], Standards) > 2.0 * calibrators,
        "a restless night"
    );
    assert!(
        width(&[1.0, 1.0], Standards) < calibrators,
        "a quiet night teaches too"
    );
}

mod bracketing;
mod pace;
