//! Which column of a pressure log is what.

use super::cells::{DIALECTS, Dialect, Looks, text};
use super::unit::Unit;
use crate::trace::Delimiter;
use crate::trace::header::Header;
use crate::trace::lines::line_at;
use crate::trace::names::{is_index_name, is_time_name};
use crate::trace::units::words;

/// Rows from which the columns are told without a header.
const ENOUGH_ROWS: usize = 3;
/// A time without a unit that moves by less than this from row to row is in minutes.
const MINUTES_BELOW: f64 = 0.9;

/// Where the time of a row stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum TimeColumn {
    /// A date with its time of day.
    Stamp(usize),
    /// A date, and a clock in another column.
    DateAndClock(usize, usize),
    /// A clock alone.
    Clock(usize),
    /// Elapsed, in a unit of so many seconds.
    Elapsed { column: usize, factor_s: f64 },
    /// No time: the row stands for the injection whose trace is named here.
    Trace(usize),
}

/// How a log is read.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    pub(super) dialect: Dialect,
    pub(super) time: TimeColumn,
    pub(super) pressure: usize,
    /// MPa in a unit of the column.
    pub(super) factor: f64,
    /// For people: columns, units and where they were found.
    pub words: String,
    /// Things worth saying once: a unit that the file contradicts, a guess.
    pub notes: Vec<String>,
}

/// The last run of rows of like shape among the first lines of a log.
#[derive(Debug)]
struct Rows<'a> {
    dialect: Dialect,
    cells: Vec<Vec<&'a [u8]>>,
    start: usize,
    line: u64,
    columns: usize,
    understood: f64,
}

/// Tells the layout from the first whole lines; `None`: not yet, more lines may tell.
///
/// # Errors
/// What was found and what was expected, where the lines are rows of numbers and no pressure can be told among them.
pub(super) fn sniff(bytes: &[u8], configured: Option<Unit>) -> Result<Option<Layout>, String> {
    let mut best: Option<Rows<'_>> = None;
    for dialect in DIALECTS {
        if let Some(rows) = rows(bytes, dialect)
            && best.as_ref().is_none_or(|b| rows.understood > b.understood)
        {
            best = Some(rows);
        }
    }
    let Some(rows) = best else { return Ok(None) };
    let header = Header::above(
        bytes,
        rows.start,
        rows.line,
        rows.columns,
        rows.dialect.delimiter,
    );
    let named = (0..rows.columns).any(|c| pressure_score(header.name(c)) > 0);
    if rows.cells.len() < ENOUGH_ROWS && !named {
        return Ok(None);
    }
    let time = rows.time(&header);
    let Some(time) = time else {
        let enough = rows.cells.len() >= ENOUGH_ROWS;
        return if enough {
            Err("found no column of times, expected a time (RFC 3339, YYYY-MM-DD hh:mm:ss, elapsed min or s) beside the pressure".to_owned())
        } else {
            Ok(None)
        };
    };
    let pressure = rows.pressure(&header, time)?;
    let (unit, from, note) = unit(&header, pressure, configured)?;
    let mut notes: Vec<String> = note.into_iter().collect();
    if let TimeColumn::Elapsed { column, factor_s } = time
        && header.time_unit(column).is_none()
    {
        let word = if factor_s == 60.0 {
            "minutes"
        } else {
            "seconds"
        };
        notes.push(format!("the times have no unit and are taken for {word}"));
    }
    Ok(Some(Layout {
        dialect: rows.dialect,
        words: describe(&header, time, pressure, unit, from),
        time,
        pressure,
        factor: unit.mpa(),
        notes,
    }))
}

fn rows(bytes: &[u8], dialect: Dialect) -> Option<Rows<'_>> {
    let mut out = Rows {
        dialect,
        cells: Vec::new(),
        start: 0,
        line: 0,
        columns: 0,
        understood: 0.0,
    };
    let (mut at, mut number) = (0, 0_u64);
    while at < bytes.len() {
        let (end, next) = line_at(bytes, at);
        number += 1;
        let line = bytes.get(at..end).unwrap_or_default();
        if let Some(cells) = dialect.split(line) {
            let looks: Vec<Looks> = cells.iter().map(|c| dialect.looks(c)).collect();
            let numbers = looks.iter().filter(|l| **l == Looks::Number).count();
            let of_time = looks
                .iter()
                .any(|l| matches!(l, Looks::Stamp | Looks::Date | Looks::Clock));
            let texts = looks.iter().filter(|l| **l == Looks::Text).count();
            let is_row = cells.len() > 1 && (numbers > 1 || numbers > 0 && (of_time || texts > 0));
            if !is_row || cells.len() != out.columns {
                out.cells.clear();
                out.understood = 0.0;
                out.start = at;
                out.line = number;
                out.columns = cells.len();
            }
            if is_row {
                let text = looks.iter().filter(|l| **l == Looks::Text).count();
                out.understood += 1.0 - text as f64 / looks.len() as f64 + 1e-6;
                out.cells.push(cells);
            }
        }
        at = next;
    }
    (!out.cells.is_empty()).then_some(out)
}

impl Rows<'_> {
    fn all(&self, column: usize, looks: Looks) -> bool {
        let mut some = false;
        let fits = self.cells.iter().all(|row| {
            let found = row
                .get(column)
                .map_or(Looks::Empty, |c| self.dialect.looks(c));
            some |= found == looks;
            found == looks || (found == Looks::Empty && looks == Looks::Number)
        });
        fits && some
    }

    fn numbers(&self, column: usize) -> Vec<f64> {
        let cells = self.cells.iter().filter_map(|row| row.get(column));
        cells.filter_map(|c| self.dialect.number(c)).collect()
    }

    /// Where the time stands: a moment before a clock, a clock before a number, a name before a guess.
    fn time(&self, header: &Header) -> Option<TimeColumn> {
        let first = |looks: Looks| (0..self.columns).find(|c| self.all(*c, looks));
        if let Some(column) = first(Looks::Stamp) {
            return Some(TimeColumn::Stamp(column));
        }
        match (first(Looks::Date), first(Looks::Clock)) {
            (Some(date), Some(clock)) => return Some(TimeColumn::DateAndClock(date, clock)),
            (None, Some(clock)) => return Some(TimeColumn::Clock(clock)),
            _ => {}
        }
        let named = |c: &usize| is_time_name(header.name(*c)) && self.all(*c, Looks::Number);
        if let Some(column) = (0..self.columns).find(named) {
            let unit = header.time_unit(column).map(|(t, _)| t.factor_s);
            return Some(TimeColumn::Elapsed {
                column,
                factor_s: unit.unwrap_or_else(|| self.guess_s(column)),
            });
        }
        if let Some(injection) = self.injection(header) {
            return Some(injection);
        }
        let rises = |c: &usize| {
            let values = self.numbers(*c);
            self.all(*c, Looks::Number)
                && pressure_score(header.name(*c)) <= 0
                && !is_index_name(header.name(*c))
                && values.len() >= ENOUGH_ROWS
                && values.windows(2).all(|w| w[0] <= w[1])
                && values.first() < values.last()
        };
        let column = (0..self.columns).find(rises)?;
        Some(TimeColumn::Elapsed {
            column,
            factor_s: self.guess_s(column),
        })
    }

    /// A row for each injection, with the name of its trace.
    fn injection(&self, header: &Header) -> Option<TimeColumn> {
        let named = |c: &usize| {
            let names = words(header.name(*c));
            names.iter().any(|w| {
                let is = ["file", "trace", "stem", "filename"];
                is.contains(&w.to_lowercase().as_str())
            })
        };
        (0..self.columns).find(named).map(TimeColumn::Trace)
    }

    /// Seconds in a unit of a time that names none, by its usual step.
    fn guess_s(&self, column: usize) -> f64 {
        let values = self.numbers(column);
        let mut steps: Vec<f64> = values.windows(2).map(|w| w[1] - w[0]).collect();
        steps.sort_by(f64::total_cmp);
        let usual = steps.get(steps.len() / 2).copied().unwrap_or(1.0);
        if usual < MINUTES_BELOW { 60.0 } else { 1.0 }
    }

    /// The column of the pressure: by its name or unit, else the one other column of numbers.
    fn pressure(&self, header: &Header, time: TimeColumn) -> Result<usize, String> {
        let taken = match time {
            TimeColumn::DateAndClock(a, b) => [a, b],
            TimeColumn::Stamp(c)
            | TimeColumn::Clock(c)
            | TimeColumn::Trace(c)
            | TimeColumn::Elapsed { column: c, .. } => [c, c],
        };
        let free: Vec<usize> = (0..self.columns)
            .filter(|c| !taken.contains(c) && self.all(*c, Looks::Number))
            .collect();
        let score = |c: usize| {
            let below = header.units.as_ref().and_then(|(_, u)| u.get(c));
            let unit = below.and_then(|u| Unit::in_name(u)).map_or(0, |_| 3);
            pressure_score(header.name(c)) + unit
        };
        let best = free
            .iter()
            .copied()
            .max_by_key(|c| (score(*c), std::cmp::Reverse(*c)));
        match best {
            Some(c) if score(c) > 0 => Ok(c),
            Some(c) if header.names.is_empty() || free.len() == 1 && score(c) == 0 => Ok(c),
            _ => {
                let names: Vec<String> = header
                    .names
                    .iter()
                    .take(8)
                    .map(|n| format!("{n:?}"))
                    .collect();
                Err(format!(
                    "found the columns {}, expected one that is named after the pressure or its unit",
                    names.join(", ")
                ))
            }
        }
    }
}

/// How much a name speaks for the pressure as it was measured.
fn pressure_score(name: &str) -> i32 {
    if name.len() > 200 {
        return 0;
    }
    let lower: Vec<String> = words(name).iter().map(|w| w.to_lowercase()).collect();
    let has = |list: &[&str]| lower.iter().any(|w| list.contains(&w.as_str()));
    let mut score = 0;
    let is = |w: &String| {
        ["press", "druck", "presi", "ciśnien", "давлен", "压", "圧"]
            .iter()
            .any(|p| w.contains(p))
    };
    if lower.iter().any(is) {
        score += 4;
    }
    if Unit::in_name(name).is_some() {
        score += 3;
    }
    if score == 0 && lower.len() == 1 && has(&["p"]) {
        score += 1;
    }
    if has(&[
        "limit", "max", "maximum", "min", "minimum", "set", "setpoint", "ripple",
    ]) {
        score -= 2;
    }
    if has(&["flow", "temp", "temperature", "oven", "time"]) && score < 4 {
        score = -1;
    }
    score
}

/// The unit: as configured, else as the file says.
fn unit(
    header: &Header,
    column: usize,
    configured: Option<Unit>,
) -> Result<(Unit, &'static str, Option<String>), String> {
    let below = header.units.as_ref().and_then(|(_, u)| u.get(column));
    let said = below
        .and_then(|u| Unit::in_name(u))
        .or_else(|| Unit::in_name(header.name(column)));
    match (configured, said) {
        (Some(set), Some(said)) if set != said => Ok((
            set,
            "configured",
            Some(format!(
                "the header says {}, the configuration {}: the configuration counts",
                said.word(),
                set.word()
            )),
        )),
        (Some(set), _) => Ok((set, "configured", None)),
        (None, Some(said)) => Ok((said, "the header", None)),
        (None, None) => Err(
            "found no unit of the pressure, expected one in the header (MPa, bar, psi, kPa) or as `unit` under [station.pressure]"
                .to_owned(),
        ),
    }
}

fn describe(header: &Header, time: TimeColumn, pressure: usize, unit: Unit, from: &str) -> String {
    let column = |c: usize| {
        let name = header.name(c);
        if name.is_empty() {
            format!("column {}", c + 1)
        } else {
            format!("column {} '{}'", c + 1, crate::text::one_line(name))
        }
    };
    let time = match time {
        TimeColumn::Stamp(c) => format!("time: {}, moments", column(c)),
        TimeColumn::DateAndClock(a, b) => format!("time: {} and {}", column(a), column(b)),
        TimeColumn::Clock(c) => format!("time: {}, time of day", column(c)),
        TimeColumn::Elapsed {
            column: c,
            factor_s,
        } => {
            format!("time: {}, elapsed in units of {factor_s} s", column(c))
        }
        TimeColumn::Trace(c) => format!("one value for each injection, by trace: {}", column(c)),
    };
    format!(
        "{time}; pressure: {}, {} ({from})",
        column(pressure),
        unit.word()
    )
}

/// The cells that a row's time needs, as text.
pub(super) fn time_text(cells: &[&[u8]], time: TimeColumn) -> Option<String> {
    Some(match time {
        TimeColumn::DateAndClock(a, b) => {
            format!("{} {}", text(cells.get(a)?), text(cells.get(b)?))
        }
        TimeColumn::Stamp(c)
        | TimeColumn::Clock(c)
        | TimeColumn::Trace(c)
        | TimeColumn::Elapsed { column: c, .. } => text(cells.get(c)?),
    })
}

/// The delimiter, for tests of whole layouts.
impl Layout {
    /// Between the columns.
    pub fn delimiter(&self) -> Delimiter {
        self.dialect.delimiter
    }
}
