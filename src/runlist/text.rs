//! From a run list's bytes to text with plain line ends: whatever a spreadsheet program on whichever desk wrote.

use std::borrow::Cow;
use std::path::Path;

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};

use crate::config::error::FileError;

/// Largest run list, bytes.
pub const MAX_BYTES: usize = 64 * 1024 * 1024;

/// A run list as text, its lines ended by `\n`, and what was worth saying about it.
pub(super) struct Text {
    pub(super) text: String,
    pub(super) note: Option<String>,
}

/// Decodes the bytes of a run list: by the mark at its start, else UTF-8, else UTF-16 where every other byte is 0,
/// else Windows-1252 (which holds Latin-1).
/// `each` is what a row of the file is.
pub(super) fn decode(bytes: &[u8], path: &Path, each: &str) -> Result<Text, FileError> {
    if bytes.len() > MAX_BYTES {
        let mb = MAX_BYTES / (1024 * 1024);
        return Err(FileError::whole(
            path,
            format!("found more than {mb} MB, expected at most so much"),
        ));
    }
    // A zip archive or a compound file: what spreadsheet programs write when they are not told otherwise.
    if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"\xd0\xcf\x11\xe0") {
        return Err(FileError::whole(
            path,
            "found a spreadsheet program's own format, expected it saved as CSV",
        ));
    }
    let (encoding, mark) = Encoding::for_bom(bytes).unwrap_or_else(|| (guess(bytes), 0));
    let body = bytes.get(mark..).unwrap_or_default();
    let text = encoding.decode_without_bom_handling_and_without_replacement(body);
    let name = encoding.name();
    let text = text.ok_or_else(|| {
        FileError::whole(
            path,
            format!("found bytes that are no {name}, expected text"),
        )
    })?;
    let text = plain_line_ends(text);
    if let Some(at) = text.find('\0') {
        let line = text
            .get(..at)
            .unwrap_or_default()
            .bytes()
            .filter(|b| *b == b'\n')
            .count()
            + 1;
        return Err(FileError::at_line(
            path,
            line as u64,
            "found a zero byte, expected text",
        ));
    }
    if text.trim().is_empty() {
        return Err(FileError::whole(
            path,
            format!("found nothing, expected a header row and one row for each {each}"),
        ));
    }
    let note = (encoding != UTF_8).then(|| format!("read as {name}"));
    Ok(Text { text, note })
}

fn guess(bytes: &[u8]) -> &'static Encoding {
    let start = bytes.get(..bytes.len().min(1024)).unwrap_or_default();
    let zeros = |parity: usize| {
        start
            .iter()
            .skip(parity)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    let (even, odd) = (zeros(0), zeros(1));
    // A header row is nearly all ASCII: half of UTF-16's bytes are 0, all on one side.
    if odd * 4 > start.len() && even == 0 {
        UTF_16LE
    } else if even * 4 > start.len() && odd == 0 {
        UTF_16BE
    } else if std::str::from_utf8(bytes).is_ok() {
        UTF_8
    } else {
        WINDOWS_1252
    }
}

fn plain_line_ends(text: Cow<'_, str>) -> String {
    if text.contains('\r') {
        text.replace("\r\n", "\n").replace('\r', "\n")
    } else {
        text.into_owned()
    }
}

/// What stands between the cells, and how many lines of the text come before the header (a spreadsheet's `sep=;`).
pub(super) fn delimiter(text: &str) -> (u8, usize) {
    let mut lines = text
        .lines()
        .enumerate()
        .filter(|(_, l)| !l.trim().is_empty());
    let Some((index, header)) = lines.next() else {
        return (b',', 0);
    };
    let told = header.trim().strip_prefix("sep=").map(str::as_bytes);
    if let Some([sign @ (b',' | b';' | b'\t')]) = told {
        return (*sign, index + 1);
    }
    let mut counts = [(b',', 0_usize), (b';', 0), (b'\t', 0)];
    let mut in_quotes = false;
    for byte in header.bytes() {
        in_quotes ^= byte == b'"';
        for (sign, count) in &mut counts {
            *count += usize::from(!in_quotes && byte == *sign);
        }
    }
    // Of equals the first wins: a comma where there is none of them at all.
    let best = counts.iter().rev().max_by_key(|(_, count)| *count);
    (best.map_or(b',', |(sign, _)| *sign), 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bytes: &[u8]) -> (String, Option<String>) {
        let t = decode(bytes, Path::new("l.csv"), "injection").unwrap();
        (t.text, t.note)
    }

    fn utf16(text: &str, order: fn(u16) -> [u8; 2]) -> Vec<u8> {
        text.encode_utf16().flat_map(order).collect()
    }

    #[test]
    fn whatever_the_encoding_the_text_is_the_same() {
        let meant = "kind,file\nsample,crock 1 µ\n";
        let mut with_mark = b"\xef\xbb\xbf".to_vec();
        with_mark.extend(meant.as_bytes());
        assert_eq!(text(meant.as_bytes()), (meant.to_owned(), None));
        assert_eq!(text(&with_mark), (meant.to_owned(), None));
        assert_eq!(
            text(b"kind,file\r\nsample,crock 1 \xb5\r"),
            (meant.to_owned(), Some("read as windows-1252".to_owned()))
        );
        let little = (meant.to_owned(), Some("read as UTF-16LE".to_owned()));
        assert_eq!(text(&utf16(meant, u16::to_le_bytes)), little);
        assert_eq!(
            text(&utf16(&format!("\u{feff}{meant}"), u16::to_le_bytes)),
            little
        );
        let big = (meant.to_owned(), Some("read as UTF-16BE".to_owned()));
        assert_eq!(text(&utf16(meant, u16::to_be_bytes)), big);
        assert_eq!(
            text(&utf16(&format!("\u{feff}{meant}"), u16::to_be_bytes)),
            big
        );
    }

    #[test]
    fn the_header_tells_the_delimiter() {
        assert_eq!(delimiter("kind,file\n1;2;3;4"), (b',', 0));
        assert_eq!(delimiter("kind;file\n"), (b';', 0));
        assert_eq!(delimiter("kind\tfile\n"), (b'\t', 0));
        assert_eq!(delimiter("\nsep=;\nkind;a,b,c\n"), (b';', 2));
        assert_eq!(delimiter("kind;\"a,b,c\"\n"), (b';', 0));
        assert_eq!(delimiter("kind\n"), (b',', 0));
    }
}
