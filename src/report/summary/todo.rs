//! What to do now, in the order in which a practitioner would do it: instrument, solutions, exports, then the rerun.

use super::WIDTH;
use super::tally::Tally;
use crate::check::Check;
use crate::night::queue::{Queue, Slot};
use crate::night::{Reason, Verdict};
use crate::report::rerun;
use crate::report::words::{positions, wrap};
use crate::runlist::Kind;
use crate::tell::advice;
use crate::text::{count, significant};

/// So many injections of one kind get a hint of their own; of more, the first ones speak for the rest.
const HINTS: usize = 3;
/// So many proposed dilutions are written out.
const DILUTIONS: usize = 12;

pub(super) fn write(queue: &Queue, tally: &Tally) -> String {
    if queue.is_repaired() {
        let mut out = String::new();
        let step = "Nothing: what failed has been injected again, and the repeats stand for it (REPEATS, below).";
        wrap(&mut out, "  1. ", step, WIDTH);
        return out;
    }
    let mut steps: Vec<String> = containers(queue);
    steps.extend(stopped(queue));
    steps.extend(pressure(queue));
    steps.extend(air(queue));
    steps.extend(injections(queue, Kind::Standard, "standard"));
    steps.extend(injections(queue, Kind::Blank, "blank"));
    steps.extend(calibrators(queue));
    steps.extend(exports(queue));
    steps.extend(again(queue, !steps.is_empty()));
    steps.extend(later(queue));
    steps.extend(dilutions(queue));
    steps.extend(open_brackets(queue, tally));
    steps.extend(replicates(queue));
    if steps.is_empty() {
        steps.push(if !queue.is_ended() {
            "Nothing yet: the queue is running and no check asks for anything.".to_owned()
        } else if tally.usable == tally.total() && tally.total() > 0 {
            "Nothing: all results can be used.".to_owned()
        } else {
            "Nothing: no check asks for anything.".to_owned()
        });
    }
    let mut out = String::new();
    for (k, step) in steps.iter().enumerate() {
        wrap(&mut out, &format!("{:>3}. ", k + 1), step, WIDTH);
    }
    out
}

/// Slots of which a check failed.
fn failing(queue: &Queue, check: Check) -> impl Iterator<Item = &Slot> {
    queue
        .slots()
        .iter()
        .filter(move |s| s.assessment.failures.iter().any(|f| f.check == check))
}

fn places<'a>(slots: impl Iterator<Item = &'a Slot>) -> Vec<u64> {
    slots.map(|s| s.plan.position).collect()
}

fn at(all: &[u64]) -> String {
    format!(
        "{} {}",
        if all.len() == 1 {
            "position"
        } else {
            "positions"
        },
        positions(all)
    )
}

/// Bottles and waste container that do not last until the end.
fn containers(queue: &Queue) -> Vec<String> {
    let names = [Check::EluentShort.name(), Check::WasteFull.name()];
    let open = queue.alerts().open();
    open.filter(|a| names.contains(&a.check.as_str()))
        .map(|a| {
            let hint = advice::of_station(&a.check).unwrap_or_default();
            format!("{}: {}. {hint}", a.check, crate::text::one_line(&a.message))
        })
        .collect()
}

fn stopped(queue: &Queue) -> Option<String> {
    let late = Check::LateTrace.name();
    queue.alerts().open().any(|a| a.check == late).then(|| {
        let hint = advice::general(Check::LateTrace, Kind::Sample).unwrap_or_default();
        format!("The queue stopped before its end: find out why before anything is injected again. {hint}")
    })
}

/// What the pump showed and nobody has looked at yet: the pressure stands beside its limits, or stood there in the night.
fn pressure(queue: &Queue) -> Vec<String> {
    let checks = [
        (Check::PressureHigh, "The pressure passed its upper limit."),
        (Check::PressureLow, "The pressure fell."),
        (
            Check::PressureRise,
            "The pressure was rising towards its limit.",
        ),
        (Check::PressureRipple, "The pressure pulsated."),
    ];
    let told = |check: Check| {
        let name = check.name();
        queue.alerts().in_order().iter().any(|a| a.check == name)
    };
    // One cause: a pressure that reached its limit had been rising, and a pump that cut out fell.
    let high = told(Check::PressureHigh);
    checks
        .into_iter()
        .filter(|(check, _)| told(*check) && !(high && *check == Check::PressureRise))
        .map(|(check, what)| {
            let hint = advice::of_station(check.name()).unwrap_or_default();
            format!("{what} {hint}")
        })
        .collect()
}

fn air(queue: &Queue) -> Option<String> {
    let all = places(failing(queue, Check::AirBubble));
    let hint = advice::general(Check::AirBubble, Kind::Sample).unwrap_or_default();
    (!all.is_empty()).then(|| format!("Air in the lines at {}. {hint}", at(&all)))
}

/// Failed standards or blanks with what their pattern says; air has had its own step.
fn injections(queue: &Queue, kind: Kind, word: &str) -> Vec<String> {
    let failed =
        |s: &&Slot| s.plan.kind == kind && s.is_rerun() && s.landing.is_some() && !only_air(s);
    let all: Vec<&Slot> = queue.slots().iter().filter(failed).collect();
    let mut steps: Vec<(String, Vec<u64>)> = Vec::new();
    for slot in &all {
        let Some(hint) = advice::look_first(queue, slot).into_iter().next() else {
            continue;
        };
        match steps.iter_mut().find(|(h, _)| *h == hint) {
            Some((_, places)) => places.push(slot.plan.position),
            None => steps.push((hint, vec![slot.plan.position])),
        }
    }
    let shown = steps.iter().take(HINTS).map(|(hint, places)| {
        format!(
            "Failed {word}{} at {}. {hint}",
            if places.len() == 1 { "" } else { "s" },
            at(places)
        )
    });
    let mut out: Vec<String> = shown.collect();
    let rest: Vec<u64> = steps
        .iter()
        .skip(HINTS)
        .flat_map(|(_, p)| p.iter().copied())
        .collect();
    if !rest.is_empty() {
        out.push(format!("More failed {word}s at {}: see below.", at(&rest)));
    }
    out
}

fn only_air(slot: &Slot) -> bool {
    slot.assessment
        .failures
        .iter()
        .all(|f| matches!(f.check, Check::AirBubble | Check::UnreadableTrace))
}

fn calibrators(queue: &Queue) -> Option<String> {
    let name = Check::Calibration.name();
    let open = || queue.alerts().open().filter(move |a| a.check == name);
    let stored = |analyte: &str| {
        let analytes = &queue.method().analytes;
        let k = analytes.iter().position(|a| a.name == analyte);
        k.is_some_and(|k| queue.serving().curve(queue.method(), k).is_some())
    };
    let named = |with: bool| -> Vec<String> {
        let names = open().map(|a| a.analyte.as_str());
        names
            .filter(|n| stored(n) == with)
            .map(crate::text::one_line)
            .collect()
    };
    let (with, without) = (named(true), named(false));
    let mut out = String::new();
    if !with.is_empty() {
        out = format!(
            "The calibrators of this queue do not serve for {}; the stored calibration does. ",
            with.join(", ")
        );
    }
    if !without.is_empty() {
        out += &format!(
            "The calibrators of this queue do not serve for {}, and no stored calibration does: there are no concentrations of it. ",
            without.join(", ")
        );
    }
    let hint = advice::general(Check::Calibration, Kind::Calibrator).unwrap_or_default();
    (!out.is_empty()).then(|| out + hint)
}

/// No curve serves any analyte of a queue that has ended.
fn has_no_calibration(queue: &Queue) -> bool {
    let curves = queue.serving().curves(queue.method());
    queue.is_ended() && curves.iter().all(Option::is_none)
}

/// Traces to export again.
fn exports(queue: &Queue) -> Vec<String> {
    let unreadable = places(failing(queue, Check::UnreadableTrace));
    let missing = places(failing(queue, Check::MissingTrace));
    let mut out = Vec::new();
    if !unreadable.is_empty() {
        let hint = advice::general(Check::UnreadableTrace, Kind::Sample).unwrap_or_default();
        out.push(format!("Unreadable at {}. {hint}", at(&unreadable)));
    }
    if !missing.is_empty() {
        let hint = advice::general(Check::MissingTrace, Kind::Sample).unwrap_or_default();
        out.push(format!("Never came: {}. {hint}", at(&missing)));
    }
    out
}

/// The rerun list. `after`: there is something to be done before.
fn again(queue: &Queue, after: bool) -> Option<String> {
    let needs = crate::tell::rerun_needs(queue);
    let samples = places(
        queue
            .slots()
            .iter()
            .filter(|s| s.plan.kind == Kind::Sample)
            .filter(|s| (0..s.rows.len()).any(|a| queue.asks_again(s, a))),
    );
    (!needs.is_empty()).then(|| {
        let of = if samples.is_empty() {
            String::new()
        } else {
            format!(" Samples at {}.", at(&samples))
        };
        let when = if after {
            ", when the above is done"
        } else {
            ""
        };
        format!("Inject again{when}: {needs}.{of}")
    })
}

/// What failed again in a later night: the rerun list of that night asks for it.
fn later(queue: &Queue) -> Option<String> {
    let failed = |s: &&Slot| {
        (0..s.rows.len()).any(|a| {
            let rerun = s.rows.get(a).and_then(|r| r.verdict) == Some(Verdict::Rerun);
            rerun && !queue.is_covered(s, a) && !queue.asks_again(s, a)
        })
    };
    let slots: Vec<&Slot> = queue.slots().iter().filter(failed).collect();
    let mut queues: Vec<String> = slots
        .iter()
        .filter_map(|s| queue.kin_of(&s.plan.stem).last())
        .map(|k| crate::report::words::cut(&k.member.queue, 40))
        .collect();
    queues.sort_unstable();
    queues.dedup();
    let all = places(slots.into_iter());
    (!all.is_empty()).then(|| {
        format!(
            "The repeats of {} failed too: the rerun.csv of {} asks for them, with the dilutions that they need.",
            at(&all),
            queues.join(", ")
        )
    })
}

/// Dilutions other than those of the queue.
fn dilutions(queue: &Queue) -> Option<String> {
    let changed = |s: &Slot| {
        let needed = rerun::dilutions(queue, s);
        let words: Vec<String> = needed.iter().map(|d| significant(*d, 4)).collect();
        needed.iter().any(|d| *d != s.plan.dilution).then(|| {
            format!(
                "{} (position {}): {}",
                crate::report::words::cut(&s.plan.name, 40),
                s.plan.position,
                words.join(" and ")
            )
        })
    };
    let all: Vec<String> = queue
        .slots()
        .iter()
        .filter(|s| s.plan.kind == Kind::Sample)
        .filter_map(changed)
        .collect();
    (!all.is_empty()).then(|| {
        let more = if all.len() > DILUTIONS {
            format!("; {} more in rerun.csv", all.len() - DILUTIONS)
        } else {
            String::new()
        };
        let shown: Vec<&str> = all.iter().take(DILUTIONS).map(String::as_str).collect();
        format!(
            "Make these dilutions for it (in all, not on top): {}{more}.",
            shown.join("; ")
        )
    })
}

fn open_brackets(queue: &Queue, tally: &Tally) -> Option<String> {
    let open = |s: &&Slot| {
        s.rows
            .iter()
            .any(|r| r.reasons.contains(&Reason::BracketOpen))
    };
    let all = places(queue.slots().iter().filter(open));
    (!all.is_empty() && tally.provisional > 0).then(|| {
        if has_no_calibration(queue) {
            return format!(
                "{} at {} stay provisional: without a calibration no standard can be judged and nothing reckoned. Make one with \
`runsitter calibrate`, name it in the configuration and process the traces again.",
                count(all.len(), "sample"),
                at(&all)
            );
        }
        format!(
            "{} at {} lack a standard on one side and stay provisional: whether they are used is for a person to decide. A standard at \
the start and at the end of a queue settles it.",
            count(all.len(), "sample"),
            at(&all)
        )
    })
}

fn replicates(queue: &Queue) -> Option<String> {
    let groups = queue
        .groups()
        .iter()
        .filter(|g| g.disagree.iter().any(Option::is_some));
    let names: Vec<String> = groups
        .map(|g| {
            format!(
                "{}{}",
                crate::report::words::cut(&g.series, 30),
                g.time_h
                    .map(|t| format!(" {} h", significant(t, 5)))
                    .unwrap_or_default()
            )
        })
        .collect();
    let hint = advice::general(Check::Replicates, Kind::Sample).unwrap_or_default();
    (!names.is_empty()).then(|| {
        let more = if names.len() > DILUTIONS {
            format!(" and {} more", names.len() - DILUTIONS)
        } else {
            String::new()
        };
        let shown: Vec<&str> = names.iter().take(DILUTIONS).map(String::as_str).collect();
        format!("Replicates disagree: {}{more}. {hint}", shown.join(", "))
    })
}
