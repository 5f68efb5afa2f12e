//! Means over time, calibrations, and what all of it was made with.

use super::{LONGEST_LIST, WIDTH, more};
use crate::method::Limits;
use crate::night::queue::Queue;
use crate::quant::curve::Curve;
use crate::report::time_course::{Mean, means};
use crate::report::words::{cut, table, wrap};
use crate::text::{one_line, significant};

/// Digits of concentrations.
const DIGITS: usize = 4;

/// Means of replicates.
pub(super) fn time_course(queue: &Queue) -> String {
    let all = means(queue);
    if all.is_empty() {
        return String::new();
    }
    let rows: Vec<Vec<String>> = all
        .iter()
        .take(LONGEST_LIST)
        .map(|m| mean(queue, m))
        .collect();
    let mut out = String::new();
    table(
        &mut out,
        "  ",
        &[
            "series", ">h", "analyte", ">n", ">mean", ">sd", "95 %", "unit", "",
        ],
        &rows,
        WIDTH,
    );
    more(&mut out, all.len(), LONGEST_LIST, "time-course.csv");
    if all.iter().any(|m| !m.left_out.is_empty()) {
        out.push_str("  What is left out, and why, stands in time-course.csv.\n");
    }
    out
}

fn mean(queue: &Queue, m: &Mean) -> Vec<String> {
    let group = queue.groups().get(m.group);
    let analyte = queue.method().analytes.get(m.analyte);
    let f = m.figures.as_ref();
    let number = |x: Option<f64>| x.map(|x| significant(x, DIGITS)).unwrap_or_default();
    let ends = f.and_then(|f| f.low_95.zip(f.high_95));
    vec![
        group.map(|g| cut(&g.series, 20)).unwrap_or_default(),
        number(group.and_then(|g| g.time_h)),
        analyte.map(|a| cut(&a.name, 14)).unwrap_or_default(),
        f.map_or(0, |f| f.n).to_string(),
        number(f.map(|f| f.mean)),
        number(f.and_then(|f| f.sd)),
        ends.map(|(l, h)| format!("{} to {}", significant(l, DIGITS), significant(h, DIGITS)))
            .unwrap_or_default(),
        analyte.map(|a| cut(&a.unit, 8)).unwrap_or_default(),
        if m.provisional {
            "provisional".to_owned()
        } else {
            String::new()
        },
    ]
}

/// What the pump's log says, where one is read.
pub(super) fn pressure(queue: &Queue, zone: &jiff::tz::TimeZone) -> String {
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

/// Method and program; the calibrations have their own table.
pub(super) fn provenance(queue: &Queue) -> String {
    let method = queue.method();
    let mut out = String::new();
    let short = method.sha256.get(..12).unwrap_or(&method.sha256);
    wrap(
        &mut out,
        "  ",
        &format!("method {} (SHA-256 {short}..)", one_line(&method.name)),
        WIDTH,
    );
    wrap(
        &mut out,
        "  ",
        &format!("runsitter {}", env!("CARGO_PKG_VERSION")),
        WIDTH,
    );
    out
}
