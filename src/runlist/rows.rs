//! From the bytes of a CSV that people keep to rows of cells with their line numbers: run lists and sample sheets.

use std::path::Path;

use csv::{ReaderBuilder, StringRecord};

use super::{quotes, text};
use crate::config::error::FileError;

/// A CSV as text, and how it was understood.
pub(crate) struct Opened {
    text: String,
    delimiter: u8,
    skipped: usize,
    /// Things read as meant.
    pub(crate) notes: Vec<String>,
}

impl Opened {
    /// Decodes the bytes and finds the delimiter; `each` says what a row of the file is: `injection`, `sample`.
    ///
    /// # Errors
    /// No text, nothing in it, more than 64 MB, or a quotation mark without its partner.
    pub(crate) fn read(bytes: &[u8], path: &Path, each: &str) -> Result<Opened, FileError> {
        let decoded = text::decode(bytes, path, each)?;
        let (delimiter, skipped) = text::delimiter(&decoded.text);
        let text = quotes::unpad(&decoded.text, char::from(delimiter)).map_err(|line| {
            FileError::at_line(
                path,
                line,
                "found a quotation mark that is never closed, expected its partner",
            )
        })?;
        let mut notes: Vec<String> = decoded.note.into_iter().collect();
        notes.extend(delimiter_note(delimiter));
        Ok(Opened {
            text,
            delimiter,
            skipped,
            notes,
        })
    }

    /// A comma stands between the cells, so it cannot stand in numbers.
    pub(crate) fn comma_delimits(&self) -> bool {
        self.delimiter == b','
    }

    /// The rows from the header on.
    pub(crate) fn rows<'t>(&'t self, path: &'t Path) -> Rows<'t> {
        Rows::new(&self.text, self.delimiter, self.skipped, path)
    }
}

fn delimiter_note(delimiter: u8) -> Option<String> {
    match delimiter {
        b';' => Some("semicolons stand between the cells".to_owned()),
        b'\t' => Some("tabs stand between the cells".to_owned()),
        _ => None,
    }
}

/// The rows of the CSV with their line numbers.
pub(crate) struct Rows<'t> {
    text: &'t str,
    reader: csv::Reader<&'t [u8]>,
    /// The row read last.
    pub(crate) record: StringRecord,
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
    pub(crate) fn next(&mut self) -> Result<Option<u64>, FileError> {
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
