//! From a block of rows to a trace in known units.

use super::block::Block;
use super::columns::TimeKind;
use super::decode::{decode, quote};
use super::lines::{is_blank, line_at};
use super::rows::Run;
use super::sections::Found;
use super::{
    Hints, Layout, MIN_POINTS, Settings, SignalUnit, TimeUnit, Trace, TraceError, error, units,
};
use crate::text::{count, one_line};

/// A time column longer than this is in seconds where nothing says so.
const LONGEST_MIN: f64 = 120.0;
/// A first time above this counts from a date: years in any unit.
const EPOCH: f64 = 1e8;
/// A first time above this counts from a date in milliseconds.
const EPOCH_MS: f64 = 1e11;
/// Lines before the data longer than this state no unit, bytes.
const LONGEST_LINE: usize = 4096;

/// Makes the trace, or says why there is none.
pub(super) fn trace(
    bytes: &[u8],
    encoding: Option<&str>,
    found: Found,
    settings: &Settings,
    hints: &Hints,
) -> Result<Trace, TraceError> {
    let (mut block, others) = pick(found)?;
    if let Some(fault) = block.run.fault.take() {
        let may_grow = fault.may_grow || block.weight < MIN_POINTS;
        return Err(TraceError { may_grow, ..fault });
    }
    if block.run.time.len() < MIN_POINTS {
        return Err(too_few(block.run.time.len()));
    }
    let mut notes = Vec::new();
    spread_repeats(&mut block.run, &mut notes)?;
    let (time, time_unit_from) = time_unit(bytes, &block, settings, hints, &mut notes);
    let (signal, signal_unit_from) = signal_unit(bytes, &block, settings, &mut notes);
    tell_rest(bytes, &block, &others, &mut notes);
    count_from_start(&mut block.run, &mut notes);
    let (mut time_s, mut signal_mau) = (
        std::mem::take(&mut block.run.time),
        std::mem::take(&mut block.run.signal),
    );
    if time.factor_s != 1.0 {
        time_s.iter_mut().for_each(|t| *t *= time.factor_s);
    }
    if signal.factor != 1.0 {
        signal_mau.iter_mut().for_each(|v| *v *= signal.factor);
    }
    if signal.divisor != 1.0 {
        signal_mau.iter_mut().for_each(|v| *v /= signal.divisor);
    }
    verify(&time_s, &signal_mau, block.run.lines.0)?;
    let name = |column| one_line(block.header.name(column));
    let layout = Layout {
        encoding: encoding
            .unwrap_or_else(|| eight_bit(bytes, block.start))
            .to_owned(),
        delimiter: block.plan.delimiter,
        decimal: block.plan.decimal,
        header_line: block.header.line(),
        first_line: block.run.lines.0,
        last_line: block.run.lines.1,
        columns: block.columns,
        time_column: block.plan.time + 1,
        time_name: name(block.plan.time),
        signal_column: block.plan.signal + 1,
        signal_name: name(block.plan.signal),
        time_unit: time.unit,
        time_unit_from,
        signal_unit: signal.unit,
        signal_unit_from,
        notes,
    };
    Ok(Trace {
        time_s,
        signal_mau,
        layout,
    })
}

fn too_few(points: usize) -> TraceError {
    TraceError {
        may_grow: true,
        ..error(
            None,
            format!(
                "found {}, expected at least {MIN_POINTS}",
                count(points, "sample")
            ),
        )
    }
}

/// Blocks that are not the trace: line and rows.
type Others = Vec<(u64, usize)>;

/// The block to use, or what is wrong with the file as a whole.
fn pick(found: Found) -> Result<(Block, Others), TraceError> {
    let weight = found.best.as_ref().map_or(0, |b| b.weight);
    if let Some((why, rows)) = found.refused
        && rows > weight
    {
        return Err(TraceError {
            may_grow: rows < MIN_POINTS,
            ..why
        });
    }
    if let Some(block) = found.best {
        return Ok((block, found.others));
    }
    let (singles, line) = found.singles;
    if singles > found.most_rows {
        let message = "found one column of numbers, expected a time and a signal".to_owned();
        return Err(TraceError {
            may_grow: singles < MIN_POINTS,
            ..error(Some(line), message)
        });
    }
    if found.most_rows > 0 {
        return Err(too_few(found.most_rows));
    }
    let message = "found no rows of numbers, expected a time and a signal column".to_owned();
    Err(TraceError {
        may_grow: true,
        ..error(None, message)
    })
}

/// Times that repeat because they are written with few decimals are spread evenly; any other repeat is an error.
///
/// Rounded: at least one time in twenty repeats, and a straight line through all of them (least squares on the row
/// number, for a detector samples evenly) is nowhere further away than the smallest step.
fn spread_repeats(run: &mut Run, notes: &mut Vec<String>) -> Result<(), TraceError> {
    let (repeats, line) = run.repeats;
    if repeats == 0 {
        return Ok(());
    }
    let n = run.time.len();
    let step = run
        .time
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.0)
        .fold(f64::INFINITY, f64::min);
    let (intercept, slope) = straight_line(&run.time);
    let fitted = |i: usize| intercept + slope * i as f64;
    let is_even = run
        .time
        .iter()
        .enumerate()
        .all(|(i, t)| (fitted(i) - t).abs() <= step);
    if repeats * 20 < n || !is_even || !(slope > 0.0 && step.is_finite()) {
        let message =
            "found the same time as in the row before, expected increasing times".to_owned();
        return Err(TraceError {
            may_grow: run.unended && line == run.lines.1,
            ..error(Some(line), message)
        });
    }
    run.time
        .iter_mut()
        .enumerate()
        .for_each(|(i, t)| *t = fitted(i));
    notes.push(format!(
        "times are rounded so that {} repeat (first on line {line}): spread evenly",
        count(repeats, "sample")
    ));
    Ok(())
}

/// Least-squares line through values against their index: intercept and slope.
fn straight_line(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let (mean_x, mean_y) = ((n - 1.0) / 2.0, values.iter().sum::<f64>() / n);
    let sum = |f: &dyn Fn(f64, f64) -> f64| {
        values
            .iter()
            .enumerate()
            .map(|(i, y)| f(i as f64 - mean_x, y - mean_y))
            .sum::<f64>()
    };
    let slope = sum(&|x, y| x * y) / sum(&|x, _| x * x);
    (mean_y - slope * mean_x, slope)
}

/// Times since an epoch long ago count from the first row.
fn count_from_start(run: &mut Run, notes: &mut Vec<String>) {
    let Some(first) = run.time.first().copied().filter(|t| *t >= EPOCH) else {
        return;
    };
    run.time.iter_mut().for_each(|t| *t -= first);
    notes.push("times count from a date: taken from the first row on".to_owned());
}

/// Unit of the time and where it was found.
fn time_unit(
    bytes: &[u8],
    block: &Block,
    settings: &Settings,
    hints: &Hints,
    notes: &mut Vec<String>,
) -> (units::Time, String) {
    if block.plan.kind != TimeKind::Number {
        return (
            TimeUnit::Seconds.into(),
            "written as a clock time".to_owned(),
        );
    }
    if let Some(unit) = settings.time_unit {
        return (unit.into(), "configured".to_owned());
    }
    let stated = block
        .header
        .time_unit(block.plan.time)
        .or_else(|| stated(bytes, block, |found| found.0));
    if let Some((unit, line)) = stated {
        if let Some(other) = unit.other {
            notes.push(format!("times are in {other}, converted to s"));
        }
        return (unit, format!("line {line}"));
    }
    let length = block
        .run
        .time
        .last()
        .zip(block.run.time.first())
        .map_or(0.0, |(b, a)| b - a);
    if block.run.time.first().is_some_and(|t| *t >= EPOCH) {
        let milli = block.run.time.first().is_some_and(|t| *t >= EPOCH_MS);
        let factor_s = if milli { 1e-3 } else { 1.0 };
        return (
            units::Time {
                factor_s,
                ..TimeUnit::Seconds.into()
            },
            "guessed from the size".to_owned(),
        );
    }
    match hints.run_time_min.filter(|r| *r > 0.0 && r.is_finite()) {
        Some(run_min) => {
            let off = |length_min: f64| (length_min / run_min).ln().abs();
            let unit = if off(length / 60.0) < off(length) {
                TimeUnit::Seconds
            } else {
                TimeUnit::Minutes
            };
            (
                unit.into(),
                "guessed from the length and the run time".to_owned(),
            )
        }
        None => {
            let unit = if length > LONGEST_MIN {
                TimeUnit::Seconds
            } else {
                TimeUnit::Minutes
            };
            (unit.into(), "guessed from the length".to_owned())
        }
    }
}

/// Unit of the signal and where it was found.
fn signal_unit(
    bytes: &[u8],
    block: &Block,
    settings: &Settings,
    notes: &mut Vec<String>,
) -> (units::Signal, String) {
    if let Some(unit) = settings.signal_unit {
        return (unit.into(), "configured".to_owned());
    }
    let stated = block
        .header
        .signal_unit(block.plan.signal)
        .or_else(|| stated(bytes, block, |found| found.1));
    match stated {
        Some((unit, line)) => {
            if let Some(other) = unit.other {
                notes.push(format!(
                    "the signal is in {other}, converted to {}",
                    unit.unit
                ));
            }
            (unit, format!("line {line}"))
        }
        None => {
            let below = block
                .header
                .units
                .as_ref()
                .and_then(|(_, u)| u.get(block.plan.signal))
                .map(String::as_str)
                .filter(|u| !u.is_empty());
            if let Some(unit) =
                below.or_else(|| units::unknown_in(block.header.name(block.plan.signal)))
            {
                notes.push(format!(
                    "the unit of the signal, '{}', is not known: mAU is assumed",
                    one_line(unit)
                ));
            }
            (SignalUnit::MilliAu.into(), "assumed".to_owned())
        }
    }
}

/// The last line before the data that states a unit for an axis.
fn stated<T>(
    bytes: &[u8],
    block: &Block,
    part: impl Fn((Option<units::Time>, Option<units::Signal>)) -> Option<T>,
) -> Option<(T, u64)> {
    let (mut at, mut line, mut last) = (0, 1, None);
    while at < block.start {
        let (end, next) = line_at(bytes, at);
        let text = bytes.get(at..end).unwrap_or_default();
        if text.len() <= LONGEST_LINE && !text.is_empty() {
            last = part(units::stated(&decode(text)))
                .map(|t| (t, line))
                .or(last);
        }
        (at, line) = (next, line + 1);
    }
    last
}

/// After the conversion: finite, and still increasing.
fn verify(time_s: &[f64], signal: &[f64], first_line: u64) -> Result<(), TraceError> {
    let line = |i: usize| Some(first_line.saturating_add(i as u64));
    if !signal.iter().fold(true, |ok, v| ok & v.is_finite())
        || !time_s.iter().fold(true, |ok, t| ok & t.is_finite())
    {
        let i = signal
            .iter()
            .zip(time_s)
            .position(|(v, t)| !v.is_finite() || !t.is_finite())
            .unwrap_or(0);
        return Err(error(
            line(i),
            "found a number too large to convert, expected a finite one".to_owned(),
        ));
    }
    if !time_s.windows(2).fold(true, |ok, w| ok & (w[0] < w[1])) {
        let i = time_s
            .windows(2)
            .position(|w| w[0] >= w[1])
            .map_or(0, |i| i + 1);
        return Err(error(
            line(i),
            "found times that cannot be told apart, expected increasing times".to_owned(),
        ));
    }
    Ok(())
}

/// Notes on what was left out or could have been taken instead.
fn tell_rest(bytes: &[u8], block: &Block, others: &Others, notes: &mut Vec<String>) {
    let names: Vec<String> = block
        .roles
        .signals
        .iter()
        .take(4)
        .map(|s| format!("{} '{}'", s + 1, one_line(block.header.name(*s))))
        .collect();
    if block.roles.signals.len() > 1 {
        let more = if block.roles.signals.len() > names.len() {
            ", …"
        } else {
            ""
        };
        notes.push(format!(
            "several columns may be the signal ({}{more}): column {} is taken",
            names.join(", "),
            block.plan.signal + 1
        ));
    }
    if block.run.signal.iter().all(|v| *v == 0.0) {
        notes.push("the signal is zero all through".to_owned());
    }
    if block.run.dropped > 0 {
        notes.push(format!(
            "{} above the data left out: no header, and their times do not fit",
            count(block.run.dropped, "row")
        ));
    }
    for (line, rows) in others {
        notes.push(format!(
            "another block of {} from line {line} on is left out",
            count(*rows, "row")
        ));
    }
    let (mut at, mut line) = (block.run.stop, block.run.stop_line);
    while at < bytes.len() {
        let (end, next) = line_at(bytes, at);
        let text = bytes.get(at..end).unwrap_or_default();
        if !is_blank(text) {
            notes.push(format!(
                "text behind the data left out from line {line} on: {}",
                quote(text.trim_ascii())
            ));
            return;
        }
        (at, line) = (next, line + 1);
    }
}

/// Encoding of a text without a mark, by what stands before the data.
fn eight_bit(bytes: &[u8], start: usize) -> &'static str {
    if std::str::from_utf8(bytes.get(..start).unwrap_or_default()).is_ok() {
        "UTF-8"
    } else {
        "windows-1252"
    }
}
