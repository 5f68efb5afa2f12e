//! The sample sheet: a CSV with any columns, one row for each sample.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use csv::StringRecord;

use crate::config::error::{FileError, either, quoted};
use crate::runlist::cells::{LONGEST_CELL, Notes, ONE_LINE, holds_rows, plain};
use crate::runlist::rows::Opened;
use crate::text::{count, nearest};

/// Most samples of a sheet.
pub const MAX_SAMPLES: usize = 100_000;
/// Most columns of a sheet.
const MOST_COLUMNS: usize = 500;

/// A sheet that can be used.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sheet {
    /// The file as it was named to the program.
    pub path: PathBuf,
    /// Names of its columns as written; a column without a name is empty in every row and has an empty one.
    pub columns: Vec<String>,
    /// Line of the header, from 1.
    pub header_line: u64,
    /// One for each sample, in order.
    pub rows: Vec<Row>,
    /// Things read as meant.
    pub notes: Vec<String>,
    /// A comma stands between the cells, so it cannot stand in numbers.
    pub comma_delimits: bool,
    /// Places of the columns by their names in lower case.
    places: HashMap<String, usize>,
}

/// One row.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Row {
    /// Its line in the file, from 1.
    pub line: u64,
    /// A text for each column, on one line, without blanks at its ends.
    pub cells: Vec<String>,
}

impl Sheet {
    /// Reads a sheet; `path` only names it. Comma, semicolon or tab between the cells, UTF-8 (with or without its mark),
    /// UTF-16 or Latin-1, whichever line ends; empty rows are left out with a note.
    ///
    /// # Errors
    /// The first mistake that makes it unusable: no text, no header, a column twice, a cell without a column, no rows,
    /// more than [`MAX_SAMPLES`] rows.
    pub fn parse(bytes: &[u8], path: &Path) -> Result<Sheet, FileError> {
        let opened = Opened::read(bytes, path, "sample")?;
        let mut rows = opened.rows(path);
        let Some(header_line) = rows.next()? else {
            return Err(FileError::whole(
                path,
                "found no header, expected a header row and one row for each sample",
            ));
        };
        let columns = header(&rows.record, header_line, path)?;
        let named = columns.iter().enumerate().filter(|(_, c)| !c.is_empty());
        let mut sheet = Sheet {
            path: path.to_owned(),
            places: named.map(|(k, c)| (c.to_lowercase(), k)).collect(),
            columns,
            header_line,
            comma_delimits: opened.comma_delimits(),
            ..Sheet::default()
        };
        let (mut notes, mut empty) = (Notes::default(), 0_usize);
        while let Some(line) = rows.next()? {
            if rows.record.iter().all(|cell| cell.trim().is_empty()) {
                empty += 1;
                continue;
            }
            if sheet.rows.len() >= MAX_SAMPLES {
                let message =
                    format!("found more than {MAX_SAMPLES} samples, expected at most so many");
                return Err(FileError::at_line(path, line, message));
            }
            let row = sheet.row(&rows.record, line, &mut notes)?;
            sheet.rows.push(row);
        }
        if sheet.rows.is_empty() {
            return Err(FileError::whole(
                path,
                "found a header alone, expected one row for each sample",
            ));
        }
        sheet.notes = opened.notes.clone();
        sheet.notes.extend(notes.into_texts());
        if empty > 0 {
            sheet
                .notes
                .push(format!("{} left out", count(empty, "empty row")));
        }
        Ok(sheet)
    }

    /// The place of the column with this name, in any case.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.places.get(&name.trim().to_lowercase()).copied()
    }

    /// The place of a column that is asked for; `what` says by what.
    ///
    /// # Errors
    /// There is none of this name: the error names those that there are, and the nearest.
    pub fn need(&self, name: &str, what: &str) -> Result<usize, FileError> {
        self.column(name).ok_or_else(|| {
            let known = || {
                self.columns
                    .iter()
                    .map(String::as_str)
                    .filter(|c| !c.is_empty())
            };
            let lower: Vec<String> = known().map(str::to_lowercase).collect();
            let near = nearest(&name.to_lowercase(), lower.iter().map(String::as_str))
                .and_then(|n| known().find(|c| c.to_lowercase() == n));
            let mut message = format!(
                "found no column {} for {what}, expected one of {}",
                quoted(name),
                either(known().take(12))
            );
            if let Some(near) = near {
                message.push_str(&format!("; the nearest is {}", quoted(near)));
            }
            FileError::at_line(&self.path, self.header_line, message)
        })
    }

    /// The text of a cell; empty where there is no such column.
    pub fn cell<'s>(&self, row: &'s Row, column: Option<usize>) -> &'s str {
        column
            .and_then(|c| row.cells.get(c))
            .map_or("", String::as_str)
    }

    /// The error of a cell: `samples.csv:3: column dilution: found "-2", expected …`.
    pub fn found(&self, row: &Row, column: usize, expected: &str) -> FileError {
        let text = self.cell(row, Some(column));
        let found = if text.is_empty() {
            "an empty cell".to_owned()
        } else {
            quoted(text)
        };
        let name = self.columns.get(column).map_or("", String::as_str);
        self.error(
            row.line,
            format!("column {}: found {found}, expected {expected}", shown(name)),
        )
    }

    /// An error of a line.
    pub fn error(&self, line: u64, message: String) -> FileError {
        FileError::at_line(&self.path, line, message)
    }

    fn row(&self, record: &StringRecord, line: u64, notes: &mut Notes) -> Result<Row, FileError> {
        let width = self.columns.len();
        let mut cells = Vec::with_capacity(width);
        for (place, cell) in record.iter().enumerate() {
            let text = plain(cell);
            let Some(name) = self.columns.get(place) else {
                if text.is_empty() {
                    continue;
                }
                let message = format!(
                    "found {} cells with {} in cell {}, expected {} as in the header",
                    record.len(),
                    quoted(text),
                    place + 1,
                    count(width, "cell")
                );
                return Err(self.error(line, message));
            };
            let wrong = |expected: &str| {
                let (name, found) = (shown(name), quoted(text));
                self.error(
                    line,
                    format!("column {name}: found {found}, expected {expected}"),
                )
            };
            if name.is_empty() && !text.is_empty() {
                let (place, found) = (place + 1, quoted(text));
                let message = format!(
                    "column {place}: found {found}, expected a name for this column in the header"
                );
                return Err(self.error(line, message));
            }
            if holds_rows(text, record.len()) {
                return Err(wrong(ONE_LINE));
            }
            if text.len() > LONGEST_CELL {
                return Err(wrong(&format!("at most {LONGEST_CELL} bytes")));
            }
            if text.contains(char::is_control) {
                notes.add(
                    line,
                    &format!(
                        "column {}: line breaks and other control characters are read as blanks",
                        shown(name)
                    ),
                );
            }
            cells.push(tidy(text));
        }
        if record.len() < width {
            notes.add(
                line,
                "cells that are missing at a row's end are read as empty",
            );
        }
        cells.resize(width, String::new());
        Ok(Row { line, cells })
    }
}

/// A text as a run list's cell takes it and gives it back: on one line, no blanks at its ends, no apostrophe that only guards
/// against formulas.
pub fn tidy(text: &str) -> String {
    if text.contains(char::is_control) {
        let text = text.replace(char::is_control, " ");
        return plain(&text).trim().to_owned();
    }
    plain(text).trim().to_owned()
}

/// A column's name as messages give it: bare where it is a plain word.
pub(super) fn shown(name: &str) -> String {
    let bare = !name.is_empty()
        && name
            .chars()
            .all(|c| c.is_alphanumeric() || matches!(c, '_' | '-'));
    if bare { name.to_owned() } else { quoted(name) }
}

fn header(record: &StringRecord, line: u64, path: &Path) -> Result<Vec<String>, FileError> {
    let wrong = |message: String| Err(FileError::at_line(path, line, message));
    if record.len() > MOST_COLUMNS {
        return wrong(format!(
            "found {} columns, expected at most {MOST_COLUMNS}",
            record.len()
        ));
    }
    let mut names: Vec<String> = Vec::with_capacity(record.len());
    for cell in record {
        let name = tidy(cell);
        if name.len() > LONGEST_CELL {
            return wrong(format!(
                "found a column named {}, expected a name of at most {LONGEST_CELL} bytes",
                quoted(&name)
            ));
        }
        let same = |n: &String| n.to_lowercase() == name.to_lowercase();
        if !name.is_empty() && names.iter().any(same) {
            return wrong(format!(
                "found the column {} twice, expected each column once",
                quoted(&name)
            ));
        }
        names.push(name);
    }
    if names.iter().all(String::is_empty) {
        return wrong("found no names of columns, expected a header row".to_owned());
    }
    Ok(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Sheet, String> {
        Sheet::parse(text.as_bytes(), Path::new("s.csv")).map_err(|e| e.to_string())
    }

    #[test]
    fn whatever_a_spreadsheet_wrote_is_the_same_sheet() {
        let meant = read("Crock,day,dilution\nA,3,1.5\n\"B, left\",7,10\n").unwrap();
        assert_eq!(meant.columns, ["Crock", "day", "dilution"]);
        assert_eq!(meant.rows[1].cells, ["B, left", "7", "10"]);
        assert_eq!((meant.rows[1].line, meant.notes.len()), (3, 0));
        let saved =
            "\u{feff}sep=;\r\nCrock;day;dilution\r\nA;3;1,5\r\n \"B, left\" ;7;10\r\n;;\r\n;;\r\n";
        let saved = read(saved).unwrap();
        assert_eq!(saved.columns, meant.columns);
        assert_eq!(saved.rows[1].cells, meant.rows[1].cells);
        assert_eq!((saved.header_line, saved.rows[1].line), (2, 4));
        assert_eq!(
            saved.notes,
            [
                "semicolons stand between the cells",
                "2 empty rows left out"
            ]
        );
        assert_eq!(saved.column("CROCK "), Some(0));
    }

    #[test]
    fn mistakes_name_line_and_column() {
        for (text, message) in [
            (
                "",
                "s.csv: found nothing, expected a header row and one row for each sample",
            ),
            (
                ",,\n1,2,3\n",
                "s.csv:1: found no names of columns, expected a header row",
            ),
            (
                "name\n\n",
                "s.csv: found a header alone, expected one row for each sample",
            ),
            (
                "name,Name\nx,y\n",
                "s.csv:1: found the column \"Name\" twice, expected each column once",
            ),
            (
                "name,\nx,y\n",
                "s.csv:2: column 2: found \"y\", expected a name for this column in the header",
            ),
            (
                "name,day\nx,1,2\n",
                "s.csv:2: found 3 cells with \"2\" in cell 3, expected 2 cells as in the header",
            ),
            (
                "name,day\n\"x,1\ny,2\n",
                "s.csv:2: found a quotation mark that is never closed, expected its partner",
            ),
            (
                "name,day\n\"x,1\ny,2\nz\",3\n",
                "s.csv:2: column name: found \"x,1\\u{a}y,2\\u{a}z\", expected a cell on one line (is a quotation mark missing?)",
            ),
        ] {
            assert_eq!(read(text).map(|_| ()), Err(message.to_owned()), "{text}");
        }
    }

    #[test]
    fn a_missing_column_names_the_nearest() {
        let sheet = read("crock,day\nA,3\n").unwrap();
        assert_eq!(
            sheet
                .need("Crok", "the name {Crok}")
                .unwrap_err()
                .to_string(),
            "s.csv:1: found no column \"Crok\" for the name {Crok}, expected one of \"crock\" or \"day\"; the nearest is \"crock\""
        );
    }
}
