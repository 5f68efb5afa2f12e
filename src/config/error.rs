//! The error of every file that a person writes: configuration, method, run list.

use std::fmt;
use std::path::{Path, PathBuf};

use crate::text::one_line;

/// What is wrong with a file that a person wrote, and where.
///
/// Reads `runsitter.toml:7: station[1].settle_s: found "three", expected a number from 0 to 3600 s`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileError {
    /// The file as it was named to the program.
    pub path: PathBuf,
    /// Line, from 1, where there is one.
    pub line: Option<u64>,
    /// Character in the line, from 1, where it is known.
    pub column: Option<u64>,
    /// What was found and what was expected; lower case, no final stop, one line.
    pub message: String,
}

impl FileError {
    /// An error of the file as a whole.
    pub fn whole(path: &Path, message: impl Into<String>) -> FileError {
        FileError {
            path: path.to_owned(),
            line: None,
            column: None,
            message: message.into(),
        }
    }

    /// An error in a line, counted from 1.
    pub fn at_line(path: &Path, line: u64, message: impl Into<String>) -> FileError {
        FileError {
            path: path.to_owned(),
            line: Some(line),
            column: None,
            message: message.into(),
        }
    }
}

impl fmt::Display for FileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:", one_line(&self.path.to_string_lossy()))?;
        if let Some(line) = self.line {
            write!(f, "{line}:")?;
        }
        write!(f, " {}", self.message)
    }
}

impl std::error::Error for FileError {}

/// Text from a file as a message quotes it: in quotes, on one line, and not longer than a message bears.
pub(crate) fn quoted(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut shown: String = text.chars().take(LONGEST).collect();
    if shown.len() < text.len() {
        shown.push('…');
    }
    format!("\"{}\"", one_line(&shown))
}

/// A list of words as a message offers them: `a`, `a or b`, `a, b or c`.
pub(crate) fn either<'a>(words: impl IntoIterator<Item = &'a str>) -> String {
    let words: Vec<String> = words.into_iter().map(quoted).collect();
    match words.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_names_file_and_line() {
        let path = Path::new("a/b.toml");
        assert_eq!(
            FileError::at_line(path, 3, "found x, expected y").to_string(),
            "a/b.toml:3: found x, expected y"
        );
        assert_eq!(
            FileError::whole(path, "cannot be read").to_string(),
            "a/b.toml: cannot be read"
        );
    }

    #[test]
    fn quotes_stay_short_and_on_one_line() {
        assert_eq!(quoted("a\nb"), "\"a\\u{a}b\"");
        assert_eq!(quoted(&"é".repeat(61)), format!("\"{}…\"", "é".repeat(60)));
        assert_eq!(either(["a"]), "\"a\"");
        assert_eq!(either(["a", "b", "c"]), "\"a\", \"b\" or \"c\"");
    }
}
