//! Calibrations, and what all of it was made with.

use jiff::tz::TimeZone;

use super::WIDTH;
use crate::method::{Limits, Quantify};
use crate::night::queue::Queue;
use crate::quant::curve::Curve;
use crate::report::words::{cut, day_and_time, table, wrap};
use crate::text::{one_line, significant};

/// Digits of concentrations.
const DIGITS: usize = 4;
/// Said of a queue whose method asks for it.
const BRACKETING: &str = "Samples are quantified by bracketing: the response factor is interpolated between the checkpoints \
before and after them. Standards are judged by the calibration alone.";

/// What the pump's log says, where one is read.
pub(super) fn pressure(queue: &Queue, zone: &TimeZone) -> String {
    let mut out = String::new();
    if let Some(digest) = &queue.pressure {
        let normal = queue.method().limits.pressure_normal_mpa;
        for line in crate::pressure::words::summary(digest, normal, zone) {
            wrap(&mut out, "  - ", &line, WIDTH);
        }
    }
    out
}

/// The curve that serves each analyte.
pub(super) fn calibration(queue: &Queue) -> String {
    let method = queue.method();
    let rows: Vec<Vec<String>> = method
        .analytes
        .iter()
        .enumerate()
        .map(|(k, a)| {
            let mut cells = vec![cut(&a.name, 16)];
            match queue.serving().curve(method, k) {
                Some(curve) => cells.extend(curve_cells(curve, queue.serving().label(method, k))),
                None => cells.push("none: no concentrations".to_owned()),
            }
            cells
        })
        .collect();
    let mut out = String::new();
    table(
        &mut out,
        "  ",
        &[
            "analyte",
            "calibration",
            ">R2",
            "range",
            ">LOD",
            ">LOQ",
            "unit",
        ],
        &rows,
        WIDTH,
    );
    for (k, analyte) in method.analytes.iter().enumerate() {
        if let Some(curve) = queue.serving().curve(method, k) {
            limits_of_use(&mut out, curve, &analyte.name, &method.limits);
        }
    }
    if method.quantify == Quantify::Bracketing {
        wrap(&mut out, "  ", BRACKETING, WIDTH);
    }
    out
}

/// Where not all of a calibrated range can be used, from where on and why.
fn limits_of_use(out: &mut String, curve: &Curve, analyte: &str, limits: &Limits) {
    let usable = curve.usable(limits);
    if usable.because.is_some() {
        let words = usable.words(&curve.unit);
        let text = format!("{}: usable range {}", one_line(analyte), one_line(&words));
        wrap(out, "  ", &text, WIDTH);
    }
}

fn curve_cells(curve: &Curve, label: &str) -> [String; 6] {
    let [low, high] = curve.range();
    [
        cut(label, 30),
        significant(curve.r2(), 6),
        format!(
            "{} to {}",
            significant(low, DIGITS),
            significant(high, DIGITS)
        ),
        significant(curve.lod, 2),
        significant(curve.loq, 2),
        cut(&curve.unit, 8),
    ]
}

/// Method and program, the ledger's record; the calibrations have their own table.
pub(super) fn provenance(queue: &Queue, zone: &TimeZone) -> String {
    let method = queue.method();
    let mut lines = vec![
        format!(
            "method {} (SHA-256 {}..)",
            one_line(&method.name),
            short(&method.sha256)
        ),
        format!("runsitter {}", env!("CARGO_PKG_VERSION")),
    ];
    if let Some(head) = &queue.made.head {
        lines.push(format!(
            "ledger record {}:{}",
            head.record,
            short(&head.link)
        ));
    }
    for change in &queue.made.changes {
        lines.push(format!(
            "the {} changed after the first trace had landed, found {}: from SHA-256 {}.. to {}..",
            one_line(&change.what),
            day_and_time(change.at, zone),
            short(&change.from),
            short(&change.to)
        ));
    }
    let mut out = String::new();
    for line in lines {
        wrap(&mut out, "  ", &line, WIDTH);
    }
    out
}

/// As much of a hash as a person compares.
fn short(hash: &str) -> &str {
    hash.get(..12).unwrap_or(hash)
}
