//! Reads a run list from CSV. What can only be meant in one way is read so, with a note; every other mistake is
//! an error that names file, line and column.

use std::collections::HashMap;
use std::path::Path;

use super::cells::{Notes, Row};
use super::header::{Column, Header};
use super::rows::Opened;
use super::{Injection, Mangled, RunList, row};
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
    let opened = Opened::read(bytes, path, "injection")?;
    let mut rows = opened.rows(path);
    let Some(header_line) = rows.next()? else {
        return Err(FileError::whole(
            path,
            "found no header, expected a header row and one row for each injection",
        ));
    };
    let header = Header::read(&rows.record, header_line, path)?;
    let mut list = Lines::default();
    let mut notes = Notes::default();
    let mut mangled = Mangled::default();
    let mut empty = 0_usize;
    while let Some(line) = rows.next()? {
        if rows.record.iter().all(|cell| cell.trim().is_empty()) {
            empty += 1;
            continue;
        }
        let row = Row {
            path,
            line,
            header: &header,
            record: &rows.record,
            comma_delimits: opened.comma_delimits(),
        };
        list.push(&row, &mut notes, &mut mangled)?;
    }
    if list.injections.is_empty() {
        return Err(FileError::whole(
            path,
            "found a header alone, expected one row for each injection",
        ));
    }
    let mut said = opened.notes.clone();
    if header.place(Column::Position).is_none() {
        said.push("there is no column position: rows are numbered in their order".to_owned());
    }
    said.extend(header.notes.iter().cloned());
    said.extend(notes.into_texts());
    said.extend(mangled.into_texts());
    if empty > 0 {
        said.push(format!("{} left out", count(empty, "empty row")));
    }
    Ok(list.finish(header, said))
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
    fn push(
        &mut self,
        row: &Row<'_>,
        notes: &mut Notes,
        mangled: &mut Mangled,
    ) -> Result<(), FileError> {
        if self.injections.len() >= MAX_ROWS {
            return Err(row.error(format!(
                "found more than {MAX_ROWS} rows, expected at most so many"
            )));
        }
        let next = self.injections.len() as u64 + 1;
        let injection = row::injection(row, next, notes, mangled)?;
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
