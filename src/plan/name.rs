//! The file stems of a plan: made safe, each given once.

use std::collections::HashMap;

use crate::config::error::{FileError, quoted};
use crate::runlist::cells::Notes;

use super::safe;
use super::sheet::Sheet;

/// Stems given so far, whatever their letters' case: some file systems do not tell it apart.
#[derive(Default)]
pub(super) struct Stems {
    given: HashMap<String, Option<u64>>,
    notes: Notes,
}

impl Stems {
    /// A safe stem for this text. `line`: of the sample; `None` for blanks, standards and the like.
    pub(super) fn give(
        &mut self,
        text: &str,
        line: Option<u64>,
        sheet: &Sheet,
    ) -> Result<String, FileError> {
        let at = |message: String| match line {
            Some(line) => sheet.error(line, message),
            None => FileError::whole(&sheet.path, message),
        };
        let stem = safe::stem(text).ok_or_else(|| {
            at(format!(
                "found the file name {}, expected a letter or digit in it",
                quoted(text)
            ))
        })?;
        let line_or_first = line.unwrap_or(sheet.header_line);
        if stem != text {
            let what = if text.len() > safe::LONGEST_STEM {
                "file names that are too long are cut"
            } else {
                "characters and names that not every file system takes are changed in file names"
            };
            self.notes.add(line_or_first, what);
        }
        match self.given.insert(stem.to_lowercase(), line) {
            None => Ok(stem),
            Some(first) if first == line && line.is_some() => Err(at(format!(
                "found the file name {} for several injections of this sample, expected {{replicate}} or {{position}} in it",
                quoted(&stem)
            ))),
            Some(first) => {
                // Whichever comes later in the sheet is the one to change.
                let (first, line) = match (first, line) {
                    (Some(a), Some(b)) => (Some(a.min(b)), Some(a.max(b))),
                    (a, b) => (None, a.or(b)),
                };
                let of = match first {
                    Some(first) => format!("after line {first}"),
                    None => "of a blank, standard or the like".to_owned(),
                };
                let message = format!(
                    "found the file name {} again {of}, expected each once, whatever its capitals",
                    quoted(&stem)
                );
                Err(match line {
                    Some(line) => sheet.error(line, message),
                    None => FileError::whole(&sheet.path, message),
                })
            }
        }
    }

    /// What was changed.
    pub(super) fn into_notes(self) -> impl Iterator<Item = String> {
        self.notes.into_texts()
    }
}
