//! Which column is the time and which one the signal.

use super::header::Header;
use super::lines::cells;
use super::names::{is_index_name, is_spectrum_name, is_time_name, signal_score};
use super::number::{self, Number};
use super::shape::{Dialect, Row};
use super::{Hints, Settings, clock};

/// Columns among which a time is looked for.
const LOOKED_AT: usize = 64;

/// How a time is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TimeKind {
    /// A number in some unit.
    Number,
    /// `hh:mm:ss` from the start of the run.
    Elapsed,
    /// `hh:mm:ss` of the day.
    OfDay,
    /// A date with a time of day.
    Stamp,
}

/// The part that each column plays.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Roles {
    /// Column of the time, from 0.
    pub time: usize,
    /// How it is written.
    pub kind: TimeKind,
    /// Equally plausible columns of the signal, from 0; never empty.
    pub signals: Vec<usize>,
}

/// What a sample of rows says of one column.
#[derive(Debug, Clone, Default)]
struct Column {
    values: Vec<f64>,
    kind: Option<TimeKind>,
    date: bool,
}

/// How surely a column goes up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Rise {
    No,
    /// Never down, often level: a time written with few decimals.
    Coarse,
    /// Up nearly everywhere: a time with a fault in it.
    Mostly,
    Strict,
}

/// Chooses the columns from the first rows of the data and their header.
///
/// # Errors
/// What is missing, in words.
pub(super) fn choose(
    bytes: &[u8],
    rows: &[Row],
    dialect: Dialect,
    columns: usize,
    header: &Header,
    settings: &Settings,
    hints: &Hints,
) -> Result<Roles, String> {
    for (column, what) in [
        (settings.time_column, "time"),
        (settings.signal_column, "signal"),
    ] {
        if let Some(c) = column
            && !(1..=columns).contains(&c)
        {
            return Err(format!(
                "the configured {what} column is {c}, found {}",
                crate::text::count(columns, "column")
            ));
        }
    }
    let wanted = settings
        .time_column
        .unwrap_or(0)
        .max(LOOKED_AT.min(columns));
    let table = sample(bytes, rows, dialect, wanted);
    let time = match settings.time_column {
        Some(c) => c - 1,
        None => time_column(&table, header, settings).ok_or_else(|| no_time(&table, header))?,
    };
    let kind = table
        .get(time)
        .and_then(|c| c.kind)
        .unwrap_or(TimeKind::Number);
    let kind = if kind == TimeKind::Elapsed && is_of_day(&table, time) {
        TimeKind::OfDay
    } else {
        kind
    };
    let signals = match settings.signal_column {
        Some(c) if c - 1 == time => {
            return Err(format!(
                "column {c} is configured as time and as signal, expected two columns"
            ));
        }
        Some(c) => vec![c - 1],
        None => signal_columns(&table, columns, time, header, hints),
    };
    if signals.is_empty() {
        let names: Vec<String> = header
            .names
            .iter()
            .take(4)
            .map(|n| format!("'{}'", crate::text::one_line(n)))
            .collect();
        return Err(format!(
            "found no column of a detector signal among {}, expected one",
            names.join(", ")
        ));
    }
    Ok(Roles {
        time,
        kind,
        signals,
    })
}

fn no_time(table: &[Column], header: &Header) -> String {
    let spectrum = header.name(0);
    if is_spectrum_name(spectrum) {
        return format!(
            "the first column is a wavelength ('{}'), expected a time column",
            crate::text::one_line(spectrum)
        );
    }
    let index = (0..table.len()).find(|i| is_index_name(header.name(*i)));
    match index {
        Some(i) => format!(
            "found no time column: column {} only counts the rows, expected a column of times that increase",
            i + 1
        ),
        None => "found no column that increases from row to row, expected a time column".to_owned(),
    }
}

/// The values of the first columns of the sample; a value that is none is NaN.
fn sample(bytes: &[u8], rows: &[Row], dialect: Dialect, columns: usize) -> Vec<Column> {
    let mut table = vec![Column::default(); columns];
    for (n, row) in rows.iter().enumerate() {
        let line = bytes.get(row.start..row.end).unwrap_or_default();
        for (column, cell) in table.iter_mut().zip(cells(line, dialect.delimiter)) {
            // The first row may be a stray one: the second says what the cells are.
            if n <= 1 {
                column.kind = kind_of(cell, dialect.decimal).or(column.kind);
                column.date = clock::is_date(cell);
            }
            column
                .values
                .push(value(cell, dialect.decimal, column.kind));
        }
    }
    // Dates are only compared: their place in the order is enough.
    for (c, column) in table.iter_mut().enumerate() {
        if column.kind == Some(TimeKind::Stamp) {
            column.values = stamps(bytes, rows, dialect, c);
        }
    }
    table
}

fn kind_of(cell: &[u8], decimal: u8) -> Option<TimeKind> {
    match number::cell(cell, decimal) {
        Number::Finite(_) => Some(TimeKind::Number),
        Number::NotFinite => None,
        Number::None if clock::elapsed(cell).is_some() => Some(TimeKind::Elapsed),
        Number::None => clock::stamp(cell).map(|_| TimeKind::Stamp),
    }
}

fn value(cell: &[u8], decimal: u8, kind: Option<TimeKind>) -> f64 {
    match kind {
        Some(TimeKind::Number) => match number::cell(cell, decimal) {
            Number::Finite(v) => v,
            _ => f64::NAN,
        },
        Some(TimeKind::Elapsed | TimeKind::OfDay) => clock::elapsed(cell).unwrap_or(f64::NAN),
        _ => f64::NAN,
    }
}

/// Dates of a column as seconds from its first one.
fn stamps(bytes: &[u8], rows: &[Row], dialect: Dialect, column: usize) -> Vec<f64> {
    let at = |row: &Row| {
        bytes
            .get(row.start..row.end)
            .and_then(|l| cells(l, dialect.delimiter).nth(column))
            .and_then(clock::stamp)
    };
    let base = rows.iter().find_map(at);
    rows.iter()
        .map(|r| at(r).zip(base).map_or(f64::NAN, |(s, b)| s.since(&b)))
        .collect()
}

impl Column {
    /// How surely the values rise; the first one may be a stray.
    fn rise(&self) -> Rise {
        let values = self
            .values
            .get(usize::from(self.values.len() > 2)..)
            .unwrap_or_default();
        let steps = values.len().saturating_sub(1);
        let up = values.windows(2).filter(|w| w[0] < w[1]).count();
        let level = values.windows(2).filter(|w| w[0] == w[1]).count();
        if steps == 0 || up == 0 {
            Rise::No
        } else if up == steps {
            Rise::Strict
        } else if up * 5 >= steps * 4 {
            Rise::Mostly
        } else if (up + level) * 20 >= steps * 19 {
            Rise::Coarse
        } else {
            Rise::No
        }
    }

    /// Whether each step is exactly one: a column that counts the rows.
    fn counts_rows(&self) -> bool {
        self.values.len() > 2
            && self
                .values
                .windows(2)
                .skip(1)
                .all(|w| w[1] - w[0] == 1.0 && w[0].fract() == 0.0)
    }

    /// Whether the steps are alike, within what rounding to the decimals written makes of them.
    fn is_regular(&self) -> bool {
        let steps: Vec<f64> = self
            .values
            .windows(2)
            .skip(1)
            .map(|w| w[1] - w[0])
            .collect();
        let mean = steps.iter().sum::<f64>() / steps.len().max(1) as f64;
        steps.len() > 1 && mean > 0.0 && steps.iter().all(|s| (s - mean).abs() <= 0.51 * mean)
    }
}

impl Column {
    /// Whether a straight line runs through all values within their smallest step: an even time, rounded.
    fn is_even(&self) -> bool {
        let values = self.values.get(1..).unwrap_or_default();
        let (Some(first), Some(last)) = (values.first(), values.last()) else {
            return false;
        };
        let step = values
            .windows(2)
            .map(|w| w[1] - w[0])
            .filter(|d| *d > 0.0)
            .fold(f64::INFINITY, f64::min);
        let slope = (last - first) / values.len().saturating_sub(1).max(1) as f64;
        slope > 0.0
            && values
                .iter()
                .enumerate()
                .all(|(i, v)| (first + slope * i as f64 - v).abs() <= 1.01 * step)
    }
}

/// The column of the time, from 0.
fn time_column(table: &[Column], header: &Header, settings: &Settings) -> Option<usize> {
    let signal = settings.signal_column.map(|c| c - 1);
    let open = |i: &usize| Some(*i) != signal && table[*i].kind.is_some();
    let named = (0..table.len())
        .filter(open)
        .filter(|i| is_time_name(header.name(*i)));
    // Elapsed times before dates; sure ones before doubtful ones; then the first.
    let rank = |i: &usize| {
        (
            table[*i].rise() > Rise::No,
            table[*i].kind != Some(TimeKind::Stamp),
            table[*i].rise(),
            usize::MAX - *i,
        )
    };
    if let Some(best) = named.max_by_key(rank) {
        return Some(best);
    }
    let free = |i: &usize| {
        let name = header.name(*i);
        open(i) && !is_index_name(name) && !is_spectrum_name(name) && signal_score(*i, header) == 0
    };
    let plausible = |i: &usize| {
        table[*i].rise() >= Rise::Mostly
            || (table[*i].rise() == Rise::Coarse && table[*i].is_even())
    };
    let rising: Vec<usize> = (0..table.len()).filter(free).filter(plausible).collect();
    // A smooth signal may rise for a while, but not evenly.
    let even = rising.iter().find(|i| {
        table[**i].is_regular() || table[**i].is_even() || table[**i].kind != Some(TimeKind::Number)
    });
    let Some(&first) = even.or(rising.first()) else {
        // Names may be words of a title ("channel A") rather than of columns: then the even one is the time.
        let sure = |i: &usize| {
            let name = header.name(*i);
            let other = is_index_name(name) || is_spectrum_name(name) || table[*i].counts_rows();
            !other && table[*i].rise() == Rise::Strict && table[*i].is_regular()
        };
        return (0..table.len())
            .filter(free)
            .find(|i| table[*i].rise() == Rise::Coarse)
            .or_else(|| (0..table.len()).filter(open).find(sure));
    };
    let doubtful = table[first].counts_rows() || table[first].kind == Some(TimeKind::Stamp);
    if doubtful && table.len() > 2 {
        let better = |i: &&usize| {
            table[**i].rise() == Rise::Strict
                && (table[**i].is_regular() || table[**i].kind == Some(TimeKind::Elapsed))
        };
        if let Some(&later) = rising
            .iter()
            .skip(1)
            .filter(|i| table[**i].kind != Some(TimeKind::Stamp))
            .find(better)
        {
            return Some(later);
        }
    }
    Some(first)
}

/// Whether a clock shows the time of day: a column of dates stands beside it, or it starts hours after zero.
fn is_of_day(table: &[Column], time: usize) -> bool {
    let beside = table.iter().any(|c| c.date);
    let late = table
        .get(time)
        .and_then(|c| c.values.first())
        .is_some_and(|t| *t >= 3600.0);
    beside || late
}

/// The equally plausible columns of the signal, from 0.
fn signal_columns(
    table: &[Column],
    columns: usize,
    time: usize,
    header: &Header,
    hints: &Hints,
) -> Vec<usize> {
    let numeric = |i: &usize| {
        *i != time
            && table
                .get(*i)
                .is_none_or(|c| c.kind == Some(TimeKind::Number))
    };
    let scored: Vec<(usize, i32)> = (0..columns)
        .filter(numeric)
        .map(|i| (i, signal_score(i, header)))
        .collect();
    if let Some(nm) = hints.wavelength_nm {
        let named = scored
            .iter()
            .filter(|(_, s)| *s > 0)
            .filter_map(|(i, s)| Some((*i, *s, (header.wavelength_nm(*i)? - nm).abs())));
        let best = named.min_by(|a, b| a.2.total_cmp(&b.2).then(b.1.cmp(&a.1)));
        if let Some((i, _, _)) = best {
            return vec![i];
        }
    }
    // A column that counts the rows before the time is no signal where there is another one.
    let counts =
        |i: usize| header.name(i).is_empty() && table.get(i).is_some_and(Column::counts_rows);
    let rank = |(i, s): &(usize, i32)| if counts(*i) { s - 10 } else { *s };
    // Columns that are all named as something else hold no signal.
    let most = scored.iter().map(rank).max().filter(|m| *m > -100);
    scored
        .iter()
        .filter(|c| Some(rank(c)) == most)
        .map(|(i, _)| *i)
        .collect()
}
