//! The header row of a run list.

use std::path::Path;

use csv::StringRecord;

use super::cells::{LONGEST_CELL, plain};
use crate::config::error::{FileError, quoted};
use crate::text::nearest;

/// The columns that mean something, in the order in which they are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Column {
    Position,
    Tray,
    Vial,
    Kind,
    Name,
    File,
    VolumeUl,
    Dilution,
    Level,
    Series,
    TimeH,
    Replicate,
}

impl Column {
    /// Every column, in the order in which they are written.
    pub(super) const ALL: [Column; 12] = [
        Column::Position,
        Column::Tray,
        Column::Vial,
        Column::Kind,
        Column::Name,
        Column::File,
        Column::VolumeUl,
        Column::Dilution,
        Column::Level,
        Column::Series,
        Column::TimeH,
        Column::Replicate,
    ];

    /// Its name in the header.
    pub(super) fn name(self) -> &'static str {
        match self {
            Column::Position => "position",
            Column::Tray => "tray",
            Column::Vial => "vial",
            Column::Kind => "kind",
            Column::Name => "name",
            Column::File => "file",
            Column::VolumeUl => "volume_ul",
            Column::Dilution => "dilution",
            Column::Level => "level",
            Column::Series => "series",
            Column::TimeH => "time_h",
            Column::Replicate => "replicate",
        }
    }
}

/// Most columns of a run list.
const MOST_COLUMNS: usize = 1000;

/// Where each column stands.
pub(super) struct Header {
    places: Vec<(Column, usize)>,
    /// Extra columns: name as written, place.
    pub(super) extra: Vec<(String, usize)>,
    /// Number of cells.
    pub(super) width: usize,
    /// Extra columns whose names are nearly those of columns that are missing.
    pub(super) notes: Vec<String>,
}

impl Header {
    /// Reads the header row.
    pub(super) fn read(record: &StringRecord, line: u64, path: &Path) -> Result<Header, FileError> {
        let mut header = Header {
            places: Vec::new(),
            extra: Vec::new(),
            width: record.len(),
            notes: Vec::new(),
        };
        if record.len() > MOST_COLUMNS {
            let message = format!(
                "found {} columns, expected at most {MOST_COLUMNS}",
                record.len()
            );
            return Err(FileError::at_line(path, line, message));
        }
        let mut seen: Vec<String> = Vec::new();
        for (place, cell) in record.iter().enumerate() {
            let written = plain(cell);
            let name = written.to_lowercase();
            if name.is_empty() {
                continue;
            }
            if name.len() > LONGEST_CELL {
                let message = format!(
                    "found a column named {}, expected a name of at most {LONGEST_CELL} bytes",
                    quoted(written)
                );
                return Err(FileError::at_line(path, line, message));
            }
            if seen.contains(&name) {
                let message = format!(
                    "found the column {} twice, expected each column once",
                    quoted(&name)
                );
                return Err(FileError::at_line(path, line, message));
            }
            match Column::ALL.into_iter().find(|c| c.name() == name) {
                Some(column) => header.places.push((column, place)),
                None => header.extra.push((written.to_owned(), place)),
            }
            seen.push(name);
        }
        header.complete(line, path)?;
        header.note_near_misses();
        Ok(header)
    }

    /// The place of a column, where the list has it.
    pub(super) fn place(&self, column: Column) -> Option<usize> {
        self.places
            .iter()
            .find(|(c, _)| *c == column)
            .map(|(_, place)| *place)
    }

    /// Whether a place has a column's name above it.
    pub(super) fn is_named(&self, place: usize) -> bool {
        self.places.iter().any(|(_, p)| *p == place) || self.extra.iter().any(|(_, p)| *p == place)
    }

    fn complete(&self, line: u64, path: &Path) -> Result<(), FileError> {
        for column in [Column::Kind, Column::File] {
            if self.place(column).is_none() {
                let name = column.name();
                let mut message =
                    format!("found no column {name}, expected the columns kind and file");
                if let Some((near, _)) = self
                    .extra
                    .iter()
                    .find(|(e, _)| nearest(&e.to_lowercase(), [name]).is_some())
                {
                    message.push_str(&format!("; the nearest is {}", quoted(near)));
                }
                return Err(FileError::at_line(path, line, message));
            }
        }
        Ok(())
    }

    /// A misspelt `dilution` must not become a dilution of 1 without a word.
    fn note_near_misses(&mut self) {
        let missing = || {
            Column::ALL
                .into_iter()
                .filter(|c| self.place(*c).is_none())
                .map(Column::name)
        };
        let near = |e: &String| nearest(&e.to_lowercase(), missing()).map(|n| (e.clone(), n));
        let unknown = |e: &&String| !e.eq_ignore_ascii_case(crate::night::join::COLUMN);
        let names = self.extra.iter().map(|(e, _)| e).filter(unknown);
        let misses: Vec<_> = names.filter_map(near).collect();
        let note = |(e, n): &(String, &str)| {
            format!(
                "column {} is kept as an extra one; is it meant as {n}?",
                quoted(e)
            )
        };
        self.notes.extend(misses.iter().map(note));
    }
}
