//! The text of a message: what to do first, what was measured, what it touches, where to look, what the rerun needs.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::advice;
use crate::budget;
use crate::check::Check;
use crate::night::alarm::Alert;
use crate::night::queue::{Queue, Slot};
use crate::report::rerun;
use crate::report::words::{clock, cut, day_and_time, positions, wrap};
use crate::runlist::Kind;
use crate::text::{count, one_line};

/// Width of a line, characters.
const WIDTH: usize = 78;
/// So many samples are named; the rest is counted.
const NAMED: usize = 12;

const SMALL_PRINT: &str = "This program reads exported files only. It controls nothing and is no safety device: for \
pressure, leaks, acid and waste the rules of your laboratory count, not this message.";

pub(super) fn of_trace(
    subject: &str,
    queue: &Queue,
    slot: &Slot,
    alerts: &[&Alert],
    zone: &TimeZone,
) -> String {
    let mut out = format!("{subject}\n\n");
    wrap(&mut out, "", &place(queue, slot, zone), WIDTH);
    section(&mut out, "DO FIRST", &[do_first(slot, alerts).to_owned()]);
    measured(&mut out, alerts);
    touches(&mut out, queue, alerts);
    section(&mut out, "LOOK AT", &advice::look_first(queue, slot));
    section(&mut out, "THE RERUN", &[rerun_needs(queue)]);
    small_print(&mut out);
    out
}

pub(super) fn of_condition(
    subject: &str,
    queue: &str,
    alerts: &[&Alert],
    zone: &TimeZone,
) -> String {
    let mut out = format!("{subject}\n\n");
    let raised = alerts
        .first()
        .map(|a| day_and_time(a.raised_at, zone))
        .unwrap_or_default();
    let place = alerts.first().and_then(|a| {
        a.position
            .map(|p| format!(", at injection {p} ({})", one_line(&a.name)))
    });
    wrap(
        &mut out,
        "",
        &format!(
            "Queue {}{}, since {raised}",
            one_line(queue),
            place.unwrap_or_default()
        ),
        WIDTH,
    );
    measured(&mut out, alerts);
    if let Some(affected) = alerts
        .first()
        .map(|a| &a.affected)
        .filter(|a| !a.is_empty())
    {
        section(
            &mut out,
            "TOUCHES",
            &[format!(
                "{}: positions {}",
                count(affected.len(), "injection"),
                positions(affected)
            )],
        );
    }
    let mut hints: Vec<String> = alerts
        .iter()
        .filter_map(|a| advice::of_station(&a.check))
        .map(str::to_owned)
        .collect();
    hints.dedup();
    section(&mut out, "LOOK AT", &hints);
    small_print(&mut out);
    out
}

pub(super) fn cleared(subject: &str, queue: &str, alerts: &[&Alert], zone: &TimeZone) -> String {
    let mut out = format!("{subject}\n\n");
    wrap(
        &mut out,
        "",
        &format!(
            "Queue {}: this is over, nothing needs to be done about it any more.",
            one_line(queue)
        ),
        WIDTH,
    );
    out.push('\n');
    for alert in alerts {
        let from = day_and_time(alert.raised_at, zone);
        let to = alert
            .cleared_at
            .map(|at| clock(at, zone))
            .unwrap_or_default();
        wrap(
            &mut out,
            "  - ",
            &format!(
                "{from} to {to}, {}: {}",
                alert.check,
                one_line(&alert.message)
            ),
            WIDTH,
        );
    }
    small_print(&mut out);
    out
}

fn place(queue: &Queue, slot: &Slot, zone: &TimeZone) -> String {
    let plan = &slot.plan;
    let landed = slot.landing.as_ref().map(|l| {
        format!(
            "{}, landed {}",
            one_line(&l.file_name),
            day_and_time(l.landed_at, zone)
        )
    });
    let name = one_line(&plan.name);
    let kind = if name.to_lowercase().starts_with(plan.kind.word()) {
        String::new()
    } else {
        format!("{} ", plan.kind.word())
    };
    format!(
        "Queue {}, injection {} of {}: {kind}{name} ({})",
        one_line(&queue.name),
        plan.position,
        queue.slots().len(),
        landed.unwrap_or_else(|| "no trace".to_owned())
    )
}

/// The one thing to decide now, by what spoils most.
fn do_first(slot: &Slot, alerts: &[&Alert]) -> &'static str {
    let check = alerts.first().and_then(|a| Check::parse(&a.check));
    match (check, slot.plan.kind) {
        (Some(Check::AirBubble), _) => {
            "If the queue still runs, halt it: air seldom leaves by itself, and each further injection is at risk."
        }
        (Some(Check::UnreadableTrace), _) => {
            "Export this trace again under the same name. Verdicts follow by themselves when it lands."
        }
        (
            Some(Check::Recovery | Check::NoPeak | Check::Saturated | Check::MissingTrace),
            Kind::Standard,
        ) => {
            "The samples on both sides of this standard cannot be trusted. If the queue still runs, wait for the next standard: \
if it fails too, halt the queue before more vials are spent."
        }
        (Some(Check::StandardDrift | Check::RetentionShift), _) => {
            "An early warning: no result is lost by it. Watch the next standard."
        }
        (Some(Check::CarryOver | Check::BlankNoise | Check::BlankDrift), _) => {
            "No verdict changes by a blank alone. Judge the samples near it, small results first."
        }
        (_, Kind::Calibrator) => {
            "The calibration of this queue lacks this injection. Inject it again; until then what the station has stored may serve."
        }
        _ => "See what was measured, below.",
    }
}

fn section(out: &mut String, title: &str, lines: &[String]) {
    if lines.iter().all(String::is_empty) {
        return;
    }
    let _ = writeln!(out, "\n{title}");
    for line in lines.iter().filter(|l| !l.is_empty()) {
        wrap(out, "  - ", line, WIDTH);
    }
}

fn measured(out: &mut String, alerts: &[&Alert]) {
    let lines: Vec<String> = alerts
        .iter()
        .map(|a| format!("{}: {}", a.check, one_line(&a.message)))
        .collect();
    section(out, "MEASURED", &lines);
}

/// The samples that these alerts touch, each once, in order.
pub(super) fn touched<'q>(queue: &'q Queue, alerts: &[&Alert]) -> Vec<&'q Slot> {
    let mut affected: Vec<u64> = alerts
        .iter()
        .flat_map(|a| a.affected.iter().copied())
        .collect();
    affected.sort_unstable();
    affected.dedup();
    queue
        .slots()
        .iter()
        .filter(|s| affected.binary_search(&s.plan.position).is_ok())
        .collect()
}

fn touches(out: &mut String, queue: &Queue, alerts: &[&Alert]) {
    let slots = touched(queue, alerts);
    if slots.is_empty() {
        return;
    }
    let all: Vec<u64> = slots.iter().map(|s| s.plan.position).collect();
    let _ = writeln!(out, "\nTOUCHES");
    wrap(
        out,
        "  - ",
        &format!(
            "{}: positions {}",
            count(slots.len(), "sample"),
            positions(&all)
        ),
        WIDTH,
    );
    for slot in slots.iter().take(NAMED) {
        let state = if slot.is_rerun() {
            "to rerun"
        } else if slot.is_settled() {
            ""
        } else {
            "not in yet"
        };
        let line = format!(
            "  {:>6}  {:<50} {state}",
            slot.plan.position,
            cut(&slot.plan.name, 50)
        );
        let _ = writeln!(out, "{}", line.trim_end());
    }
    if slots.len() > NAMED {
        let _ = writeln!(out, "          and {} more", slots.len() - NAMED);
    }
}

/// What the rerun list holds by now, and what running it takes; empty where nothing must be injected again.
pub fn rerun_needs(queue: &Queue) -> String {
    let list = rerun::list(queue, &[]);
    if list.injections.is_empty() {
        return String::new();
    }
    let of = |kind: Kind| list.injections.iter().filter(|i| i.kind == kind).count();
    let parts: Vec<String> = [Kind::Sample, Kind::Calibrator, Kind::Standard, Kind::Blank]
        .into_iter()
        .map(|k| (of(k), k.word()))
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| count(n, word))
        .collect();
    let ready = if queue.is_ended() {
        "is ready"
    } else {
        "holds so far"
    };
    format!(
        "rerun.csv {ready}{} {}: {}",
        if queue.is_ended() { ", with" } else { "" },
        parts.join(", "),
        budget::reckon(&list.injections, queue.method()).brief()
    )
}

fn small_print(out: &mut String) {
    out.push('\n');
    wrap(out, "", SMALL_PRINT, WIDTH);
}
