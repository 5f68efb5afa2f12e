//! The rows of the data: a tight loop for the common form, a careful reader for every other line.

use super::columns::TimeKind;
use super::decode::quote;
use super::lines::{behind_delimiter, cells, is_blank, is_comment, line_at};
use super::number::{self, Number};
use super::{Delimiter, TraceError, clock, error};

/// Most room made beforehand, samples: a file of many short runs must not pay for it; longer traces grow it.
const ROOM: usize = 1 << 14;
/// A clock that falls by more than this has passed midnight, s.
const MIDNIGHT_S: f64 = 23.0 * 3600.0;

/// Where the numbers stand in a row and how they are written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Plan {
    pub delimiter: Delimiter,
    pub decimal: u8,
    /// Column of the time, from 0.
    pub time: usize,
    /// Column of the signal, from 0.
    pub signal: usize,
    pub kind: TimeKind,
    /// Fewest and most cells in a row; they differ by empty cells at its end.
    pub fields: (usize, usize),
    /// Quotes were seen: every row is read with care.
    pub quoted: bool,
    /// The row at the start surely is data: a header stands directly above it.
    pub sure_start: bool,
}

/// What a line is under a plan.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Line {
    /// A row: time as written (s for clocks) and signal as written.
    Sample(f64, f64),
    /// Nothing to read.
    Skip,
    /// A number that is not finite.
    NotFinite(String),
    /// A row with a time but without a signal.
    NoSignal(f64, String),
    /// No row at all.
    Other(String),
}

/// Rows read one after another.
#[derive(Debug, Clone, Default)]
pub(super) struct Run {
    /// Times as written (s for clocks).
    pub time: Vec<f64>,
    /// Signal as written.
    pub signal: Vec<f64>,
    /// Line of the first and of the last sample.
    pub lines: (u64, u64),
    /// Where reading stopped.
    pub stop: usize,
    /// Line there.
    pub stop_line: u64,
    /// What is wrong with the data.
    pub fault: Option<TraceError>,
    /// Times equal to the one before: how many, and the first one's line.
    pub repeats: (usize, u64),
    /// Rows before the first sample that turned out to be none.
    pub dropped: usize,
    /// The last sample's line has no end mark: it may be cut within a number.
    pub unended: bool,
    base: Option<clock::Stamp>,
    days_s: f64,
    first_of_day: Option<f64>,
}

impl Plan {
    /// What one whole line is.
    pub(super) fn line(&self, text: &[u8], base: &mut Option<clock::Stamp>) -> Line {
        if is_blank(text) || is_comment(text, self.delimiter) {
            return Line::Skip;
        }
        let mut split = cells(text, self.delimiter);
        let (mut time, mut signal) = (None, None);
        let mut count = 0;
        for cell in split.by_ref().take(self.time.max(self.signal) + 1) {
            if count == self.time {
                time = Some(cell);
            }
            if count == self.signal {
                signal = Some(cell);
            }
            count += 1;
        }
        let rest = split.rest().unwrap_or_default();
        count += split.count_left();
        let (least, most) = self.fields;
        let empty_tail = count > most
            && rest
                .iter()
                .all(|b| *b == self.delimiter.byte() || b.is_ascii_whitespace());
        let (Some(time), Some(signal)) = (time, signal) else {
            return Line::Other(columns(count, most));
        };
        if count < least || (count > most && !empty_tail) {
            return Line::Other(columns(count, most));
        }
        self.values(time, signal, base)
    }

    fn values(&self, time: &[u8], signal: &[u8], base: &mut Option<clock::Stamp>) -> Line {
        let Some(t) = self.time_of(time, base) else {
            if self.kind == TimeKind::Number
                && number::cell(time, self.decimal) == Number::NotFinite
            {
                return Line::NotFinite(format!(
                    "found {} as time, expected a finite number",
                    quote(time.trim_ascii())
                ));
            }
            let what = if self.kind == TimeKind::Number {
                "a number"
            } else {
                "a clock time"
            };
            return Line::Other(format!(
                "found {} as time, expected {what}",
                quote(time.trim_ascii())
            ));
        };
        let shown = || quote(signal.trim_ascii());
        match number::cell(signal, self.decimal) {
            Number::Finite(s) => Line::Sample(t, s),
            Number::NotFinite => Line::NotFinite(format!(
                "found {} as signal, expected a finite number",
                shown()
            )),
            Number::None => {
                Line::NoSignal(t, format!("found {} as signal, expected a number", shown()))
            }
        }
    }

    /// A time as written, s for clock times.
    fn time_of(&self, cell: &[u8], base: &mut Option<clock::Stamp>) -> Option<f64> {
        match self.kind {
            TimeKind::Number => match number::cell(cell, self.decimal) {
                Number::Finite(t) => Some(t),
                Number::NotFinite | Number::None => None,
            },
            TimeKind::Elapsed | TimeKind::OfDay => clock::elapsed(cell),
            TimeKind::Stamp => clock::stamp(cell).map(|s| s.since(base.get_or_insert(s))),
        }
    }

    /// Two numbers and nothing else: both, and what follows their line. `None`: read it with care.
    #[inline(always)]
    fn pair(bytes: &[u8], delimiter: u8, decimal: u8) -> Option<(f64, f64, &[u8])> {
        let (a, rest) = number::plain(bytes, decimal)?;
        let (mark, rest) = rest.split_first()?;
        if *mark != delimiter {
            return None;
        }
        let (b, rest) = number::plain(rest, decimal)?;
        Some((a, b, line_done(rest)?))
    }

    /// Two numbers between blanks.
    #[inline(always)]
    fn blank_pair(bytes: &[u8], decimal: u8) -> Option<(f64, f64, &[u8])> {
        let (a, rest) = number::plain(behind_blanks(bytes), decimal)?;
        if !matches!(rest.first(), Some(b' ' | b'\t')) {
            return None;
        }
        let (b, rest) = number::plain(behind_blanks(rest), decimal)?;
        Some((a, b, line_done(behind_blanks(rest))?))
    }

    /// Many cells of which two are read: the others are counted at memory speed.
    fn wide<'a>(&self, bytes: &'a [u8]) -> Option<(f64, f64, &'a [u8])> {
        let (end, next) = line_at(bytes, 0);
        let row = bytes.get(..end)?;
        let mark = self.delimiter.byte();
        let count = 1 + memchr::memchr_iter(mark, row).count();
        if count < self.fields.0 || count > self.fields.1 {
            return None;
        }
        let (low, high) = (self.time.min(self.signal), self.time.max(self.signal));
        let first = row.get(behind_delimiter(row, mark, low)?..)?;
        let second = first.get(behind_delimiter(first, mark, high - low)?..)?;
        let (a, b) = (self.one(first)?, self.one(second)?);
        let rest = bytes.get(next..)?;
        Some(if self.time < self.signal {
            (a, b, rest)
        } else {
            (b, a, rest)
        })
    }

    /// A number alone in its cell.
    #[inline(always)]
    fn one(&self, cell: &[u8]) -> Option<f64> {
        let (value, rest) = number::plain(behind_blanks(cell), self.decimal)?;
        rest.first()
            .is_none_or(|b| *b == self.delimiter.byte())
            .then_some(value)
    }
}

/// What follows the end mark at the start of `rest`; `None` where there is no end of a line.
#[inline(always)]
fn line_done(rest: &[u8]) -> Option<&[u8]> {
    match rest {
        [b'\n', after @ ..] | [b'\r', b'\n', after @ ..] | [b'\r', after @ ..] => Some(after),
        _ => None,
    }
}

#[inline(always)]
fn behind_blanks(text: &[u8]) -> &[u8] {
    let blanks = text
        .iter()
        .take_while(|b| matches!(b, b' ' | b'\t'))
        .count();
    text.get(blanks..).unwrap_or_default()
}

fn columns(found: usize, expected: usize) -> String {
    format!(
        "found {}, expected {expected}",
        crate::text::count(found, "column")
    )
}

impl Run {
    /// Reads rows from `start` on, which is line `line`, up to a line that is none.
    pub(super) fn read(bytes: &[u8], start: usize, line: u64, plan: &Plan) -> Self {
        let (_, next) = line_at(bytes, start);
        let estimate = (bytes.len() - start.min(bytes.len())) / (next - start).max(1) + 64;
        let mut run = Self {
            stop: start,
            stop_line: line,
            ..Self::default()
        };
        run.time.reserve(estimate.min(ROOM));
        run.signal.reserve(estimate.min(ROOM));
        let quick = plan.kind == TimeKind::Number && !plan.quoted;
        while run.stop < bytes.len() {
            if quick {
                run.quick_rows(bytes, plan);
            }
            if run.stop >= bytes.len() || !run.careful_row(bytes, plan) {
                break;
            }
        }
        run
    }

    /// Rows in the common form, as long as they come and their times increase.
    fn quick_rows(&mut self, bytes: &[u8], plan: &Plan) {
        let (delimiter, decimal) = (plan.delimiter.byte(), plan.decimal);
        match (plan.fields.1, plan.delimiter, plan.time) {
            (2, Delimiter::Space, 0) => self.while_quick(bytes, |b| Plan::blank_pair(b, decimal)),
            (_, Delimiter::Space, _) => {}
            (2, _, 0) => self.while_quick(bytes, |b| Plan::pair(b, delimiter, decimal)),
            (2, _, _) => self.while_quick(bytes, |b| {
                Plan::pair(b, delimiter, decimal).map(|(s, t, rest)| (t, s, rest))
            }),
            _ => self.while_quick(bytes, |b| plan.wide(b)),
        }
    }

    #[inline(always)]
    fn while_quick<'a>(
        &mut self,
        bytes: &'a [u8],
        row: impl Fn(&'a [u8]) -> Option<(f64, f64, &'a [u8])>,
    ) {
        let from = self.time.len();
        let mut rest = bytes.get(self.stop..).unwrap_or_default();
        let mut latest = self.time.last().copied().unwrap_or(f64::NEG_INFINITY);
        while let Some((t, s, next)) = row(rest) {
            if t <= latest {
                break;
            }
            latest = t;
            self.time.push(t);
            self.signal.push(s);
            rest = next;
        }
        let read = (self.time.len() - from) as u64;
        if read > 0 {
            if from == 0 {
                self.lines.0 = self.stop_line;
            }
            self.lines.1 = self.stop_line + read - 1;
        }
        self.stop = bytes.len() - rest.len();
        self.stop_line += read;
    }

    /// One line of any form; `false` where the rows end.
    fn careful_row(&mut self, bytes: &[u8], plan: &Plan) -> bool {
        let (end, next) = line_at(bytes, self.stop);
        let text = bytes.get(self.stop..end).unwrap_or_default();
        let cut = end == bytes.len() && self.is_cut(text, plan);
        match plan.line(text, &mut self.base) {
            Line::Skip => {}
            Line::Sample(t, s) => {
                self.unended = end == bytes.len();
                self.push(t, s, plan);
            }
            Line::NotFinite(why) => self.blame(why, false),
            Line::NoSignal(_, why) | Line::Other(why) if cut && !self.time.is_empty() => {
                self.blame(format!("the last line is cut: {why}"), true);
            }
            Line::NoSignal(t, why) if self.goes_on(self.relative(t, plan)) => {
                self.blame(why, false)
            }
            Line::NoSignal(..) | Line::Other(_) => return false,
        }
        self.stop = next;
        self.stop_line += 1;
        true
    }

    /// Whether a last line without an end mark is the start of a row: made of what numbers are made of, or with a
    /// time that goes on and a last cell that may be the start of a number.
    fn is_cut(&self, text: &[u8], plan: &Plan) -> bool {
        if looks_cut(text) {
            return true;
        }
        let mut split = cells(text, plan.delimiter);
        let time = split
            .by_ref()
            .nth(plan.time)
            .and_then(|c| plan.time_of(c, &mut self.base()));
        let last = cells(text, plan.delimiter).last().unwrap_or_default();
        let short = split.count_left() + plan.time + 1 < plan.fields.0;
        time.is_some_and(|t| self.goes_on(self.relative(t, plan))) && (short || looks_cut(last))
    }

    /// The date from which times count, where they do.
    pub(super) fn base(&self) -> Option<clock::Stamp> {
        self.base
    }

    /// A time as [`Plan::line`] gives it, on the scale of `time`.
    pub(super) fn relative(&self, t: f64, plan: &Plan) -> f64 {
        if plan.kind == TimeKind::OfDay {
            t + self.days_s - self.first_of_day.unwrap_or(0.0)
        } else {
            t
        }
    }

    /// Keeps the first fault.
    fn blame(&mut self, message: String, may_grow: bool) {
        if self.fault.is_none() {
            self.fault = Some(TraceError {
                may_grow,
                ..error(Some(self.stop_line), message)
            });
        }
    }

    /// Whether a time (as written) continues the rows: later than the last, by no more than a hundred steps.
    fn goes_on(&self, t: f64) -> bool {
        let (Some(first), Some(last)) = (self.time.first(), self.time.last()) else {
            return false;
        };
        let mean = (last - first) / self.time.len().saturating_sub(1).max(1) as f64;
        self.time.len() >= 2 && t > *last && t - last <= 100.0 * mean
    }

    fn push(&mut self, t: f64, s: f64, plan: &Plan) {
        let t = if plan.kind == TimeKind::OfDay {
            self.since_first(t)
        } else {
            t
        };
        let last = self.time.last().copied();
        match last {
            Some(last)
                if t < last && self.time.len() <= 2 && !plan.sure_start && self.fault.is_none() =>
            {
                // What came before was no sample: a pair of numbers above data without a header.
                self.dropped += self.time.len();
                self.time.clear();
                self.signal.clear();
                self.repeats = (0, 0);
            }
            Some(last) if t < last => {
                self.blame(
                    format!(
                        "time runs backwards: found {t} after {last}, expected increasing times"
                    ),
                    self.unended,
                );
            }
            Some(last) if t == last => {
                if self.repeats.0 == 0 {
                    self.repeats.1 = self.stop_line;
                }
                self.repeats.0 += 1;
            }
            _ => {}
        }
        if self.time.is_empty() {
            self.lines.0 = self.stop_line;
        }
        self.lines.1 = self.stop_line;
        self.time.push(t);
        self.signal.push(s);
    }

    /// A time of day as seconds from the first row, past midnight too.
    fn since_first(&mut self, t: f64) -> f64 {
        let first = *self.first_of_day.get_or_insert(t);
        let last = self.time.last().copied().unwrap_or(0.0);
        if last - (t + self.days_s - first) > MIDNIGHT_S {
            self.days_s += 86_400.0;
        }
        t + self.days_s - first
    }
}

/// Whether the text is nothing but what numbers and clock times are made of.
fn looks_cut(line: &[u8]) -> bool {
    line.iter().all(|b| {
        matches!(
            b,
            b'0'..=b'9'
                | b'+'
                | b'-'
                | b'.'
                | b','
                | b';'
                | b':'
                | b'/'
                | b'e'
                | b'E'
                | b'd'
                | b'D'
                | b'T'
                | b' '
                | b'\t'
                | b'"'
        )
    })
}
