//! What a message says: what to do first, where to look, what the rerun needs; then what was measured and what it touches.

use jiff::tz::TimeZone;

use super::advice;
use super::page::{Item, Page, Row, Section};
use crate::budget;
use crate::check::Check;
use crate::night::alarm::Alert;
use crate::night::queue::{Queue, Slot};
use crate::report::rerun;
use crate::report::words::{clock, day_and_time, positions};
use crate::runlist::Kind;
use crate::text::{count, one_line};

/// How a sample that must be injected again is marked.
pub(super) const TO_RERUN: &str = "to rerun";

/// A message about one trace lays out the whole rerun list only for queues of up to so many injections: with thousands that
/// all fail, the night would be spent on that.
const LAID_OUT: usize = 2000;

pub(super) fn of_trace(
    subject: &str,
    queue: &Queue,
    slot: &Slot,
    alerts: &[&Alert],
    zone: &TimeZone,
) -> Page {
    let mut page = Page {
        subject: subject.to_owned(),
        place: place(queue, slot, zone),
        sections: Vec::new(),
    };
    page.add(Section::of("do first", [do_first(slot, alerts).to_owned()]));
    page.add(Section::of("look at", advice::look_first(queue, slot)));
    page.add(Section::of("the rerun", [rerun_so_far(queue)]));
    page.add(measured(alerts));
    page.add(touches(queue, alerts));
    page
}

pub(super) fn of_condition(subject: &str, queue: &str, alerts: &[&Alert], zone: &TimeZone) -> Page {
    let first = alerts.first();
    let raised = first
        .map(|a| day_and_time(a.raised_at, zone))
        .unwrap_or_default();
    let place = first.and_then(|a| {
        a.position
            .map(|p| format!(", at injection {p} ({})", one_line(&a.name)))
    });
    let mut page = Page {
        subject: subject.to_owned(),
        place: format!(
            "Queue {}{}, since {raised}",
            one_line(queue),
            place.unwrap_or_default()
        ),
        sections: Vec::new(),
    };
    let mut hints: Vec<String> = alerts
        .iter()
        .filter_map(|a| advice::of_station(&a.check))
        .map(str::to_owned)
        .collect();
    hints.dedup();
    page.add(Section::of("do first", hints));
    page.add(measured(alerts));
    let affected = first.map_or(&[][..], |a| &a.affected);
    if !affected.is_empty() {
        let text = format!(
            "{}: positions {}",
            count(affected.len(), "injection"),
            positions(affected)
        );
        page.add(Section::of("touches", [text]));
    }
    page
}

pub(super) fn cleared(subject: &str, queue: &str, alerts: &[&Alert], zone: &TimeZone) -> Page {
    let item = |alert: &&Alert| {
        let from = day_and_time(alert.raised_at, zone);
        let to = alert
            .cleared_at
            .map(|at| clock(at, zone))
            .unwrap_or_default();
        Item {
            label: format!("{from} to {to}, {}", alert.check),
            text: one_line(&alert.message),
        }
    };
    let over = Section {
        items: alerts.iter().map(item).collect(),
        ..Section::default()
    };
    let mut page = Page {
        subject: subject.to_owned(),
        place: format!(
            "Queue {}: {}",
            one_line(queue),
            what_is_over(alerts.first().map_or("", |a| &a.check))
        ),
        sections: Vec::new(),
    };
    page.add(over);
    page
}

/// What the end of an alert means, and no more than that.
fn what_is_over(check: &str) -> &'static str {
    match Check::parse(check) {
        Some(Check::PressureHigh | Check::PressureLow) => {
            "the pressure is back within its limits. Nobody has said why: if you did nothing at the pump, look for the cause, and at the injections of that time."
        }
        Some(Check::PressureRise) => {
            "the pressure no longer rises so that it would meet its limit before the end. What has settled so far does not come off by itself."
        }
        Some(Check::PressureRipple) => {
            "the pressure is steady again. Look at the injections of that time: air may have passed the detector."
        }
        _ => "this is over, nothing needs to be done about it any more.",
    }
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
pub(super) fn do_first(slot: &Slot, alerts: &[&Alert]) -> &'static str {
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

fn measured(alerts: &[&Alert]) -> Section {
    let item = |a: &&Alert| Item {
        label: a.check.clone(),
        text: one_line(&a.message),
    };
    Section {
        title: "measured".to_owned(),
        items: alerts.iter().map(item).collect(),
        rows: Vec::new(),
    }
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

fn touches(queue: &Queue, alerts: &[&Alert]) -> Section {
    let slots = touched(queue, alerts);
    if slots.is_empty() {
        return Section::default();
    }
    let all: Vec<u64> = slots.iter().map(|s| s.plan.position).collect();
    let state = |slot: &Slot| match (slot.is_rerun(), slot.is_settled()) {
        (true, _) => TO_RERUN,
        (false, true) => "",
        (false, false) => "not in yet",
    };
    let row = |slot: &&Slot| Row {
        position: slot.plan.position,
        name: slot.plan.name.clone(),
        state: state(slot).to_owned(),
    };
    let text = format!(
        "{}: positions {}",
        count(slots.len(), "sample"),
        positions(&all)
    );
    Section {
        rows: slots.iter().map(row).collect(),
        ..Section::of("touches", [text])
    }
}

/// The same in a message about one trace.
fn rerun_so_far(queue: &Queue) -> String {
    if queue.slots().len() <= LAID_OUT {
        return rerun_needs(queue);
    }
    "rerun.csv and the summary say what it takes: too many injections to be counted here".to_owned()
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
