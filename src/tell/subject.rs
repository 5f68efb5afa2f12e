//! Subject lines: what and where, short enough for a phone.

use crate::budget::told_apart;
use crate::check::Check;
use crate::night::alarm::Alert;
use crate::night::queue::{Queue, Slot};
use crate::report::words::cut;
use crate::runlist::Kind;
use crate::text::{count, fixed, significant};

/// Longest subject, characters.
const LONGEST: usize = 70;
/// Longest name of a queue in it, and what is left of one where room is short, characters.
const NAME: usize = 30;
const SHORTEST_NAME: usize = 12;

/// `standard low: lactic acid 84 % at 14 of 24, 6 samples to rerun`.
pub(super) fn of_trace(queue: &Queue, slot: &Slot, alerts: &[&Alert]) -> String {
    let place = format!("at {} of {}", slot.plan.position, queue.slots().len());
    let touched = super::body::touched(queue, alerts);
    let rerun = touched.iter().filter(|s| s.is_rerun()).count();
    // An early warning sends no sample back: what its neighbours do is not said here.
    let lead = alerts.first().and_then(|a| Check::parse(&a.check));
    let warns = matches!(
        lead,
        Some(Check::StandardDrift | Check::RetentionShift | Check::PeakShape)
    );
    let tail = match slot.plan.kind {
        Kind::Standard if warns => String::new(),
        Kind::Standard if rerun > 0 => format!(", {} to rerun", count(rerun, "sample")),
        Kind::Blank if !touched.is_empty() => format!(", {} near", count(touched.len(), "sample")),
        Kind::Sample | Kind::Calibrator if slot.is_rerun() => ", to rerun".to_owned(),
        _ => String::new(),
    };
    let fixed_part = format!(" {place}{tail}");
    // Where and what it costs always stay whole; a long analyte's name gives way.
    let room = LONGEST.saturating_sub(fixed_part.chars().count()).max(12);
    cut(
        &format!("{}{fixed_part}", cut(&what(slot.plan.kind, alerts), room)),
        LONGEST,
    )
}

fn what(kind: Kind, alerts: &[&Alert]) -> String {
    let Some(alert) = alerts.first() else {
        return "check failed".to_owned();
    };
    let measured = alert.measured;
    let value = |decimals: usize| measured.map(|m| fixed(m, decimals)).unwrap_or_default();
    let signed = || {
        format!(
            "{}{}",
            if measured.is_some_and(|m| m > 0.0) {
                "+"
            } else {
                ""
            },
            value(1)
        )
    };
    let analyte = &alert.analyte;
    match Check::parse(&alert.check) {
        Some(Check::UnreadableTrace) => format!("unreadable trace {}", alert.trace),
        Some(Check::MissingTrace) => format!("missing trace {}", alert.name),
        Some(Check::AirBubble) => format!("air in the lines, {}", alert.name),
        Some(Check::NoPeak) => format!("{} without a peak: {analyte}", kind.word()),
        Some(Check::Saturated) => format!("{} at the detector's ceiling: {analyte}", kind.word()),
        Some(Check::Recovery) => {
            let side = if measured.is_some_and(|m| m < 100.0) {
                "low"
            } else {
                "high"
            };
            format!("standard {side}: {analyte} {} %", value(0))
        }
        Some(Check::CarryOver) => format!("carry-over: {analyte} {} %", value(0)),
        Some(Check::BlankNoise) => format!("noisy blank: {} mAU", value(2)),
        Some(Check::BlankDrift) => format!("drifting blank: {} mAU/h", signed()),
        Some(Check::StandardDrift) => format!("standard drifts: {analyte} {} %", signed()),
        Some(Check::RetentionShift) => format!("peak moved: {analyte} {} %", signed()),
        _ => format!("{} {}", alert.check, alert.name),
    }
}

/// `crocks has stopped: no trace for 45 min`.
pub(super) fn of_condition(queue: &str, alerts: &[&Alert]) -> String {
    let Some(alert) = alerts.first() else {
        return cut(queue, LONGEST);
    };
    // What and how much stay whole; a long queue's name gives way.
    let whole = text_of_condition(&cut(queue, NAME), alert, alerts);
    let over = whole.chars().count().saturating_sub(LONGEST);
    if over == 0 {
        return whole;
    }
    let shown = cut(queue, NAME).chars().count();
    let name = cut(queue, shown.saturating_sub(over).max(SHORTEST_NAME));
    cut(&text_of_condition(&name, alert, alerts), LONGEST)
}

fn text_of_condition(name: &str, alert: &Alert, alerts: &[&Alert]) -> String {
    match Check::parse(&alert.check) {
        Some(Check::LateTrace) => {
            format!(
                "{name} has stopped: no trace for {} min",
                alert
                    .measured
                    .map(|m| significant(m.round(), 4))
                    .unwrap_or_default()
            )
        }
        Some(Check::Calibration) => {
            let names: Vec<&str> = alerts.iter().map(|a| a.analyte.as_str()).collect();
            format!(
                "{name}: calibration misses its limits: {}",
                names.join(", ")
            )
        }
        Some(Check::RunList) => format!("{name}: the run list cannot be used"),
        Some(
            check @ (Check::PressureHigh
            | Check::PressureLow
            | Check::PressureRise
            | Check::PressureRipple),
        ) => pressure(name, check, alert),
        Some(Check::EluentShort) => format!(
            "{name}: eluent does not last, {}",
            volumes(alert, "needed", "there")
        ),
        Some(Check::WasteFull) => format!(
            "{name}: waste runs full, {}",
            volumes(alert, "to come", "free")
        ),
        _ => {
            let figure = alert
                .measured
                .map(|m| format!(" {} {}", significant(m, 4), alert.unit))
                .unwrap_or_default();
            format!("{name}: {}{figure}", alert.check)
        }
    }
}

/// `crocks: pressure high, 9.4 MPa (limit 9)`.
fn pressure(name: &str, check: Check, alert: &Alert) -> String {
    let value = alert
        .measured
        .map(|m| significant(m, 3))
        .unwrap_or_default();
    let limit = &alert.limit;
    match check {
        Check::PressureHigh => format!("{name}: pressure high, {value} MPa (limit {limit})"),
        Check::PressureLow => format!("{name}: pressure low, {value} MPa (limit {limit})"),
        Check::PressureRise if !alert.affected.is_empty() => format!(
            "{name}: pressure rising to {limit} MPa {} before the end",
            count(alert.affected.len(), "injection")
        ),
        Check::PressureRise => format!("{name}: pressure rising, {value} of {limit} MPa"),
        _ => format!("{name}: pressure pulsates by {value} MPa"),
    }
}

/// `1126 mL needed, 900 mL there`.
fn volumes(alert: &Alert, needed_is: &str, may_is: &str) -> String {
    let may = alert.limit.parse().unwrap_or(f64::NAN);
    let (needed, may) = told_apart(alert.measured.unwrap_or(f64::NAN), may);
    format!(
        "{needed} {unit} {needed_is}, {may} {unit} {may_is}",
        unit = alert.unit
    )
}

/// `over: recovery at 14 (crocks)`.
pub(super) fn cleared(queue: &str, alerts: &[&Alert]) -> String {
    let mut checks: Vec<&str> = alerts.iter().map(|a| a.check.as_str()).collect();
    checks.dedup();
    let place = alerts
        .first()
        .filter(|a| super::is_trace(super::place(a)))
        .and_then(|a| a.position)
        .map(|p| format!(" at {p}"))
        .unwrap_or_default();
    cut(
        &format!("over: {}{place} ({})", checks.join(", "), cut(queue, 30)),
        LONGEST,
    )
}
