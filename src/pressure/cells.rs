//! One line of a log in cells, and what a cell may be.

use crate::trace::clock::{elapsed, is_date, stamp};
use crate::trace::lines::{cells, is_blank, is_comment};
use crate::trace::number::{self, Number, clean};
use crate::trace::{Delimiter, decode};

/// More columns than this are no pressure log.
pub(super) const MOST_COLUMNS: usize = 256;

/// How a line is cut into numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    pub delimiter: Delimiter,
    pub decimal: u8,
}

/// The dialects in the order in which they are preferred.
pub(super) const DIALECTS: [Dialect; 7] = {
    const fn of(delimiter: Delimiter, decimal: u8) -> Dialect {
        Dialect { delimiter, decimal }
    }
    [
        of(Delimiter::Tab, b'.'),
        of(Delimiter::Tab, b','),
        of(Delimiter::Semicolon, b'.'),
        of(Delimiter::Semicolon, b','),
        of(Delimiter::Comma, b'.'),
        of(Delimiter::Space, b'.'),
        of(Delimiter::Space, b','),
    ]
};

/// What a cell looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Looks {
    Number,
    /// A date with its time of day.
    Stamp,
    Date,
    /// `10:00:05`
    Clock,
    Empty,
    Text,
}

impl Dialect {
    /// The cells of a line; `None` for a blank or a comment, and where there are too many.
    pub(super) fn split(self, line: &[u8]) -> Option<Vec<&[u8]>> {
        if is_blank(line) || is_comment(line, self.delimiter) {
            return None;
        }
        let out: Vec<&[u8]> = cells(line, self.delimiter).take(MOST_COLUMNS + 1).collect();
        (out.len() <= MOST_COLUMNS).then_some(out)
    }

    pub(super) fn looks(self, cell: &[u8]) -> Looks {
        let bare = clean(cell);
        if bare.is_empty() {
            return Looks::Empty;
        }
        match number::cell(bare, self.decimal) {
            Number::Finite(_) => Looks::Number,
            // A pump that gives no reading: a cell of a row all the same.
            Number::NotFinite => Looks::Empty,
            Number::None if is_date(bare) => Looks::Date,
            Number::None if elapsed(bare).is_some() => Looks::Clock,
            Number::None if is_stamp(bare) => Looks::Stamp,
            Number::None => Looks::Text,
        }
    }

    /// The number in a cell.
    pub(super) fn number(self, cell: &[u8]) -> Option<f64> {
        match number::cell(cell, self.decimal) {
            Number::Finite(x) => Some(x),
            Number::NotFinite | Number::None => None,
        }
    }
}

fn is_stamp(cell: &[u8]) -> bool {
    stamp(cell).is_some()
}

/// A cell as text, without quotes.
pub(super) fn text(cell: &[u8]) -> String {
    decode::decode(clean(cell)).trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_told_by_their_looks() {
        let d = DIALECTS[3];
        for (cell, looks) in [
            ("4,2", Looks::Number),
            ("2026-05-04T22:10:03.250+02:00", Looks::Stamp),
            ("2026-05-04 22:10", Looks::Stamp),
            ("04.05.2026 22:10:03", Looks::Stamp),
            ("04.05.2026", Looks::Date),
            ("22:10:03", Looks::Clock),
            ("nan", Looks::Empty),
            ("pump on", Looks::Text),
        ] {
            assert_eq!(d.looks(cell.as_bytes()), looks, "{cell}");
        }
    }
}
