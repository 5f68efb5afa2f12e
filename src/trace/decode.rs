//! From the bytes of a file to text whose ASCII part can be read byte by byte.

use super::{TraceError, error};
use std::borrow::Cow;

/// The bytes to read, and what they were called.
#[derive(Debug)]
pub(crate) struct Text<'a> {
    /// UTF-8, or an 8-bit encoding that contains ASCII; without a byte order mark.
    pub bytes: Cow<'a, [u8]>,
    /// Name of the encoding, where the bytes themselves say so.
    pub encoding: Option<&'static str>,
}

/// How many bytes are looked at for UTF-16 without a mark.
const LOOK: usize = 1024;

/// Takes a byte order mark off, turns UTF-16 into UTF-8, and refuses what is no text.
///
/// # Errors
/// An empty file and one with NUL bytes.
pub(crate) fn text(bytes: &[u8]) -> Result<Text<'_>, TraceError> {
    if let Some(rest) = bytes.strip_prefix(b"\xEF\xBB\xBF") {
        return checked(Text {
            bytes: Cow::Borrowed(rest),
            encoding: Some("UTF-8"),
        });
    }
    let (encoding, body) = match bytes {
        [0xFF, 0xFE, body @ ..] => (encoding_rs::UTF_16LE, body),
        [0xFE, 0xFF, body @ ..] => (encoding_rs::UTF_16BE, body),
        _ => match sixteen_bit(bytes) {
            Some(encoding) => (encoding, bytes),
            None => {
                return checked(Text {
                    bytes: Cow::Borrowed(bytes),
                    encoding: None,
                });
            }
        },
    };
    // Half a character at the end: the file is still being written.
    let whole = body.get(..body.len() & !1).unwrap_or_default();
    let (decoded, _) = encoding.decode_without_bom_handling(whole);
    checked(Text {
        bytes: Cow::Owned(decoded.into_owned().into_bytes()),
        encoding: Some(encoding.name()),
    })
}

/// Tells UTF-16 without a mark by its NUL bytes: in Latin text every second byte is one.
fn sixteen_bit(bytes: &[u8]) -> Option<&'static encoding_rs::Encoding> {
    let head = bytes.get(..bytes.len().min(LOOK) & !1)?;
    let pairs = head.len() / 2;
    if pairs == 0 {
        return None;
    }
    let nul_at = |parity: usize| {
        head.iter()
            .skip(parity)
            .step_by(2)
            .filter(|b| **b == 0)
            .count()
    };
    match (nul_at(0), nul_at(1)) {
        (0, odd) if odd * 10 >= pairs * 7 => Some(encoding_rs::UTF_16LE),
        (even, 0) if even * 10 >= pairs * 7 => Some(encoding_rs::UTF_16BE),
        _ => None,
    }
}

fn checked(text: Text<'_>) -> Result<Text<'_>, TraceError> {
    if let Some(nul) = memchr::memchr(0, &text.bytes) {
        let before = text.bytes.get(..nul).unwrap_or_default();
        let tail = text.bytes.get(nul..).unwrap_or_default();
        // A file whose end is all NUL has its place reserved on the disk and is still being filled.
        let may_grow = tail.iter().all(|b| *b == 0);
        let line = u64::try_from(memchr::memchr_iter(b'\n', before).count() + 1).ok();
        return Err(TraceError {
            may_grow,
            ..error(
                line,
                "found a NUL byte, expected text: a binary file?".to_owned(),
            )
        });
    }
    if text.bytes.iter().all(|b| b.is_ascii_whitespace()) {
        return Err(TraceError {
            may_grow: true,
            ..error(
                None,
                "the file is empty, expected a time and a signal column".to_owned(),
            )
        });
    }
    Ok(text)
}

/// A piece of text for people: UTF-8, else windows-1252.
pub(crate) fn decode(bytes: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => {
            encoding_rs::WINDOWS_1252
                .decode_without_bom_handling(bytes)
                .0
        }
    }
}

/// A piece of a file for a message: at most 40 characters, nothing hidden, in quotes.
pub(crate) fn quote(bytes: &[u8]) -> String {
    const SHOWN: usize = 40;
    let head = bytes.get(..bytes.len().min(4 * SHOWN)).unwrap_or_default();
    let text = match std::str::from_utf8(head) {
        Ok(text) => Cow::Borrowed(text),
        // A character cut by the limit is no sign of another encoding.
        Err(e) if e.error_len().is_none() => {
            decode(head.get(..e.valid_up_to()).unwrap_or_default())
        }
        Err(_) => decode(head),
    };
    let mut short: String = text.chars().take(SHOWN).collect();
    if short.len() < text.len() || head.len() < bytes.len() {
        short.push('…');
    }
    format!("'{}'", crate::text::one_line(&short))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sixteen_bit_text_is_told_without_a_mark() {
        let le: Vec<u8> = "time;signal\n"
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect();
        let be: Vec<u8> = "time;signal\n"
            .encode_utf16()
            .flat_map(u16::to_be_bytes)
            .collect();
        assert_eq!(text(&le).unwrap().bytes.as_ref(), b"time;signal\n");
        assert_eq!(text(&be).unwrap().encoding, Some("UTF-16BE"));
    }

    #[test]
    fn what_is_quoted_is_short_and_plain() {
        assert_eq!(quote(b"a\nb"), "'a\\u{a}b'");
        assert_eq!(quote(&[b'x'; 1000]).chars().count(), 43);
        assert_eq!(quote(b"\xB5AU"), "'µAU'");
    }

    #[test]
    fn a_file_that_ends_in_nul_bytes_may_grow() {
        assert!(text(b"0,1\n1,2\n\0\0\0\0").unwrap_err().may_grow);
        let e = text(b"0,1\n1\0,2\n").unwrap_err();
        assert_eq!((e.line, e.may_grow), (Some(2), false));
    }
}
