//! `sheet.csv`: one row for each injection and analyte.
//!
//! [`slot_rows`] is a pure function; [`file`](mod@file) is the only part that touches the disk.

pub mod file;

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::cells;
use crate::check::Line;
use crate::method::Quantify;
use crate::night::queue::{Queue, Row, Slot};

/// The first line.
pub const HEADER: &str = "queue,position,landed_at,tray,vial,kind,name,series,time_h,replicate,analyte,retention_min,\
area_mau_s,height_mau,signal_to_noise,measured,dilution,concentration,unit,low_95,high_95,recovery_percent,verdict,reasons,\
trace,sha256,calibration\n";

/// Digits of concentrations.
const DIGITS: usize = 6;

/// The whole sheet: header and the rows of all slots in order.
pub fn whole(queue: &Queue, zone: &TimeZone) -> String {
    let mut out = HEADER.to_owned();
    for slot in queue.slots() {
        slot_rows(&mut out, queue, slot, zone);
    }
    out
}

/// Appends the rows of one slot, one for each analyte in the method's order; none where it is not shown.
pub fn slot_rows(out: &mut String, queue: &Queue, slot: &Slot, zone: &TimeZone) {
    if !slot.is_shown() {
        return;
    }
    let method = queue.method();
    let empty = (Line::default(), Row::default());
    let mut shared: Option<(std::ops::Range<usize>, std::ops::Range<usize>)> = None;
    for (k, analyte) in method.analytes.iter().enumerate() {
        // What all rows of a slot share is written once and copied.
        let start = out.len();
        match &shared {
            Some((injection, _)) => out.extend_from_within(injection.clone()),
            None => injection_cells(out, queue, slot, zone),
        }
        let injection = start..out.len();
        cells::text(out, &analyte.name);
        let line = slot.assessment.lines.get(k).unwrap_or(&empty.0);
        figures(out, line, slot.plan.dilution, &analyte.unit);
        judgement(out, slot.rows.get(k).unwrap_or(&empty.1));
        let start = out.len();
        match &shared {
            Some((_, trace)) => out.extend_from_within(trace.clone()),
            None => trace_cells(out, slot),
        }
        let trace = start..out.len();
        if line.measured.is_some() {
            let label = queue.serving().label(method, k);
            if line.bracketed {
                cells::text(out, &format!("{label}, {}", Quantify::Bracketing.word()));
            } else {
                cells::text(out, label);
            }
        }
        out.push(cells::END);
        shared.get_or_insert((injection, trace));
    }
}

/// `queue` to `replicate`, each with its comma.
fn injection_cells(out: &mut String, queue: &Queue, slot: &Slot, zone: &TimeZone) {
    let plan = &slot.plan;
    cells::text(out, &queue.name);
    let _ = write!(out, ",{},", plan.position);
    if let Some(landing) = &slot.landing {
        cells::time(out, landing.landed_at, zone);
    }
    for text in [
        &plan.tray,
        &plan.vial,
        plan.kind.word(),
        &plan.name,
        &plan.series,
    ] {
        out.push(',');
        cells::text(out, text);
    }
    out.push(',');
    cells::plain(out, plan.time_h);
    out.push(',');
    cells::text(out, &plan.replicate);
    out.push(',');
}

/// `retention_min` to `recovery_percent`, each with a comma before it.
fn figures(out: &mut String, line: &Line, dilution: f64, unit: &str) {
    for (value, decimals) in [
        (line.retention_min, 4),
        (line.area_mau_s, 4),
        (line.height_mau, 4),
        (line.signal_to_noise, 1),
    ] {
        out.push(',');
        cells::fixed(out, value, decimals);
    }
    out.push(',');
    cells::significant(out, line.measured, DIGITS);
    out.push(',');
    cells::plain(out, Some(dilution));
    out.push(',');
    cells::significant(out, line.concentration, DIGITS);
    out.push(',');
    cells::text(out, unit);
    for value in [line.low_95, line.high_95] {
        out.push(',');
        cells::significant(out, value, DIGITS);
    }
    out.push(',');
    cells::fixed(out, line.recovery_percent, 2);
}

/// `,verdict,reasons,`
fn judgement(out: &mut String, row: &Row) {
    out.push(',');
    out.push_str(row.verdict.map_or("", |v| v.word()));
    for (i, reason) in row.reasons.iter().enumerate() {
        out.push(if i == 0 { ',' } else { ' ' });
        out.push_str(reason.word());
    }
    if row.reasons.is_empty() {
        out.push(',');
    }
    out.push(',');
}

/// `trace,sha256,`
fn trace_cells(out: &mut String, slot: &Slot) {
    if let Some(landing) = &slot.landing {
        cells::text(out, &landing.file_name);
        out.push(',');
        out.push_str(&landing.sha256);
        out.push(',');
    } else {
        out.push_str(",,");
    }
}

#[cfg(test)]
mod tests;
