//! What a line looks like under a guess of delimiter and decimal mark.

use super::lines::{cells, is_blank, is_comment, line_at};
use super::number::{self, Number};
use super::{Delimiter, Settings, clock};

/// Cells whose kind is looked at; those after them are only counted.
const LOOKED_AT: usize = 64;
/// More columns than this are no table.
pub(super) const MAX_COLUMNS: usize = 100_000;

/// A guess of how cells and numbers are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    pub delimiter: Delimiter,
    pub decimal: u8,
}

/// The guesses that the settings leave open, the likelier ones first.
pub(super) fn dialects(settings: &Settings) -> Vec<Dialect> {
    let delimiters = [
        Delimiter::Tab,
        Delimiter::Semicolon,
        Delimiter::Comma,
        Delimiter::Space,
    ];
    let mut out = Vec::new();
    for decimal in [b'.', b','] {
        for delimiter in delimiters {
            let open = settings.delimiter.is_none_or(|d| d == delimiter)
                && settings.decimal.is_none_or(|d| d == decimal);
            if open {
                out.push(Dialect { delimiter, decimal });
            }
        }
    }
    out
}

/// The kinds of the cells of a line, as bits from the first cell on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Shape {
    /// Cells in the line.
    pub fields: usize,
    /// Cells up to the last that is not empty.
    pub filled: usize,
    /// Numbers, finite or not.
    pub numbers: u64,
    /// Clock readings and dates.
    pub clocks: u64,
    /// Anything else that is not empty.
    pub texts: u64,
}

/// What one cell holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Number,
    Clock,
    Text,
    Empty,
}

fn kind(cell: &[u8], decimal: u8) -> Kind {
    let cell = number::clean(cell);
    if cell.is_empty() {
        return Kind::Empty;
    }
    match number::cell(cell, decimal) {
        Number::Finite(_) | Number::NotFinite => Kind::Number,
        Number::None if !cell.first().is_some_and(u8::is_ascii_digit) => Kind::Text,
        Number::None
            if clock::elapsed(cell).is_some()
                || clock::stamp(cell).is_some()
                || clock::is_date(cell) =>
        {
            Kind::Clock
        }
        Number::None => Kind::Text,
    }
}

/// Whether a text cell holds a delimiter stronger than the guessed one between digits: then the guess is wrong.
fn betrays(cell: &[u8], delimiter: Delimiter) -> bool {
    let stronger: &[u8] = match delimiter {
        Delimiter::Tab => b"",
        Delimiter::Semicolon => b"\t",
        Delimiter::Comma => b"\t;",
        Delimiter::Space => b";,",
    };
    cell.iter().any(|b| stronger.contains(b)) && cell.iter().any(u8::is_ascii_digit)
}

/// The shape of a line that may be a row of data: at least one number, and two cells with a value.
pub(super) fn of(line: &[u8], dialect: Dialect) -> Option<Shape> {
    if is_comment(line, dialect.delimiter) {
        return None;
    }
    let mut shape = Shape::default();
    let mut split = cells(line, dialect.delimiter);
    for (bit, cell) in split.by_ref().take(LOOKED_AT).enumerate() {
        shape.fields += 1;
        match kind(cell, dialect.decimal) {
            Kind::Number => shape.numbers |= 1 << bit,
            Kind::Clock => shape.clocks |= 1 << bit,
            Kind::Text if betrays(cell, dialect.delimiter) => return None,
            Kind::Text => shape.texts |= 1 << bit,
            Kind::Empty => {}
        }
    }
    let values = (shape.numbers | shape.clocks).count_ones();
    if shape.numbers == 0
        || values < 2
        || (dialect.delimiter == Delimiter::Space && shape.texts.count_ones() > values)
    {
        return None;
    }
    shape.fields += split.count_left();
    shape.filled = shape.fields - trailing_empty(line, dialect.delimiter);
    Some(shape)
}

/// Empty cells at the end of a line.
fn trailing_empty(line: &[u8], delimiter: Delimiter) -> usize {
    if delimiter == Delimiter::Space {
        return 0;
    }
    let mark = delimiter.byte();
    line.iter()
        .rev()
        .take_while(|b| **b == mark || **b == b' ')
        .filter(|b| **b == mark)
        .count()
}

impl Shape {
    /// Whether two lines can be rows of one table: as many cells, and of the same kinds. A cell may be empty, and from
    /// the third on its kind may change (flags, remarks), as long as two columns of values are common.
    pub(super) fn fits(&self, other: &Shape) -> bool {
        let as_wide = self.fields == other.fields || self.filled == other.filled;
        let clash = (self.numbers & (other.clocks | other.texts))
            | (self.clocks & (other.numbers | other.texts))
            | (self.texts & (other.numbers | other.clocks));
        let common = (self.numbers & other.numbers) | (self.clocks & other.clocks);
        as_wide && (clash == 0 || (clash & 0b11 == 0 && common.count_ones() >= 2))
    }
}

/// One row of a sample: its line and where its text is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Row {
    pub line: u64,
    pub start: usize,
    pub end: usize,
    pub next: usize,
}

/// Up to `most` rows from `start` on that fit the first; blank lines and comments between them do not count.
pub(super) fn rows(
    bytes: &[u8],
    start: usize,
    line: u64,
    dialect: Dialect,
    most: usize,
) -> (Vec<Row>, Shape) {
    let mut found = Vec::new();
    let mut first: Option<Shape> = None;
    let (mut at, mut line) = (start, line);
    while at < bytes.len() && found.len() < most {
        let (end, next) = line_at(bytes, at);
        let text = bytes.get(at..end).unwrap_or_default();
        let skipped = !found.is_empty() && (is_blank(text) || is_comment(text, dialect.delimiter));
        if !skipped {
            let Some(shape) = of(text, dialect) else {
                break;
            };
            if first.is_some_and(|f| !f.fits(&shape)) {
                break;
            }
            // The narrowest of the rows says how many cells must be there.
            let known = first.unwrap_or(shape);
            first = Some(Shape {
                filled: known.filled.min(shape.filled),
                fields: known.fields.max(shape.fields),
                ..known
            });
            found.push(Row {
                line,
                start: at,
                end,
                next,
            });
        }
        at = next;
        line += 1;
    }
    (found, first.unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(line: &str, delimiter: Delimiter, decimal: u8) -> Option<Shape> {
        of(line.as_bytes(), Dialect { delimiter, decimal })
    }

    #[test]
    fn a_wrong_guess_is_no_row() {
        assert!(shape("0,10;1,5", Delimiter::Semicolon, b',').is_some());
        assert!(shape("0,10;1,5", Delimiter::Comma, b'.').is_none());
        assert!(shape("0,10\t1,5", Delimiter::Comma, b'.').is_none());
        assert!(shape("0,10 1,5", Delimiter::Space, b',').is_some());
        assert!(shape("Sampling rate;8", Delimiter::Semicolon, b'.').is_none());
        assert!(shape("# 1;2", Delimiter::Semicolon, b'.').is_none());
    }

    #[test]
    fn rows_fit_when_their_first_cells_are_alike() {
        let a = shape("1;2;;x", Delimiter::Semicolon, b'.').unwrap();
        assert!(a.fits(&shape("1;2;3;x", Delimiter::Semicolon, b'.').unwrap()));
        assert!(a.fits(&shape("1;2;3;4", Delimiter::Semicolon, b'.').unwrap()));
        assert!(!a.fits(&shape("1;y;3;4", Delimiter::Semicolon, b'.').unwrap()));
        assert!(!a.fits(&shape("1;2;x", Delimiter::Semicolon, b'.').unwrap()));
    }
}
