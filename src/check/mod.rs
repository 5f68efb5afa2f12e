//! Results held against limits. Pure: values in, named failures out; knows nothing of files, mail or the time of day.
//!
//! One file for each family: [`blank`], [`standard`], [`sample`]; [`name`] is the one table of names, effects and
//! who is told when. [`assess`] is the way in: one injection's reading becomes numbers and failures. What depends on
//! other injections (brackets, replicates) is the business of [`night`](crate::night).

pub mod blank;
pub mod name;
pub mod sample;
pub mod standard;

pub use name::{Check, Effect, Told};

use crate::method::Method;
use crate::quant::bracketing::Factor;
use crate::quant::curve::{Curve, Repeats};
use crate::reading::{Evaluation, Found, Reading};
use crate::runlist::{Injection, Kind};
use crate::text::{fixed, significant};

/// One check that failed.
#[derive(Debug, Clone, PartialEq)]
pub struct Failure {
    /// Which.
    pub check: Check,
    /// Index of the analyte in the method, where it concerns one.
    pub analyte: Option<usize>,
    /// What was measured, in `unit`.
    pub measured: Option<f64>,
    /// The limit as people write it, in `unit`: `90-110`, `5`.
    pub limit: String,
    /// Unit of both; empty where there is none.
    pub unit: String,
    /// One sentence without a final stop: what was measured against which limit.
    pub message: String,
    /// What it does to the injection's verdict (the table's entry, or what the dilution makes of it).
    pub effect: Effect,
}

/// The numbers of one injection and analyte, one row of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Line {
    /// Apex, min.
    pub retention_min: Option<f64>,
    /// Area, mAU·s.
    pub area_mau_s: Option<f64>,
    /// Height, mAU.
    pub height_mau: Option<f64>,
    /// 2H/h.
    pub signal_to_noise: Option<f64>,
    /// In the vial, for the method's injection volume, in the analyte's unit.
    pub measured: Option<f64>,
    /// `measured` × dilution.
    pub concentration: Option<f64>,
    /// Lower end of the 95 % interval of `concentration`.
    pub low_95: Option<f64>,
    /// Upper end.
    pub high_95: Option<f64>,
    /// 100 × found / nominal, % (standards and calibrators).
    pub recovery_percent: Option<f64>,
    /// What stood in the detector by the curve alone, before any correction (for the injected volume, for the response
    /// between checkpoints): the calibrated range is judged on it.
    pub in_detector: Option<f64>,
    /// The response factor between the checkpoints has set it right.
    pub bracketed: bool,
}

/// What one injection gave, judged by itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Assessment {
    /// One for each analyte of the method.
    pub lines: Vec<Line>,
    /// In message order.
    pub failures: Vec<Failure>,
    /// Things worth saying in the summary.
    pub notes: Vec<String>,
}

/// What an injection is judged with.
#[derive(Clone, Copy)]
pub struct Bench<'a> {
    /// Analytes, levels and limits.
    pub method: &'a Method,
    /// One for each analyte of the method, where a calibration serves it.
    pub curves: &'a [Option<&'a Curve>],
    /// What the standards around a sample show of each analyte's scatter; shorter or empty: nothing.
    pub repeats: &'a [Option<Repeats>],
    /// Response factors at a sample's place, where it is quantified by bracketing; shorter or empty: by the curve alone.
    pub factors: &'a [Option<Factor>],
    /// Areas (for the method's injection volume) of the queue's first standard of this injection's level, if this is a later one.
    pub first_areas: Option<&'a [Option<f64>]>,
}

/// Judges one injection by itself.
///
/// `evaluation` is `None` for a listed injection that never came.
pub fn assess(
    plan: &Injection,
    listed: bool,
    evaluation: Option<&Evaluation>,
    bench: Bench<'_>,
) -> Assessment {
    let mut out = Assessment {
        lines: vec![Line::default(); bench.method.analytes.len()],
        ..Assessment::default()
    };
    match evaluation {
        None => out.failures.push(absent(plan)),
        Some(Evaluation::Unreadable(why)) => {
            let place = why.line.map(|l| format!("line {l}: ")).unwrap_or_default();
            out.failures.push(whole(
                Check::UnreadableTrace,
                plan.kind,
                format!("the file is no usable trace: {place}{}", why.message),
            ));
        }
        Some(Evaluation::Read(reading)) => read(plan, reading, bench, &mut out),
    }
    if !listed && evaluation.is_some() {
        out.failures.push(whole(
            Check::UnlistedTrace,
            plan.kind,
            "no run list names this trace".to_owned(),
        ));
    }
    if plan.kind == Kind::Conditioning {
        out.failures.clear();
    }
    out.failures.sort_by_key(|f| (f.check, f.analyte));
    out
}

fn absent(plan: &Injection) -> Failure {
    whole(
        Check::MissingTrace,
        plan.kind,
        format!(
            "no trace named {} has landed",
            crate::text::one_line(&plan.stem)
        ),
    )
}

/// A failure of the whole injection, without numbers.
fn whole(check: Check, kind: Kind, message: String) -> Failure {
    Failure {
        check,
        analyte: None,
        measured: None,
        limit: String::new(),
        unit: String::new(),
        message,
        effect: check.effect(kind),
    }
}

fn read(plan: &Injection, reading: &Reading, bench: Bench<'_>, out: &mut Assessment) {
    out.notes.extend(reading.notes.iter().cloned());
    let correction = volume_correction(plan, bench.method);
    if correction != 1.0 {
        out.notes.push(format!(
            "{} µL injected instead of {}: results corrected in proportion",
            significant(plan.volume_ul.unwrap_or(0.0), 6),
            significant(bench.method.conditions.injection_ul.unwrap_or(0.0), 6)
        ));
    }
    for (k, found) in reading.analytes.iter().enumerate().take(out.lines.len()) {
        if let (Some(found), Some(line)) = (found, out.lines.get_mut(k)) {
            let curve = bench.curves.get(k).copied().flatten();
            let beside = (
                bench.repeats.get(k).copied().flatten(),
                bench.factors.get(k).and_then(Option::as_ref),
            );
            *line = numbers(found, curve, beside, correction, plan.dilution);
            line.recovery_percent = recovery(plan, bench.method, k, line);
        }
    }
    if let Some(air) = &reading.air {
        out.failures.push(air_bubble(plan.kind, air));
    }
    match plan.kind {
        Kind::Blank => blank::judge(reading, bench, out),
        Kind::Standard | Kind::Calibrator => standard::judge(plan, reading, correction, bench, out),
        Kind::Sample => sample::judge(plan, reading, bench, out),
        Kind::Conditioning => {}
    }
}

/// Factor that brings a result to the method's injection volume; 1 where either volume is not given.
pub fn volume_correction(plan: &Injection, method: &Method) -> f64 {
    match (plan.volume_ul, method.conditions.injection_ul) {
        (Some(injected), Some(usual)) if injected > 0.0 && usual > 0.0 => usual / injected,
        _ => 1.0,
    }
}

fn numbers(
    found: &Found,
    curve: Option<&Curve>,
    (repeats, factor): (Option<Repeats>, Option<&Factor>),
    correction: f64,
    dilution: f64,
) -> Line {
    let mut line = Line {
        retention_min: Some(found.retention_min),
        area_mau_s: Some(found.area_mau_s),
        height_mau: Some(found.height_mau),
        signal_to_noise: Some(found.signal_to_noise),
        ..Line::default()
    };
    let area = found.area_mau_s;
    let predicted = curve.map(|c| match factor {
        Some(factor) => c.predict_bracketed(area, 1, repeats, factor),
        None => c.predict_beside(area, 1, repeats),
    });
    line.in_detector = curve
        .map(|c| c.regression.invert(area))
        .filter(|x| x.is_finite());
    if let Some(prediction) = predicted.filter(|p| p.x.is_finite()) {
        line.bracketed = factor.is_some();
        let factor = correction * dilution;
        line.measured = Some(prediction.x * correction);
        line.concentration = Some(prediction.x * factor);
        line.low_95 = prediction
            .low_95
            .is_finite()
            .then_some(prediction.low_95 * factor);
        line.high_95 = prediction
            .high_95
            .is_finite()
            .then_some(prediction.high_95 * factor);
    }
    line
}

/// The nominal concentration of an analyte in this standard or calibrator, above zero.
pub fn nominal(plan: &Injection, method: &Method, analyte: usize) -> Option<f64> {
    if !matches!(plan.kind, Kind::Standard | Kind::Calibrator) {
        return None;
    }
    method
        .level(&plan.level)?
        .nominal
        .get(analyte)
        .copied()
        .flatten()
        .filter(|n| *n > 0.0)
}

fn recovery(plan: &Injection, method: &Method, analyte: usize, line: &Line) -> Option<f64> {
    Some(100.0 * line.concentration? / nominal(plan, method, analyte)?)
}

fn air_bubble(kind: Kind, air: &crate::reading::Air) -> Failure {
    let what = if air.spikes > 0 {
        format!(
            "{}, the tallest {} mAU",
            crate::text::count(usize::try_from(air.spikes).unwrap_or(usize::MAX), "spike"),
            fixed(air.tallest_mau, 1)
        )
    } else {
        format!(
            "noise up to {} times the usual",
            fixed(air.roughness_ratio, 0)
        )
    };
    let message = format!(
        "air in the lines: {what} between {} and {} min",
        fixed(air.from_min, 2),
        fixed(air.to_min, 2)
    );
    Failure {
        check: Check::AirBubble,
        analyte: None,
        measured: Some(if air.spikes > 0 {
            air.tallest_mau
        } else {
            air.roughness_ratio
        }),
        limit: String::new(),
        unit: if air.spikes > 0 {
            "mAU".to_owned()
        } else {
            String::new()
        },
        message,
        effect: Check::AirBubble.effect(kind),
    }
}

/// `retention-shift`, for any kind that has peaks of its own.
fn retention_shift(kind: Kind, reading: &Reading, bench: Bench<'_>, out: &mut Assessment) {
    let limit = bench.method.limits.retention_shift_percent;
    for (k, (analyte, found)) in bench
        .method
        .analytes
        .iter()
        .zip(&reading.analytes)
        .enumerate()
    {
        let Some(found) = found else { continue };
        let shift = 100.0 * (found.retention_min - analyte.retention_min) / analyte.retention_min;
        if shift.abs() > limit {
            out.failures.push(Failure {
                check: Check::RetentionShift,
                analyte: Some(k),
                measured: Some(shift),
                limit: significant(limit, 4),
                unit: "%".to_owned(),
                message: format!(
                    "{}: peak at {} min, expected at {} min ({}{} %, limit {} %)",
                    analyte.name,
                    fixed(found.retention_min, 2),
                    fixed(analyte.retention_min, 2),
                    if shift > 0.0 { "+" } else { "" },
                    fixed(shift, 1),
                    significant(limit, 4)
                ),
                effect: Check::RetentionShift.effect(kind),
            });
        }
    }
}

/// `saturated`, for any kind with peaks of its own.
fn saturated(kind: Kind, reading: &Reading, bench: Bench<'_>, out: &mut Assessment) {
    for (k, (analyte, found)) in bench
        .method
        .analytes
        .iter()
        .zip(&reading.analytes)
        .enumerate()
    {
        let Some(found) = found.as_ref().filter(|f| f.saturated) else {
            continue;
        };
        out.failures.push(Failure {
            check: Check::Saturated,
            analyte: Some(k),
            measured: Some(found.height_mau),
            limit: String::new(),
            unit: "mAU".to_owned(),
            message: format!(
                "{}: the detector was at its ceiling, the peak's top is cut off at {} mAU",
                analyte.name,
                fixed(found.height_mau, 0)
            ),
            effect: Check::Saturated.effect(kind),
        });
    }
}
