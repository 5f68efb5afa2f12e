//! Reads a run list from CSV. What can only be meant in one way is read so, with a note; every other mistake is
//! an error that names file, line and column.

use std::collections::HashMap;
use std::path::Path;

use csv::{ReaderBuilder, StringRecord};

use super::cells::{Notes, Row};
use super::header::{Column, Header};
use super::{Injection, RunList, quotes, row, text};
use crate::config::error::{FileError, quoted};
use crate::text::count;

pub use super::write::write;

/// Most rows of a run list.
pub const MAX_ROWS: usize = 100_000;

/// Reads a run list; `path` only names it. Comma, semicolon or tab between the cells, UTF-8, UTF-16 or Latin-1,
/// whichever line ends; where the delimiter is no comma, numbers may have a decimal comma.
///
/// # Errors
/// The first mistake that makes the list unusable: no `kind` or `file` column, a column twice, a position or file
/// twice, a value that is none, a cell without a column, no rows, more than 64 MB or [`MAX_ROWS`] rows.
pub fn parse(bytes: &[u8], path: &Path) -> Result<RunList, FileError> {
    let decoded = text::decode(bytes, path)?;
    let (delimiter, skipped) = text::delimiter(&decoded.text);
    let text = quotes::unpad(&decoded.text, char::from(delimiter)).map_err(|line| {
        FileError::at_line(
            path,
            line,
            "found a quotation mark that is never closed, expected its partner",
        )
    })?;
    let mut rows = Rows::new(&text, delimiter, skipped, path);
    let Some(header_line) = rows.next()? else {
        return Err(FileError::whole(
            path,
            "found no header, expected a header row and one row for each injection",
        ));
    };
    let header = Header::read(&rows.record, header_line, path)?;
    let mut list = Lines::default();
    let mut notes = Notes::default();
    let mut empty = 0_usize;
    while let Some(line) = rows.next()? {
        if rows.record.iter().all(|cell| cell.trim().is_empty()) {
            empty += 1;
            continue;
        }
        let comma_delimits = delimiter == b',';
        let row = Row {
            path,
            line,
            header: &header,
            record: &rows.record,
            comma_delimits,
        };
        list.push(&row, &mut notes)?;
    }
    if list.injections.is_empty() {
        return Err(FileError::whole(
            path,
            "found a header alone, expected one row for each injection",
        ));
    }
    let mut said: Vec<String> = decoded.note.into_iter().collect();
    said.extend(delimiter_note(delimiter));
    if header.place(Column::Position).is_none() {
        said.push("there is no column position: rows are numbered in their order".to_owned());
    }
    said.extend(header.notes.iter().cloned());
    said.extend(notes.into_texts());
    if empty > 0 {
        said.push(format!("{} left out", count(empty, "empty row")));
    }
    Ok(list.finish(header, said))
}

fn delimiter_note(delimiter: u8) -> Option<String> {
    match delimiter {
        b';' => Some("semicolons stand between the cells".to_owned()),
        b'\t' => Some("tabs stand between the cells".to_owned()),
        _ => None,
    }
}

/// The rows of the CSV with their line numbers.
struct Rows<'t> {
    text: &'t str,
    reader: csv::Reader<&'t [u8]>,
    record: StringRecord,
    /// Byte up to which lines are counted, and the line that begins there.
    counted: (usize, u64),
    path: &'t Path,
}

impl<'t> Rows<'t> {
    fn new(text: &'t str, delimiter: u8, skipped_lines: usize, path: &'t Path) -> Rows<'t> {
        let start = text
            .split_inclusive('\n')
            .take(skipped_lines)
            .map(str::len)
            .sum::<usize>();
        let text = text.get(start..).unwrap_or_default();
        let mut builder = ReaderBuilder::new();
        builder
            .has_headers(false)
            .flexible(true)
            .delimiter(delimiter);
        let reader = builder.from_reader(text.as_bytes());
        Rows {
            text,
            reader,
            record: StringRecord::new(),
            counted: (0, skipped_lines as u64 + 1),
            path,
        }
    }

    /// Reads the next row into `record` and gives its line; `None` at the end.
    fn next(&mut self) -> Result<Option<u64>, FileError> {
        let start = usize::try_from(self.reader.position().byte()).unwrap_or(self.text.len());
        let more = self.reader.read_record(&mut self.record);
        let line = self.line_of_content(start);
        match more {
            Ok(true) => Ok(Some(line)),
            Ok(false) => Ok(None),
            Err(e) => Err(FileError::at_line(
                self.path,
                line,
                format!("cannot be read as CSV: {e}"),
            )),
        }
    }

    /// The line of the first byte from `start` on that is no line end: the reader skips blank lines unseen.
    fn line_of_content(&mut self, start: usize) -> u64 {
        let rest = self.text.as_bytes().get(start..).unwrap_or_default();
        let blank = rest.iter().take_while(|b| **b == b'\n').count();
        let (from, line) = self.counted;
        let passed = self
            .text
            .as_bytes()
            .get(from..start + blank)
            .unwrap_or_default();
        let line = line + passed.iter().filter(|b| **b == b'\n').count() as u64;
        self.counted = (start + blank, line);
        line
    }
}

/// The injections read so far, each position and file once.
#[derive(Default)]
struct Lines {
    injections: Vec<Injection>,
    lines: Vec<u64>,
    positions: HashMap<u64, u64>,
    stems: HashMap<String, u64>,
}

impl Lines {
    fn push(&mut self, row: &Row<'_>, notes: &mut Notes) -> Result<(), FileError> {
        if self.injections.len() >= MAX_ROWS {
            return Err(row.error(format!(
                "found more than {MAX_ROWS} rows, expected at most so many"
            )));
        }
        let next = self.injections.len() as u64 + 1;
        let injection = row::injection(row, next, notes)?;
        if let Some(first) = self.positions.insert(injection.position, row.line) {
            let position = injection.position;
            return Err(row.error(format!("column position: found {position} again after line {first}, expected each position once")));
        }
        if let Some(first) = self.stems.insert(injection.stem.clone(), row.line) {
            let stem = quoted(&injection.stem);
            return Err(row.error(format!(
                "column file: found {stem} again after line {first}, expected each file once"
            )));
        }
        self.injections.push(injection);
        self.lines.push(row.line);
        Ok(())
    }

    fn finish(self, header: Header, notes: Vec<String>) -> RunList {
        let mut rows: Vec<(Injection, u64)> = self.injections.into_iter().zip(self.lines).collect();
        rows.sort_by_key(|(injection, _)| injection.position);
        let (injections, lines) = rows.into_iter().unzip();
        let extra = header.extra.into_iter().map(|(name, _)| name).collect();
        RunList {
            injections,
            extra,
            notes,
            lines,
        }
    }
}

#[cfg(test)]
mod tests;
