//! The cells of one row: text, numbers, and errors that name line and column.

use std::path::Path;

use csv::StringRecord;

use super::header::{Column, Header};
use crate::config::bounds::Bounds;
use crate::config::error::{FileError, quoted};
use crate::text::without_guard;

/// Longest cell of a column that means something, bytes.
pub(crate) const LONGEST_CELL: usize = 1000;

/// What is expected of a cell that holds rows.
pub(crate) const ONE_LINE: &str = "a cell on one line (is a quotation mark missing?)";
/// The note about decimal commas.
pub(crate) const DECIMAL_COMMAS: &str = "decimal commas are read as decimal points";

/// A cell without blanks around it and without the apostrophe that keeps a spreadsheet from taking it for a formula.
pub(crate) fn plain(cell: &str) -> &str {
    without_guard(cell.trim())
}

/// Things read as meant; each kind is said once, with its first line and how often it came.
#[derive(Default)]
pub(crate) struct Notes(Vec<(String, u64, usize)>);

impl Notes {
    /// Adds one.
    pub(crate) fn add(&mut self, line: u64, what: &str) {
        match self.0.iter_mut().find(|(w, _, _)| w == what) {
            Some((_, _, times)) => *times += 1,
            None => self.0.push((what.to_owned(), line, 1)),
        }
    }

    /// All, in the order in which they first came.
    pub(crate) fn into_texts(self) -> impl Iterator<Item = String> {
        self.0.into_iter().map(|(what, line, times)| match times {
            1 => format!("{what} (line {line})"),
            n => format!("{what} (line {line} and {} more)", n - 1),
        })
    }
}

/// One row with its header.
pub(super) struct Row<'r> {
    pub(super) path: &'r Path,
    pub(super) line: u64,
    pub(super) header: &'r Header,
    pub(super) record: &'r StringRecord,
    /// A comma stands between the cells, so it cannot stand in numbers.
    pub(super) comma_delimits: bool,
}

impl Row<'_> {
    /// The text of a column; empty where the list does not have it.
    pub(super) fn text(&self, column: Column) -> Result<&str, FileError> {
        let cell = self
            .header
            .place(column)
            .and_then(|place| self.record.get(place))
            .unwrap_or_default();
        let text = plain(cell);
        if holds_rows(text, self.record.len()) {
            return Err(self.found(column, text, ONE_LINE));
        }
        if text.len() > LONGEST_CELL {
            return Err(self.found(column, text, &format!("at most {LONGEST_CELL} bytes")));
        }
        Ok(text)
    }

    /// The number in a column; `None` where the cell is empty.
    pub(super) fn number(
        &self,
        column: Column,
        bounds: Bounds,
        notes: &mut Notes,
    ) -> Result<Option<f64>, FileError> {
        let text = self.text(column)?;
        if text.is_empty() {
            return Ok(None);
        }
        let (number, comma) = decimal(text, self.comma_delimits);
        let number = number
            .filter(|n| bounds.hold(*n))
            .ok_or_else(|| self.found(column, text, &bounds.words()))?;
        if comma {
            notes.add(self.line, DECIMAL_COMMAS);
        }
        Ok(Some(number))
    }

    /// The error of a cell: `column dilution: found "0", expected …`.
    pub(super) fn found(&self, column: Column, text: &str, expected: &str) -> FileError {
        let found = if text.is_empty() {
            "an empty cell".to_owned()
        } else {
            quoted(text)
        };
        self.error(format!(
            "column {}: found {found}, expected {expected}",
            column.name()
        ))
    }

    /// An error of this row.
    pub(super) fn error(&self, message: String) -> FileError {
        FileError::at_line(self.path, self.line, message)
    }
}

/// A cell's number, finite, and whether its decimal comma was read as a point: only where no comma delimits.
pub(crate) fn decimal(text: &str, comma_delimits: bool) -> (Option<f64>, bool) {
    let parse = |t: &str| fast_float2::parse::<f64, _>(t).ok();
    let comma = !comma_delimits && text.matches(',').count() == 1 && !text.contains('.');
    let number = if comma {
        parse(&text.replace(',', "."))
    } else {
        parse(text)
    };
    (number.filter(|n| n.is_finite()), comma)
}

/// A text may hold a line break; one that holds whole rows (of so many cells) lost its closing quotation mark.
pub(crate) fn holds_rows(text: &str, cells: usize) -> bool {
    let whole = cells.saturating_sub(1).max(1);
    let swallowed = |line: &str| line.matches([',', ';', '\t']).count() >= whole;
    text.contains('\n') && text.lines().skip(1).any(swallowed)
}
