//! Tables of standards, blanks and samples.

use jiff::tz::TimeZone;

use super::{LONGEST_LIST, WIDTH, more};
use crate::check::{Failure, volume_correction};
use crate::night::queue::{Queue, Row, Slot};
use crate::reading::{Evaluation, Reading};
use crate::report::words::{clock, cut, table};
use crate::runlist::Kind;
use crate::text::{fixed, significant};

/// Analytes side by side in the table of standards; more go on further lines.
const ABREAST: usize = 4;
/// Digits of concentrations.
const DIGITS: usize = 4;

fn of_kind(queue: &Queue, kind: Kind) -> Vec<&Slot> {
    queue
        .slots()
        .iter()
        .filter(|s| s.plan.kind == kind && s.is_shown())
        .collect()
}

fn reading(slot: &Slot) -> Option<&Reading> {
    match &slot.landing.as_ref()?.evaluation {
        Evaluation::Read(reading) => Some(reading),
        Evaluation::Unreadable(_) => None,
    }
}

/// Names of the checks that failed at an injection, each once.
fn checks(failures: &[Failure]) -> String {
    let mut names: Vec<&str> = failures.iter().map(|f| f.check.name()).collect();
    names.dedup();
    names.join(" ")
}

/// Recoveries, %, by analyte.
pub(super) fn standards(queue: &Queue, zone: &TimeZone) -> String {
    let slots = of_kind(queue, Kind::Standard);
    let analytes = &queue.method().analytes;
    let mut out = String::new();
    for first in (0..analytes.len())
        .step_by(ABREAST)
        .filter(|_| !slots.is_empty())
    {
        let part = analytes.iter().skip(first).take(ABREAST);
        let names: Vec<String> = part.map(|a| format!(">{} %", cut(&a.name, 12))).collect();
        let mut header = vec![">at", "landed", "name", "level"];
        header.extend(names.iter().map(String::as_str));
        header.extend(["verdict", "checks that failed"]);
        let rows: Vec<Vec<String>> = slots
            .iter()
            .take(LONGEST_LIST)
            .map(|s| standard(s, first, names.len(), zone))
            .collect();
        table(&mut out, "  ", &header, &rows, WIDTH);
    }
    more(&mut out, slots.len(), LONGEST_LIST, "sheet.csv");
    out
}

fn standard(slot: &Slot, first: usize, analytes: usize, zone: &TimeZone) -> Vec<String> {
    let landed = slot
        .landing
        .as_ref()
        .map(|l| clock(l.landed_at, zone))
        .unwrap_or_default();
    let mut cells = vec![
        slot.plan.position.to_string(),
        landed,
        cut(&slot.plan.name, 14),
        cut(&slot.plan.level, 8),
    ];
    let recovery = |k: usize| {
        slot.assessment
            .lines
            .get(k)
            .and_then(|l| l.recovery_percent)
            .map(|r| fixed(r, 1))
            .unwrap_or_default()
    };
    cells.extend((first..first + analytes).map(recovery));
    let verdict = slot
        .rows
        .first()
        .and_then(|r| r.verdict)
        .map_or("", |v| v.word());
    // What there is no calibration for cannot pass: it says nothing, and is not called accepted.
    let judged = slot
        .assessment
        .lines
        .iter()
        .any(|l| l.recovery_percent.is_some())
        || slot.is_rerun();
    cells.push(if judged {
        verdict.to_owned()
    } else {
        "not judged".to_owned()
    });
    cells.push(checks(&slot.assessment.failures));
    cells
}

/// Noise, drift and the tallest peak in a window.
pub(super) fn blanks(queue: &Queue) -> String {
    let slots = of_kind(queue, Kind::Blank);
    if slots.is_empty() {
        return String::new();
    }
    let rows: Vec<Vec<String>> = slots
        .iter()
        .take(LONGEST_LIST)
        .map(|s| {
            let r = reading(s);
            let figure = |x: Option<f64>| x.map(|x| fixed(x, 2)).unwrap_or_default();
            let tallest = r.and_then(|r| {
                r.analytes
                    .iter()
                    .flatten()
                    .map(|f| f.height_mau)
                    .reduce(f64::max)
            });
            vec![
                s.plan.position.to_string(),
                cut(&s.plan.name, 24),
                figure(r.and_then(|r| r.noise_mau)),
                figure(r.and_then(|r| r.drift_mau_per_h)),
                figure(tallest),
                s.rows
                    .first()
                    .and_then(|r| r.verdict)
                    .map_or("", |v| v.word())
                    .to_owned(),
                checks(&s.assessment.failures),
            ]
        })
        .collect();
    let mut out = String::new();
    table(
        &mut out,
        "  ",
        &[
            ">at",
            "name",
            ">noise, mAU",
            ">drift, mAU/h",
            ">highest peak, mAU",
            "verdict",
            "checks that failed",
        ],
        &rows,
        WIDTH,
    );
    more(&mut out, slots.len(), LONGEST_LIST, "sheet.csv");
    out
}

/// One line for each sample and analyte.
pub(super) fn samples(queue: &Queue) -> String {
    let slots = of_kind(queue, Kind::Sample);
    let analytes = queue.method().analytes.len();
    let shown = LONGEST_LIST / analytes.max(1);
    if slots.is_empty() {
        return String::new();
    }
    let rows: Vec<Vec<String>> = slots
        .iter()
        .take(shown)
        .flat_map(|s| (0..analytes).map(move |k| sample(queue, s, k)))
        .collect();
    let mut out = String::new();
    table(
        &mut out,
        "  ",
        &[
            ">at", "name", "analyte", ">result", "95 %", "unit", "verdict", "why",
        ],
        &rows,
        WIDTH,
    );
    more(&mut out, slots.len(), shown, "sheet.csv");
    out
}

fn sample(queue: &Queue, slot: &Slot, k: usize) -> Vec<String> {
    let (at, name) = if k == 0 {
        (slot.plan.position.to_string(), cut(&label(slot), 20))
    } else {
        (String::new(), String::new())
    };
    let analyte = queue.method().analytes.get(k);
    let row = slot.rows.get(k);
    vec![
        at,
        name,
        analyte.map(|a| cut(&a.name, 12)).unwrap_or_default(),
        result(queue, slot, k),
        interval(slot, k),
        analyte.map(|a| cut(&a.unit, 7)).unwrap_or_default(),
        row.and_then(|r| r.verdict)
            .map_or("", |v| v.word())
            .to_owned(),
        why(row),
    ]
}

/// Series, time and replicate where they are given, else the name.
fn label(slot: &Slot) -> String {
    let plan = &slot.plan;
    let name = if plan.name.is_empty() {
        &plan.stem
    } else {
        &plan.name
    };
    if plan.series.is_empty() {
        return name.clone();
    }
    let time = plan
        .time_h
        .map(|t| format!(" {} h", significant(t, 5)))
        .unwrap_or_default();
    let replicate = if plan.replicate.is_empty() {
        String::new()
    } else {
        format!(" r{}", plan.replicate)
    };
    format!("{}{time}{replicate}", plan.series)
}

/// The concentration; below the limit of detection as `< 0.05`.
fn result(queue: &Queue, slot: &Slot, k: usize) -> String {
    if let Some(x) = slot.assessment.lines.get(k).and_then(|l| l.concentration) {
        return significant(x, DIGITS);
    }
    let curve = queue.serving().curve(queue.method(), k);
    let no_peak = reading(slot).is_some_and(|r| r.analytes.get(k).is_some_and(Option::is_none));
    let lod =
        curve.map(|c| c.lod * slot.plan.dilution * volume_correction(&slot.plan, queue.method()));
    match lod.filter(|l| no_peak && l.is_finite() && *l > 0.0) {
        Some(lod) => format!("< {}", significant(lod, 2)),
        None if no_peak => "no peak".to_owned(),
        None => String::new(),
    }
}

fn interval(slot: &Slot, k: usize) -> String {
    let ends = slot
        .assessment
        .lines
        .get(k)
        .and_then(|l| l.low_95.zip(l.high_95));
    ends.map(|(low, high)| {
        format!(
            "{} to {}",
            significant(low, DIGITS),
            significant(high, DIGITS)
        )
    })
    .unwrap_or_default()
}

fn why(row: Option<&Row>) -> String {
    let reasons = row.map(|r| r.reasons.as_slice()).unwrap_or_default();

    reasons
        .iter()
        .map(|r| r.word())
        .collect::<Vec<_>>()
        .join(" ")
}
