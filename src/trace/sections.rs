//! Finds the chromatogram in a file: the longest run of rows whose time increases, among whatever else is there.

use super::block::{Block, Source, Stub};
use super::lines::line_at;
use super::number::{self, Number};
use super::shape::{self, Dialect, MAX_COLUMNS, Row, Shape};
use super::{Hints, MIN_POINTS, Settings, TraceError, error};

/// Rows by which guesses of the dialect are compared; a shorter run is no trace in any case.
const COMPARED: usize = 8;
/// Rows by which the columns are told apart.
const SAMPLED: usize = 64;
/// Short runs that are remembered: a bad line may look like one of its own.
const STUBS: usize = 4;

/// What was found in a file.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// The longest block.
    pub best: Option<Block>,
    /// Other blocks with enough rows for a trace: line and rows.
    pub others: Vec<(u64, usize)>,
    /// Lines that are one number alone: how many, and the first one's line.
    pub singles: (usize, u64),
    /// Most rows of anything.
    pub most_rows: usize,
    /// A block that could not be read, and its rows.
    pub refused: Option<(TraceError, usize)>,
}

impl Found {
    /// Whether nothing like rows was found.
    pub(super) fn is_nothing(&self) -> bool {
        self.best.is_none() && self.refused.is_none() && self.most_rows < COMPARED
    }
}

/// Reads through a file once.
struct Scan<'a> {
    bytes: &'a [u8],
    source: Source<'a>,
    dialects: Vec<Dialect>,
    at: usize,
    line: u64,
    last: Option<Block>,
    /// The latest ones, oldest first.
    stubs: Vec<Stub>,
    found: Found,
}

/// Finds the blocks of a text.
pub(super) fn find(bytes: &[u8], settings: &Settings, hints: &Hints) -> Found {
    let dialects = shape::dialects(settings);
    let mut scan = Scan {
        bytes,
        source: Source {
            bytes,
            settings,
            hints,
        },
        dialects,
        at: 0,
        line: 1,
        last: None,
        stubs: Vec::new(),
        found: Found::default(),
    };
    while scan.at < bytes.len() {
        scan.step();
    }
    scan.settle();
    scan.found
}

impl Scan<'_> {
    /// One line that is no row, or all rows of a run.
    fn step(&mut self) {
        let (end, next) = line_at(self.bytes, self.at);
        let text = self.bytes.get(self.at..end).unwrap_or_default();
        if !text.iter().any(u8::is_ascii_digit) {
            (self.at, self.line) = (next, self.line + 1);
            return;
        }
        match self.dialect() {
            Some((_, rows, shape)) if shape.fields > MAX_COLUMNS => {
                let message = format!(
                    "found {} columns, expected at most {MAX_COLUMNS}",
                    shape.fields
                );
                self.refuse(error(Some(self.line), message), rows.len().max(MIN_POINTS));
                self.pass(&rows);
            }
            Some((_, rows, _)) if rows.len() < COMPARED => self.few(&rows),
            Some((dialect, _, _)) => self.many(dialect),
            None => {
                self.note_single(text);
                (self.at, self.line) = (next, self.line + 1);
            }
        }
    }

    /// The guess under which most rows follow from here; with equal counts, the one with fewer texts, then the likelier.
    fn dialect(&self) -> Option<(Dialect, Vec<Row>, Shape)> {
        let mut best: Option<(Dialect, Vec<Row>, Shape)> = None;
        for &dialect in &self.dialects {
            let (rows, shape) = shape::rows(self.bytes, self.at, self.line, dialect, COMPARED);
            let better = best.as_ref().is_none_or(|(_, b, s)| {
                (rows.len(), std::cmp::Reverse(shape.texts.count_ones()))
                    > (b.len(), std::cmp::Reverse(s.texts.count_ones()))
            });
            if !rows.is_empty() && better {
                best = Some((dialect, rows, shape));
            }
        }
        best
    }

    fn note_single(&mut self, text: &[u8]) {
        let is_number = |decimal| {
            matches!(
                number::cell(
                    text.trim_ascii().strip_suffix(b";").unwrap_or(text),
                    decimal
                ),
                Number::Finite(_)
            )
        };
        if is_number(b'.') || is_number(b',') {
            if self.found.singles.0 == 0 {
                self.found.singles.1 = self.line;
            }
            self.found.singles.0 += 1;
        }
    }

    fn refuse(&mut self, why: TraceError, rows: usize) {
        if self.found.refused.as_ref().is_none_or(|(_, r)| *r < rows) {
            self.found.refused = Some((why, rows));
        }
    }

    /// Goes on behind rows that are not used.
    fn pass(&mut self, rows: &[Row]) {
        if let Some(last) = rows.last() {
            (self.at, self.line) = (last.next, last.line + 1);
        }
    }

    /// Rows too few for a trace; they may be what is left of one.
    fn few(&mut self, rows: &[Row]) {
        self.found.most_rows = self.found.most_rows.max(rows.len());
        if let Some(first) = rows.first() {
            self.blame_gap(first);
        }
        self.pass(rows);
        if let Some(&last) = rows.last() {
            if self.stubs.len() == STUBS {
                self.stubs.remove(0);
            }
            self.stubs.push(Stub {
                last,
                stop: self.at,
                stop_line: self.line,
            });
        }
    }

    /// A row after a block whose time goes on: what stands between them is a fault in the data.
    fn blame_gap(&mut self, row: &Row) {
        let Some(block) = self.last.as_mut() else {
            return;
        };
        if block.run.fault.is_some() || !block.goes_on_at(self.bytes, row) {
            return;
        }
        block.run.fault = Some(
            block
                .plan
                .explain(self.bytes, block.run.stop, block.run.stop_line),
        );
    }

    /// Reads a block.
    fn many(&mut self, dialect: Dialect) {
        let (rows, shape) = shape::rows(self.bytes, self.at, self.line, dialect, SAMPLED);
        let Some(&first) = rows.first() else { return };
        self.blame_gap(&first);
        match self.source.block(dialect, &rows, shape) {
            Ok(mut block) if !block.run.time.is_empty() => {
                self.found.most_rows = self.found.most_rows.max(block.run.time.len());
                (self.at, self.line) = (block.run.stop, block.run.stop_line);
                self.join(&mut block, &first);
                self.settle();
                self.last = Some(block);
            }
            Ok(block) => {
                // Rows whose signal is no number: the first of them says so.
                let why = block.plan.explain(self.bytes, first.start, first.line);
                self.refuse(why, rows.len());
                self.pass(&rows);
            }
            Err(why) => {
                // The whole run is passed at once, that it be not tried again from its middle.
                let (all, _) = shape::rows(self.bytes, self.at, self.line, dialect, usize::MAX);
                self.refuse(error(Some(first.line), why), all.len());
                self.found.most_rows = self.found.most_rows.max(all.len());
                self.pass(&all);
            }
        }
        self.stubs.clear();
    }

    /// Whether a new block goes on with what came before it, with a bad line in between.
    fn join(&mut self, block: &mut Block, first: &Row) {
        if let Some(before) = &self.last
            && before.run.fault.is_some()
            && before.goes_on_at(self.bytes, first)
        {
            block.weight += before.weight;
            block.run.fault = before.run.fault.clone();
            return;
        }
        let Some(stub) = self
            .stubs
            .iter()
            .find(|s| block.goes_on_from(self.bytes, s))
        else {
            return;
        };
        block.run.fault = Some(block.plan.explain(self.bytes, stub.stop, stub.stop_line));
    }

    /// Compares the last block with the best one.
    fn settle(&mut self) {
        let Some(block) = self.last.take() else {
            return;
        };
        let entry = |b: &Block| (b.run.lines.0, b.run.time.len());
        let better = self
            .found
            .best
            .as_ref()
            .is_none_or(|b| block.weight > b.weight);
        let loser = if better {
            self.found.best.replace(block)
        } else {
            Some(block)
        };
        if let Some(loser) = loser
            && loser.weight >= MIN_POINTS
            && self.found.others.len() < 8
        {
            self.found.others.push(entry(&loser));
        }
    }
}
