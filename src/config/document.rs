//! A TOML file with its places: what serde's derive cannot do is to say, for every mistake, the line, the dotted
//! path of the key, what was found and what was expected. So the tree of values with their places is walked by hand.

use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::error::{FileError, quoted};
use super::table::Table;

/// Largest configuration or method file, bytes. Real ones have a few thousand.
pub(crate) const MAX_BYTES: u64 = 1024 * 1024;

/// A parsed TOML file.
pub(crate) struct Document<'d> {
    path: &'d Path,
    text: &'d str,
    root: Spanned<DeTable<'d>>,
}

impl<'d> Document<'d> {
    /// Parses the text of a file; `path` only names it.
    pub(crate) fn parse(text: &'d str, path: &'d Path) -> Result<Document<'d>, FileError> {
        match DeTable::parse(text) {
            Ok(root) => Ok(Document { path, text, root }),
            Err(e) => Err(not_toml(text, path, &e)),
        }
    }

    /// The outermost table; `known` are its keys.
    pub(crate) fn root(&self, known: &'static [&'static str]) -> Result<Table<'_>, FileError> {
        Table::open(self, String::new(), 0, self.root.get_ref(), known)
    }

    /// An error at a byte of the file.
    pub(crate) fn error(&self, at: usize, message: String) -> FileError {
        place(self.path, self.text, at, message)
    }
}

/// What the TOML reader refused, with the line in which it stands.
fn not_toml(text: &str, path: &Path, e: &toml::de::Error) -> FileError {
    let Some(at) = e.span().map(|s| s.start) else {
        return FileError::whole(
            path,
            format!("found text that is not TOML: {}", e.message()),
        );
    };
    let line = text
        .get(..at)
        .unwrap_or(text)
        .rsplit('\n')
        .next()
        .unwrap_or_default();
    let rest = text
        .get(at..)
        .unwrap_or_default()
        .lines()
        .next()
        .unwrap_or_default();
    let found = quoted(format!("{line}{rest}").trim());
    place(
        path,
        text,
        at,
        format!("found {found}, which is not TOML: {}", e.message()),
    )
}

/// An error at a byte of a text.
fn place(path: &Path, text: &str, at: usize, message: String) -> FileError {
    let before = text.get(..at).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    let line = before.bytes().filter(|b| *b == b'\n').count() + 1;
    let column = before.get(line_start..).unwrap_or_default().chars().count() + 1;
    FileError {
        path: path.to_owned(),
        line: u64::try_from(line).ok(),
        column: u64::try_from(column).ok(),
        message,
    }
}

/// Reads a text file that people write, UTF-8 with or without its mark, not larger than [`MAX_BYTES`].
pub(crate) fn read(path: &Path) -> Result<String, FileError> {
    use std::io::Read;
    let cannot = |e: std::io::Error| FileError::whole(path, format!("cannot be read: {e}"));
    let file = std::fs::File::open(path).map_err(cannot)?;
    let mut bytes = Vec::new();
    file.take(MAX_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(cannot)?;
    if bytes.len() as u64 > MAX_BYTES {
        return Err(FileError::whole(
            path,
            format!("found more than {MAX_BYTES} bytes, expected a small text file"),
        ));
    }
    utf8(bytes, path)
}

/// Bytes as UTF-8, or the line in which they are none.
fn utf8(bytes: Vec<u8>, path: &Path) -> Result<String, FileError> {
    String::from_utf8(bytes).map_err(|e| {
        let at = e.utf8_error().valid_up_to();
        let good = e.as_bytes().get(..at).unwrap_or_default();
        let byte = e.as_bytes().get(at).copied().unwrap_or_default();
        let good = String::from_utf8_lossy(good);
        place(
            path,
            &good,
            good.len(),
            format!("found the byte 0x{byte:02x}, expected text in UTF-8"),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse_error(text: &str) -> String {
        match Document::parse(text, Path::new("c.toml")) {
            Ok(_) => "no error".to_owned(),
            Err(e) => e.to_string(),
        }
    }

    #[test]
    fn what_is_no_toml_is_shown_with_its_line() {
        let text = "a = 1\nb = three\n";
        let shown = parse_error(text);
        assert!(
            shown.starts_with("c.toml:2: found \"b = three\", which is not TOML: "),
            "{shown}"
        );
        let shown = parse_error("a = 1\na = 2\n");
        assert_eq!(
            shown,
            "c.toml:2: found \"a = 2\", which is not TOML: duplicate key"
        );
    }

    #[test]
    fn other_encodings_are_named_with_their_line() {
        let e = utf8(b"a = 1\nb = \"\xb5\"\n".to_vec(), Path::new("c.toml")).unwrap_err();
        assert_eq!(
            e.to_string(),
            "c.toml:2: found the byte 0xb5, expected text in UTF-8"
        );
        assert_eq!(e.column, Some(6));
    }

    #[test]
    fn a_mark_at_the_start_does_no_harm() {
        assert_eq!(parse_error("\u{feff}a = 1\n"), "no error");
    }
}
