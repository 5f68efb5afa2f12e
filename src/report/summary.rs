//! `summary.txt`: the night on a page or two, for whoever comes in first in the morning.
//!
//! The first line says whether it worked. Then what to do now, what happened, and the figures. Nothing is claimed beyond the
//! verdicts: a result that waits for its standard is counted as waiting.

mod course;
mod figures;
mod happened;
mod repeats;
mod results;
pub mod tally;
mod todo;

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::words::wrap;
use crate::night::queue::Queue;
use crate::runlist::Kind;
use tally::Tally;

/// Longest line, characters.
pub const WIDTH: usize = 100;
/// Longest list of one kind; the rest is counted.
const LONGEST_LIST: usize = 200;

const SMALL_PRINT: &str = "This program reads exported files only; it controls no instrument and is no safety device. A verdict says that \
the checks of the method passed, not that a result is true.";

/// The whole text of a queue, which may still be running.
pub fn text(queue: &Queue, zone: &TimeZone) -> String {
    let tally = Tally::of(queue);
    let mut out = String::new();
    wrap(&mut out, "", &headline(queue, &tally), WIDTH);
    if let Some(second) = second_line(queue, zone) {
        wrap(&mut out, "", &second, WIDTH);
    }
    section(&mut out, "WHAT TO DO NOW", todo::write(queue, &tally));
    section(&mut out, "WHAT HAPPENED", happened::write(queue, zone));
    section(&mut out, "STANDARDS", results::standards(queue, zone));
    section(&mut out, "BLANKS", results::blanks(queue));
    section(&mut out, "SAMPLES", results::samples(queue));
    section(&mut out, "REPEATS", repeats::write(queue));
    section(&mut out, "TIME COURSE", course::write(queue));
    section(&mut out, "PRESSURE", figures::pressure(queue, zone));
    section(&mut out, "CALIBRATION", figures::calibration(queue));
    section(&mut out, "NOTES", happened::notes(queue));
    section(&mut out, "MADE WITH", figures::provenance(queue, zone));
    out.push('\n');
    wrap(&mut out, "", SMALL_PRINT, WIDTH);
    out
}

fn section(out: &mut String, title: &str, body: String) {
    if !body.is_empty() {
        let _ = write!(out, "\n{title}\n{body}");
    }
}

/// Did it work? `crocks: 18 of 24 results can be used; 6 must be injected again`.
///
/// A result is one analyte of one sample injection.
pub fn headline(queue: &Queue, tally: &Tally) -> String {
    let name = super::words::cut(&queue.name, 40);
    let so_far = if queue.is_ended() { "" } else { ", so far" };
    if tally.total() == 0 {
        return format!("{name}{so_far}: no samples");
    }
    let mut parts = vec![match tally.usable {
        0 => format!("none of {} results can be used", tally.total()),
        all if all == tally.total() => format!("all {all} results can be used"),
        some => format!("{some} of {} results can be used", tally.total()),
    }];
    let mut part = |n: usize, what: &str| {
        if n > 0 {
            parts.push(format!("{n} {what}"));
        }
    };
    part(
        tally.repaired,
        "stand by another injection of the same sample",
    );
    part(tally.rerun, "must be injected again");
    part(
        tally.provisional,
        if queue.is_ended() {
            "stay provisional"
        } else {
            "wait for their next standard"
        },
    );
    part(tally.without_value, "have no calibration");
    part(tally.to_come, "are not in yet");
    format!("{name}{so_far}: {}", parts.join("; "))
}

/// When the traces came, and how many of how many.
fn second_line(queue: &Queue, zone: &TimeZone) -> Option<String> {
    let landed: Vec<_> = queue
        .slots()
        .iter()
        .filter_map(|s| s.landing.as_ref())
        .collect();
    let (first, last) = (
        landed.iter().map(|l| l.landed_at).min()?,
        landed.iter().map(|l| l.landed_at).max()?,
    );
    let listed = queue
        .slots()
        .iter()
        .filter(|s| s.plan.kind != Kind::Conditioning || s.is_settled())
        .count();
    Some(format!(
        "{} of {listed} injections landed, from {} to {}",
        landed.len(),
        super::words::day_and_time(first, zone),
        super::words::day_and_time(last, zone)
    ))
}

/// Appends `.. and 12 more: sheet.csv has them all` where a list was cut.
fn more(out: &mut String, all: usize, shown: usize, file: &str) {
    if all > shown {
        let _ = writeln!(out, "  .. and {} more: {file} has them all", all - shown);
    }
}

#[cfg(test)]
mod tests;
