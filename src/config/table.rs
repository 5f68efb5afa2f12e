//! Tables and values of a TOML file, each of which knows its dotted path and its place.

use toml::de::{DeTable, DeValue};

use super::bounds::Bounds;
use super::document::Document;
use super::error::{FileError, either, quoted};
use crate::text::{nearest, one_line};

/// Longest text that a value may have, bytes.
const LONGEST_TEXT: usize = 4096;

/// A table all of whose keys are known.
pub(crate) struct Table<'d> {
    doc: &'d Document<'d>,
    path: String,
    at: usize,
    entries: &'d DeTable<'d>,
    known: &'static [&'static str],
}

/// One value of a table or list.
pub(crate) struct Value<'d> {
    doc: &'d Document<'d>,
    path: String,
    at: usize,
    value: &'d DeValue<'d>,
}

impl<'d> Table<'d> {
    /// Takes a table; an unknown key is an error that names the nearest known one.
    pub(crate) fn open(
        doc: &'d Document<'d>,
        path: String,
        at: usize,
        entries: &'d DeTable<'d>,
        known: &'static [&'static str],
    ) -> Result<Table<'d>, FileError> {
        let table = Table {
            doc,
            path,
            at,
            entries,
            known,
        };
        let unknown = |key: &str| !known.is_empty() && !known.contains(&key);
        let first = entries
            .keys()
            .filter(|k| unknown(k.get_ref()))
            .min_by_key(|k| k.span().start);
        let Some(key) = first else { return Ok(table) };
        let mut message = format!("unknown key {}", table.path_of(key.get_ref()));
        if let Some(near) = nearest(key.get_ref(), known.iter().copied()) {
            message.push_str(&format!(", the nearest known key is {near}"));
        }
        Err(doc.error(key.span().start, message))
    }

    /// The value of a key, where it is given.
    pub(crate) fn get(&self, key: &str) -> Option<Value<'d>> {
        debug_assert!(
            self.known.contains(&key),
            "{key} is missing from the table's known keys"
        );
        let (_, value) = self.entries.iter().find(|(k, _)| k.get_ref() == key)?;
        Some(Value {
            doc: self.doc,
            path: self.path_of(key),
            at: value.span().start,
            value: value.get_ref(),
        })
    }

    /// The value of a key that must be given; `expected` says what it is.
    pub(crate) fn need(&self, key: &str, expected: &str) -> Result<Value<'d>, FileError> {
        self.get(key).ok_or_else(|| {
            self.doc.error(
                self.at,
                format!("missing key {}, expected {expected}", self.path_of(key)),
            )
        })
    }

    /// Every entry of a table whose keys are free (a level's analytes), in the order of the file.
    pub(crate) fn entries(&self) -> Vec<(&'d str, Value<'d>)> {
        let mut all: Vec<_> = self.entries.iter().collect();
        all.sort_by_key(|(k, _)| k.span().start);
        all.into_iter()
            .map(|(k, v)| {
                let path = self.path_of(k.get_ref());
                (
                    &**k.get_ref(),
                    Value {
                        doc: self.doc,
                        path,
                        at: k.span().start,
                        value: v.get_ref(),
                    },
                )
            })
            .collect()
    }

    /// A number, or its default where the key is left out.
    pub(crate) fn number_or(
        &self,
        key: &str,
        bounds: Bounds,
        default: f64,
    ) -> Result<f64, FileError> {
        Ok(self.number(key, bounds)?.unwrap_or(default))
    }

    /// A number, where the key is given.
    pub(crate) fn number(&self, key: &str, bounds: Bounds) -> Result<Option<f64>, FileError> {
        self.get(key).map(|v| v.number(bounds)).transpose()
    }

    /// Two numbers, the first the lower, where the key is given.
    pub(crate) fn band(&self, key: &str, bounds: Bounds) -> Result<Option<[f64; 2]>, FileError> {
        self.get(key).map(|v| v.band(bounds)).transpose()
    }

    /// An error of the whole table.
    pub(crate) fn error(&self, message: &str) -> FileError {
        let text = if self.path.is_empty() {
            message.to_owned()
        } else {
            format!("{}: {message}", self.path)
        };
        self.doc.error(self.at, text)
    }

    fn path_of(&self, key: &str) -> String {
        let bare = !key.is_empty()
            && key
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-');
        let key = if bare { key.to_owned() } else { quoted(key) };
        if self.path.is_empty() {
            key
        } else {
            format!("{}.{key}", self.path)
        }
    }
}

impl<'d> Value<'d> {
    /// The error of a value that is none: `key: found …, expected …`.
    pub(crate) fn found(&self, expected: &str) -> FileError {
        self.error(&format!("found {}, expected {expected}", self.shown()))
    }

    /// An error of this value.
    pub(crate) fn error(&self, message: &str) -> FileError {
        self.doc.error(self.at, format!("{}: {message}", self.path))
    }

    /// Text on a single line, not empty, without blanks at its ends; `expected` says what it is.
    pub(crate) fn text(&self, expected: &str) -> Result<&'d str, FileError> {
        let DeValue::String(text) = self.value else {
            return Err(self.found(expected));
        };
        if text.is_empty() || text.trim() != &**text {
            return Err(self.found(&format!(
                "{expected}, not empty and without blanks at its ends"
            )));
        }
        if text.chars().any(char::is_control) {
            return Err(self.found(&format!("{expected}, on a single line")));
        }
        if text.len() > LONGEST_TEXT {
            return Err(self.found(&format!("{expected}, at most {LONGEST_TEXT} bytes long")));
        }
        Ok(text)
    }

    /// One of a set of words.
    pub(crate) fn word<T: Copy>(&self, words: &[(&str, T)]) -> Result<T, FileError> {
        let found = match self.value {
            DeValue::String(text) => words.iter().find(|(w, _)| w == text),
            _ => None,
        };
        found
            .map(|(_, t)| *t)
            .ok_or_else(|| self.found(&either(words.iter().map(|(w, _)| *w))))
    }

    /// A finite number within bounds; a whole one counts too.
    pub(crate) fn number(&self, bounds: Bounds) -> Result<f64, FileError> {
        let number = match self.value {
            DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
                .ok()
                .map(|i| i as f64),
            _ => None,
        };
        number
            .filter(|n| bounds.hold(*n))
            .ok_or_else(|| self.found(&bounds.words()))
    }

    /// A whole number from `low` to `high`.
    pub(crate) fn whole(&self, low: u64, high: u64) -> Result<u64, FileError> {
        let number = match self.value {
            DeValue::Integer(i) => u64::from_str_radix(i.as_str(), i.radix()).ok(),
            _ => None,
        };
        let fits = number.filter(|n| (low..=high).contains(n));
        fits.ok_or_else(|| self.found(&format!("a whole number from {low} to {high}")))
    }

    /// Two numbers within bounds, the first the lower.
    pub(crate) fn band(&self, bounds: Bounds) -> Result<[f64; 2], FileError> {
        let values = self.list("two numbers in brackets, low and high")?;
        let [low, high] = values.as_slice() else {
            let n = values.len();
            return Err(self.error(&format!(
                "found a list of {n}, expected two numbers in brackets, low and high"
            )));
        };
        let (low, high) = (low.number(bounds)?, high.number(bounds)?);
        if low >= high {
            return Err(self.error(&format!(
                "found [{low}, {high}], expected the lower number first"
            )));
        }
        Ok([low, high])
    }

    /// `true` or `false`.
    pub(crate) fn flag(&self) -> Result<bool, FileError> {
        match self.value {
            DeValue::Boolean(flag) => Ok(*flag),
            _ => Err(self.found("true or false")),
        }
    }

    /// A table with these known keys; with none, its keys are free.
    pub(crate) fn table(&self, known: &'static [&'static str]) -> Result<Table<'d>, FileError> {
        match self.value {
            DeValue::Table(entries) => {
                Table::open(self.doc, self.path.clone(), self.at, entries, known)
            }
            _ => Err(self.found("a table")),
        }
    }

    /// The values of a list; their paths count from 1.
    pub(crate) fn list(&self, expected: &str) -> Result<Vec<Value<'d>>, FileError> {
        let DeValue::Array(values) = self.value else {
            return Err(self.found(expected));
        };
        let item = |(i, v): (usize, &'d toml::Spanned<DeValue<'d>>)| Value {
            doc: self.doc,
            path: format!("{}[{}]", self.path, i + 1),
            at: v.span().start,
            value: v.get_ref(),
        };
        Ok(values.iter().enumerate().map(item).collect())
    }

    fn shown(&self) -> String {
        match self.value {
            DeValue::String(text) => quoted(text),
            DeValue::Integer(number) => number.to_string(),
            DeValue::Float(number) => number.to_string(),
            DeValue::Boolean(flag) => flag.to_string(),
            DeValue::Datetime(time) => one_line(&time.to_string()),
            DeValue::Array(values) if values.is_empty() => "an empty list".to_owned(),
            DeValue::Array(_) => "a list".to_owned(),
            DeValue::Table(_) => "a table".to_owned(),
        }
    }
}
