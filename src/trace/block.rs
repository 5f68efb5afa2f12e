//! One run of rows: its dialect, its columns, its samples, and whether it goes on with what came before.

use super::columns::{self, Roles};
use super::header::{self, Header};
use super::lines::{cells, is_blank, is_comment, line_at};
use super::number::{self, Number};
use super::rows::{Line, Plan, Run};
use super::shape::{Dialect, Row, Shape};
use super::{Delimiter, Hints, Settings, TraceError, error};

/// A text and what is known of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source<'a> {
    pub bytes: &'a [u8],
    pub settings: &'a Settings,
    pub hints: &'a Hints,
}

/// A run of rows and how it was read.
#[derive(Debug, Clone)]
pub(super) struct Block {
    pub plan: Plan,
    pub header: Header,
    pub roles: Roles,
    pub run: Run,
    /// Columns in a row.
    pub columns: usize,
    /// Where its first row starts.
    pub start: usize,
    /// Rows, with those of earlier blocks that it goes on with.
    pub weight: usize,
}

/// A few rows, too few for a trace.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stub {
    /// Its last row.
    pub last: Row,
    /// Where the next line starts, and its number.
    pub stop: usize,
    pub stop_line: u64,
}

impl Source<'_> {
    /// Reads the block that starts with these rows.
    ///
    /// # Errors
    /// Why its columns cannot be told, in words.
    pub(super) fn block(
        &self,
        dialect: Dialect,
        rows: &[Row],
        shape: Shape,
    ) -> Result<Block, String> {
        let (first, rows) = match rows {
            [a, b, rest @ ..] if is_wavelengths(self.bytes, a, b, dialect) && !rest.is_empty() => {
                (b, rows.get(1..).unwrap_or_default())
            }
            [a, ..] => (a, rows),
            [] => return Err("found no rows, expected a time and a signal".to_owned()),
        };
        let columns = shape.fields;
        let header = Header::above(
            self.bytes,
            first.start,
            first.line,
            columns,
            dialect.delimiter,
        );
        if commas_twice(self.bytes, rows, dialect, columns, &header) {
            return Err("found commas between the columns and within the numbers, expected another delimiter or quotes".to_owned());
        }
        let roles = columns::choose(
            self.bytes,
            rows,
            dialect,
            columns,
            &header,
            self.settings,
            self.hints,
        )?;
        let text = rows
            .last()
            .and_then(|l| self.bytes.get(first.start..l.end))
            .unwrap_or_default();
        let plan = Plan {
            delimiter: dialect.delimiter,
            decimal: dialect.decimal,
            time: roles.time,
            signal: roles.signals.first().copied().unwrap_or(1),
            kind: roles.kind,
            fields: (shape.filled.min(columns), columns),
            quoted: memchr::memchr(b'"', text).is_some(),
            sure_start: header.line().is_some() && header.between.is_empty(),
        };
        let mut block = Block {
            plan,
            header,
            roles,
            run: Run::read(self.bytes, first.start, first.line, &plan),
            columns,
            start: first.start,
            weight: 0,
        };
        self.try_other_mark(&mut block, first);
        self.leave_dead_channels(&mut block, first);
        block.weight = block.run.time.len();
        block.blame_first_rows(self.bytes);
        Ok(block)
    }

    /// Whole numbers at first leave the decimal mark open: where they end, the other mark may go on.
    fn try_other_mark(&self, block: &mut Block, first: &Row) {
        let seen = self
            .bytes
            .get(first.start..block.run.stop)
            .unwrap_or_default();
        let stops_early = block.run.stop < self.bytes.len() || block.run.fault.is_some();
        let open = block.plan.decimal == b'.' && self.settings.decimal.is_none() && stops_early;
        if !open || memchr::memchr(b'.', seen).is_some() {
            return;
        }
        let plan = Plan {
            decimal: b',',
            ..block.plan
        };
        let run = Run::read(self.bytes, first.start, first.line, &plan);
        if run.time.len() > block.run.time.len() {
            (block.plan, block.run) = (plan, run);
        }
    }

    /// A channel that is zero all through was not connected: the next equally plausible one is taken.
    fn leave_dead_channels(&self, block: &mut Block, first: &Row) {
        let dead = |run: &Run| !run.signal.is_empty() && run.signal.iter().all(|v| *v == 0.0);
        let others: Vec<usize> = block
            .roles
            .signals
            .iter()
            .skip(1)
            .take(16)
            .copied()
            .collect();
        for signal in others {
            if !dead(&block.run) {
                return;
            }
            let plan = Plan {
                signal,
                ..block.plan
            };
            let run = Run::read(self.bytes, first.start, first.line, &plan);
            if run.time.len() >= block.run.time.len() && !dead(&run) {
                (block.plan, block.run) = (plan, run);
            }
        }
    }
}

/// Whether a comma seems to be the delimiter and the decimal mark at once: whole numbers only, in twice as many columns
/// as are named, or in four columns without names of which the first repeats.
fn commas_twice(
    bytes: &[u8],
    rows: &[Row],
    dialect: Dialect,
    columns: usize,
    header: &Header,
) -> bool {
    let text = rows
        .first()
        .zip(rows.last())
        .and_then(|(a, b)| bytes.get(a.start..b.end))
        .unwrap_or_default();
    let whole =
        dialect.delimiter == Delimiter::Comma && !text.iter().any(|b| matches!(b, b'.' | b'"'));
    let falls = || {
        let first = |r: &Row| {
            bytes
                .get(r.start..r.end)
                .and_then(|l| cells(l, dialect.delimiter).next())
        };
        rows.windows(2)
            .skip(1)
            .any(|w| first(&w[0]) == first(&w[1]))
    };
    whole
        && columns >= 4
        && columns.is_multiple_of(2)
        && (header.names.len() * 2 == columns
            || (header.names.is_empty() && columns == 4 && falls()))
}

/// Whether the first of two rows is the wavelengths of a matrix, all numbers.
fn is_wavelengths(bytes: &[u8], a: &Row, b: &Row, dialect: Dialect) -> bool {
    let is = |r: &Row| {
        header::wavelength_row(
            bytes.get(r.start..r.end).unwrap_or_default(),
            dialect.delimiter,
        )
    };
    is(a) && !is(b)
}

impl Plan {
    /// The error of the first line from `at` on that is neither blank nor a comment nor a row.
    pub(super) fn explain(&self, bytes: &[u8], at: usize, line: u64) -> TraceError {
        let (mut at, mut line) = (at, line);
        while at < bytes.len() {
            let (end, next) = line_at(bytes, at);
            match self.line(bytes.get(at..end).unwrap_or_default(), &mut None) {
                Line::NotFinite(why) | Line::NoSignal(_, why) | Line::Other(why) => {
                    return error(Some(line), why);
                }
                Line::Skip | Line::Sample(..) => {}
            }
            (at, line) = (next, line + 1);
        }
        error(
            Some(line),
            "the rows of data end here, expected more".to_owned(),
        )
    }
}

impl Block {
    /// Whether a row behind the block goes on with its time: later than its last, by no more than its length.
    pub(super) fn goes_on_at(&self, bytes: &[u8], row: &Row) -> bool {
        let (Some(&first), Some(&last)) = (self.run.time.first(), self.run.time.last()) else {
            return false;
        };
        let text = bytes.get(row.start..row.end).unwrap_or_default();
        let mut base = self.run.base();
        let t = match self.plan.line(text, &mut base) {
            Line::Sample(t, _) => self.run.relative(t, &self.plan),
            _ => return false,
        };
        if t <= last || t - last > last - first {
            return false;
        }
        // Right behind the last row, even a header does not start another section: it was written for a new page.
        if t - last <= 3.0 * (last - first) / self.run.time.len().saturating_sub(1).max(1) as f64 {
            return true;
        }
        let header = Header::above(
            bytes,
            row.start,
            row.line,
            self.columns,
            self.plan.delimiter,
        );
        !(header.line().is_some_and(|l| l >= self.run.stop_line) && header.is_known())
    }

    /// Whether the block goes on with a few rows before it: their time is a few steps earlier, with no header between.
    pub(super) fn goes_on_from(&self, bytes: &[u8], stub: &Stub) -> bool {
        let text = bytes
            .get(stub.last.start..stub.last.end)
            .unwrap_or_default();
        let own_header =
            self.header.line().is_some_and(|l| l > stub.last.line) && self.header.is_known();
        let Line::Sample(t, _) = self.plan.line(text, &mut None) else {
            return false;
        };
        let (Some(&a), Some(&b)) = (self.run.time.first(), self.run.time.last()) else {
            return false;
        };
        let step = (b - a) / self.run.time.len().max(2) as f64;
        let lines = self.run.lines.0.saturating_sub(stub.last.line) as f64;
        !own_header && t < a && a - t <= 3.0 * step * lines
    }

    /// Lines between a header and the first row read that are rows with a bad cell.
    fn blame_first_rows(&mut self, bytes: &[u8]) {
        if !self.header.is_known() || self.run.fault.is_some() {
            return;
        }
        let Some(&first) = self.run.time.first() else {
            return;
        };
        for &(line, start, end) in self.header.between.iter().rev() {
            let text = bytes.get(start..end).unwrap_or_default();
            if is_blank(text) || is_comment(text, self.plan.delimiter) {
                continue;
            }
            let bad = match self.plan.line(text, &mut None) {
                Line::NoSignal(t, why) if t <= first => Some(why),
                Line::NotFinite(why) => Some(why),
                Line::Other(why) if short_time(text, &self.plan) => Some(why),
                _ => None,
            };
            if let Some(why) = bad {
                self.run.fault = Some(error(Some(line), why));
                return;
            }
        }
    }
}

/// Whether a line has a number as signal beside a time cell that is empty or a few letters: a row with a bad time.
fn short_time(text: &[u8], plan: &Plan) -> bool {
    let all: Vec<&[u8]> = cells(text, plan.delimiter)
        .take(plan.time.max(plan.signal) + 1)
        .collect();
    let time = all
        .get(plan.time)
        .map_or(usize::MAX, |c| number::clean(c).len());
    let signal = all.get(plan.signal).map(|c| number::cell(c, plan.decimal));
    time <= 4 && matches!(signal, Some(Number::Finite(_)))
}
