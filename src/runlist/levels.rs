//! The levels of a run list against those of the method.

use std::path::Path;

use super::{Kind, RunList};
use crate::config::error::{FileError, either, quoted};
use crate::method::Method;
use crate::text::nearest;

/// More mistakes of one list tell nobody more.
const MOST_ERRORS: usize = 100;
/// Longest text for which a level with a similar name is looked for, bytes; level names are no longer.
const LONGEST_NAME: usize = 100;

impl RunList {
    /// Every standard and calibrator that names no level of the method, with line and column; `path` names the list.
    /// Empty: all are known; at most 100 are given. The `level` of other kinds does not count.
    pub fn check_levels(&self, method: &Method, path: &Path) -> Vec<FileError> {
        let mut errors = Vec::new();
        for (i, injection) in self.injections.iter().enumerate() {
            let judged = matches!(injection.kind, Kind::Standard | Kind::Calibrator);
            if !judged || method.level(&injection.level).is_some() {
                continue;
            }
            errors.push(FileError {
                path: path.to_owned(),
                line: self.lines.get(i).copied(),
                column: None,
                message: unknown(&injection.level, method),
            });
            if errors.len() >= MOST_ERRORS {
                break;
            }
        }
        errors
    }
}

fn unknown(level: &str, method: &Method) -> String {
    let known = || method.levels.iter().map(|l| l.name.as_str());
    let found = if level.is_empty() {
        "an empty cell".to_owned()
    } else {
        quoted(level)
    };
    let near = if (1..=LONGEST_NAME).contains(&level.len()) {
        nearest(level, known())
    } else {
        None
    };
    let expected = match near {
        Some(near) => format!("a level of the method; the nearest is {}", quoted(near)),
        None if method.levels.is_empty() => "a level, and the method has none".to_owned(),
        None => format!("a level of the method: {}", either(known().take(10))),
    };
    format!("column level: found {found}, expected {expected}")
}
