//! What people are told: one text for each message, written to a file before any mail is tried.
//!
//! Pure: alerts and the queue go in, file name, subject and body come out. One trace makes one message, however many
//! checks it fails. [`advice`] holds what a practitioner would look at first, [`name`] what a file may be called.

pub mod advice;
mod body;
mod cases;
pub mod daily;
pub mod follows;
pub mod html;
mod letter;
pub mod name;
mod no_ledger;
pub mod page;
pub mod policy;
mod posts;
mod subject;
mod trouble;
mod undelivered;
mod unwatched;

pub use body::rerun_needs;
pub use cases::{case_of_list, cases};
pub use letter::{letter, rerun_list};
pub use no_ledger::no_ledger;
pub use posts::{letter_of, letter_of_list, summary_letter};
pub use trouble::{unread, unwritable};
pub use undelivered::undelivered;
pub use unwatched::{Happened, unwatched};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::check::Check;
use crate::night::alarm::{Alert, AlertChanges};
use crate::night::queue::{Queue, Slot};

/// What goes into a file, and by mail where that is configured.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// What it is about, stable over repeats and restarts: a reminder and the word that it is over carry the same one. A
    /// condition that comes again after it was over has another.
    pub key: String,
    /// When the first of its alerts was raised.
    pub raised_at: Timestamp,
    /// When they were over; `None` while they go on.
    pub cleared_at: Option<Timestamp>,
    /// Name of the file in the station's `alerts` folder: safe on every file system, at most 120 bytes, and the same for
    /// the same alert, so that a repeat overwrites it.
    pub file_name: String,
    /// What and where, at most 70 characters, one line.
    pub subject: String,
    /// The whole text; the subject is its first line. Lines end with `\n`.
    pub body: String,
    /// The same as a whole HTML page without anything from outside.
    pub html: String,
    /// What it tells of.
    pub alerts: Vec<Alert>,
}

impl Message {
    fn of(queue: &str, file_name: String, page: &page::Page, alerts: &[&Alert]) -> Message {
        Message {
            key: key(queue, alerts),
            raised_at: alerts
                .iter()
                .map(|a| a.raised_at)
                .min()
                .unwrap_or(Timestamp::UNIX_EPOCH),
            cleared_at: None,
            file_name,
            subject: page.subject.clone(),
            body: page.text(),
            html: page.html(),
            alerts: alerts.iter().map(|a| (*a).clone()).collect(),
        }
    }
}

/// `crocks|slot:t-6`, `crocks|late-trace|2026-09-21T17:23:00Z`: what a message is about.
fn key(queue: &str, alerts: &[&Alert]) -> String {
    let Some(first) = alerts.first() else {
        return queue.to_owned();
    };
    let place = place(first);
    if is_trace(place) {
        format!("{queue}|{place}")
    } else {
        format!("{queue}|{place}|{}", first.raised_at)
    }
}

/// The messages that a change of a queue's alerts calls for: those raised that are told at once, by trace, in order of position,
/// then conditions of the queue, then those told at once that are cleared.
pub fn messages(queue: &Queue, changes: &AlertChanges, zone: &TimeZone) -> Vec<Message> {
    let raised = grouped(&changes.raised)
        .into_iter()
        .map(|group| raised(queue, &group, zone));
    let cleared = grouped(&changes.cleared)
        .into_iter()
        .filter_map(|group| cleared(&queue.name, &group, zone));
    raised.chain(cleared).collect()
}

/// Alerts told at once, those of one trace (or one condition) together.
fn grouped(alerts: &[Alert]) -> Vec<Vec<&Alert>> {
    let mut groups: Vec<(&str, Vec<&Alert>)> = Vec::new();
    for alert in alerts.iter().filter(|a| a.now) {
        let place = place(alert);
        match groups.iter_mut().find(|(p, _)| *p == place) {
            Some((_, group)) => group.push(alert),
            None => groups.push((place, vec![alert])),
        }
    }
    for (_, group) in &mut groups {
        group.sort_by_key(|a| Check::parse(&a.check));
    }
    groups.sort_by_key(|(place, group)| (!is_trace(place), group.first().and_then(|a| a.position)));
    groups.into_iter().map(|(_, group)| group).collect()
}

/// Where an alert stands: its trace for checks of a trace, else its check.
fn place(alert: &Alert) -> &str {
    let place = alert.key.split_once('|').map_or("", |(_, rest)| {
        rest.rsplit_once('|').map_or(rest, |(place, _)| place)
    });
    if is_trace(place) { place } else { &alert.check }
}

fn is_trace(place: &str) -> bool {
    place.starts_with("slot:")
}

fn raised(queue: &Queue, alerts: &[&Alert], zone: &TimeZone) -> Message {
    let stem = alerts
        .first()
        .map_or("", |a| place(a))
        .strip_prefix("slot:");
    match stem.and_then(|s| queue.slot_of(s)) {
        // One trace, one message: what else is open at it belongs into the text.
        Some(slot) => {
            let place = alerts.first().map_or("", |a| place(a));
            let mut all: Vec<&Alert> = queue
                .alerts()
                .open()
                .filter(|a| a.now && self::place(a) == place)
                .collect();
            // Checks by what spoils most, analytes as the method has them.
            let analyte = |a: &Alert| {
                queue
                    .method()
                    .analytes
                    .iter()
                    .position(|x| x.name == a.analyte)
            };
            all.sort_by_key(|a| (Check::parse(&a.check), analyte(a)));
            of_trace(
                queue,
                slot,
                if all.is_empty() { alerts } else { &all },
                zone,
            )
        }
        None => of_condition(&queue.name, alerts, zone),
    }
}

/// The message of one trace. `alerts`: those that are told with it, the first giving subject and file name.
pub fn of_trace(queue: &Queue, slot: &Slot, alerts: &[&Alert], zone: &TimeZone) -> Message {
    let subject = subject::of_trace(queue, slot, alerts);
    let file_name = trace_file_name(&queue.name, slot.plan.position, &slot.plan.stem);
    let page = body::of_trace(&subject, queue, slot, alerts, zone);
    Message::of(&queue.name, file_name, &page, alerts)
}

/// The message of a condition that no trace stands for: `late-trace`, `calibration`, `run-list`. Told again after
/// a while it is the same file.
pub fn of_condition(queue: &str, alerts: &[&Alert], zone: &TimeZone) -> Message {
    let subject = subject::of_condition(queue, alerts);
    let (check, raised) = alerts
        .first()
        .map_or(("", String::new()), |a| (a.check.as_str(), stamp(a, zone)));
    let page = body::of_condition(&subject, queue, alerts, zone);
    Message::of(
        queue,
        condition_file_name(queue, check, &raised),
        &page,
        alerts,
    )
}

/// The message that alerts of one trace or condition are over; `None` where there is none to tell of.
pub fn cleared(queue: &str, alerts: &[&Alert], zone: &TimeZone) -> Option<Message> {
    let first = alerts.first()?;
    let stem = place(first).strip_prefix("slot:");
    let subject = subject::cleared(queue, alerts);
    let at = stem.and_then(|s| Some((first.position?, s)));
    let name = match at {
        Some((position, stem)) => trace_file_name(queue, position, stem),
        None => condition_file_name(queue, &first.check, &stamp(first, zone)),
    };
    let file_name = format!("{}-cleared.txt", name.strip_suffix(".txt").unwrap_or(&name));
    let page = body::cleared(&subject, queue, alerts, zone);
    Some(Message {
        cleared_at: alerts.iter().filter_map(|a| a.cleared_at).max(),
        ..Message::of(queue, file_name, &page, alerts)
    })
}

/// When an alert was raised, as part of a file name: `20260921T190900`.
fn stamp(alert: &Alert, zone: &TimeZone) -> String {
    stamp_of(alert.raised_at, zone)
}

fn stamp_of(at: Timestamp, zone: &TimeZone) -> String {
    let t = zone.to_datetime(at);
    format!(
        "{:04}{:02}{:02}T{:02}{:02}{:02}",
        t.year(),
        t.month(),
        t.day(),
        t.hour(),
        t.minute(),
        t.second()
    )
}

/// `crocks-014-t-14.txt`: the same for every message about a trace, so that there is one.
fn trace_file_name(queue: &str, position: u64, stem: &str) -> String {
    format!(
        "{}-{position:03}-{}.txt",
        name::distinct(queue, 32),
        name::distinct(stem, 40)
    )
}

/// `crocks-late-trace-20260921T190900.txt`.
fn condition_file_name(queue: &str, check: &str, raised: &str) -> String {
    format!(
        "{}-{}-{raised}.txt",
        name::distinct(queue, 32),
        name::safe(check, 16)
    )
}

#[cfg(test)]
mod tests;
