//! The levels of a run list against those of the method.

use std::path::Path;

use super::{Kind, RunList};
use crate::config::error::{FileError, either, quoted};
use crate::method::Method;
use crate::text::nearest;

impl RunList {
    /// Every standard and calibrator that names no level of the method, with line and column; `path` names the list.
    /// Empty: all are known. The `level` of other kinds does not count.
    pub fn check_levels(&self, method: &Method, path: &Path) -> Vec<FileError> {
        let known = || method.levels.iter().map(|l| l.name.as_str());
        let mut errors = Vec::new();
        for (i, injection) in self.injections.iter().enumerate() {
            let judged = matches!(injection.kind, Kind::Standard | Kind::Calibrator);
            if !judged || method.level(&injection.level).is_some() {
                continue;
            }
            let found = if injection.level.is_empty() {
                "an empty cell".to_owned()
            } else {
                quoted(&injection.level)
            };
            let expected = match nearest(&injection.level, known())
                .filter(|_| !injection.level.is_empty())
            {
                Some(near) => format!("a level of the method; the nearest is {}", quoted(near)),
                None if method.levels.is_empty() => "a level, and the method has none".to_owned(),
                None => format!("a level of the method: {}", either(known().take(10))),
            };
            errors.push(FileError {
                path: path.to_owned(),
                line: self.lines.get(i).copied(),
                column: None,
                message: format!("column level: found {found}, expected {expected}"),
            });
        }
        errors
    }
}
