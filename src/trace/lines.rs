//! Lines and cells of a text, whatever ends the one and separates the other.

use super::Delimiter;

/// Where the line that starts at `start` ends (without its end mark) and where the next one starts.
/// `\n`, `\r\n` and a lone `\r` all end a line.
#[inline]
pub(crate) fn line_at(bytes: &[u8], start: usize) -> (usize, usize) {
    let rest = bytes.get(start..).unwrap_or_default();
    match memchr::memchr2(b'\n', b'\r', rest) {
        Some(n) => (start + n, after_mark(bytes, start + n)),
        None => (bytes.len(), bytes.len()),
    }
}

/// The position behind the end mark at `end`.
#[inline(always)]
pub(super) fn after_mark(bytes: &[u8], end: usize) -> usize {
    let pair = bytes.get(end) == Some(&b'\r') && bytes.get(end + 1) == Some(&b'\n');
    (end + 1 + usize::from(pair)).min(bytes.len())
}

/// Whether nothing but blanks (and delimiters of empty cells) is on the line.
pub(crate) fn is_blank(line: &[u8]) -> bool {
    line.iter()
        .all(|b| matches!(b, b' ' | b'\t' | b';' | b',' | 0x0c | 0x0b | 0x1a))
}

/// Whether the line is a comment: `#`, `%`, `//`, `!`, or `;` where that does not separate cells.
pub(crate) fn is_comment(line: &[u8], delimiter: Delimiter) -> bool {
    match line.trim_ascii_start() {
        [b'#' | b'%' | b'!', ..] | [b'/', b'/', ..] => true,
        [b';', ..] => delimiter != Delimiter::Semicolon,
        _ => false,
    }
}

impl Delimiter {
    /// The byte between two cells; for blanks, the blank.
    pub(super) fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
            Self::Tab => b'\t',
            Self::Space => b' ',
        }
    }
}

/// The cells of one line; quotes kept, delimiters inside of quotes respected.
#[derive(Debug, Clone)]
pub(crate) struct Cells<'a> {
    rest: Option<&'a [u8]>,
    delimiter: Delimiter,
}

/// Splits a line.
pub(crate) fn cells(line: &[u8], delimiter: Delimiter) -> Cells<'_> {
    let rest = if delimiter == Delimiter::Space {
        Some(line.trim_ascii()).filter(|l| !l.is_empty())
    } else {
        Some(line)
    };
    Cells { rest, delimiter }
}

impl<'a> Cells<'a> {
    /// What has not been split yet.
    pub(super) fn rest(&self) -> Option<&'a [u8]> {
        self.rest
    }

    /// How many cells are left; quick where no quotes are.
    pub(crate) fn count_left(self) -> usize {
        match self.rest {
            None => 0,
            Some(rest)
                if self.delimiter != Delimiter::Space && memchr::memchr(b'"', rest).is_none() =>
            {
                1 + memchr::memchr_iter(self.delimiter.byte(), rest).count()
            }
            Some(_) => self.count(),
        }
    }
}

/// Where a cell that starts with a quote closes it, `None` where it never does.
fn quote_end(rest: &[u8], delimiter: Delimiter) -> Option<usize> {
    let blanks = rest.iter().take_while(|b| **b == b' ').count();
    let blanks = if delimiter == Delimiter::Space {
        0
    } else {
        blanks
    };
    if rest.get(blanks) != Some(&b'"') {
        return None;
    }
    memchr::memchr(b'"', rest.get(blanks + 1..)?).map(|n| blanks + 1 + n + 1)
}

impl<'a> Iterator for Cells<'a> {
    type Item = &'a [u8];

    fn next(&mut self) -> Option<&'a [u8]> {
        let rest = self.rest?;
        let from = quote_end(rest, self.delimiter).unwrap_or(0);
        let tail = rest.get(from..).unwrap_or_default();
        let found = match self.delimiter {
            Delimiter::Space => memchr::memchr2(b' ', b'\t', tail),
            other => memchr::memchr(other.byte(), tail),
        };
        let Some(n) = found else {
            self.rest = None;
            return Some(rest);
        };
        let (cell, after) = rest.split_at(from + n);
        let after = after.get(1..).unwrap_or_default();
        self.rest = Some(if self.delimiter == Delimiter::Space {
            after.trim_ascii_start()
        } else {
            after
        });
        Some(cell)
    }
}

/// Position behind the `n`-th delimiter of `row`, at memory speed: counts whole chunks before it looks closer.
pub(super) fn behind_delimiter(row: &[u8], delimiter: u8, n: usize) -> Option<usize> {
    let mut left = n;
    let mut at = 0;
    if left == 0 {
        return Some(0);
    }
    let (chunks, tail) = row.as_chunks::<64>();
    for chunk in chunks {
        // A fixed length and a byte as the sum: the compiler makes one comparison of many bytes of it.
        let here: u8 = chunk
            .iter()
            .map(|b| u8::from(*b == delimiter))
            .fold(0, u8::wrapping_add);
        if usize::from(here) >= left {
            return nth(chunk, delimiter, left).map(|n| at + n + 1);
        }
        left -= usize::from(here);
        at += chunk.len();
    }
    nth(tail, delimiter, left).map(|n| at + n + 1)
}

/// Place of the `n`-th `byte`, from 1.
fn nth(bytes: &[u8], byte: u8, n: usize) -> Option<usize> {
    memchr::memchr_iter(byte, bytes).nth(n.checked_sub(1)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn split(line: &str, delimiter: Delimiter) -> Vec<String> {
        cells(line.as_bytes(), delimiter)
            .map(|c| String::from_utf8_lossy(c).into_owned())
            .collect()
    }

    #[test]
    fn cells_are_split_with_quotes_respected() {
        assert_eq!(split("a,b,", Delimiter::Comma), ["a", "b", ""]);
        assert_eq!(
            split("\"0,1\",\"2,5\"", Delimiter::Comma),
            ["\"0,1\"", "\"2,5\""]
        );
        assert_eq!(split("  1   2\t3 ", Delimiter::Space), ["1", "2", "3"]);
        assert_eq!(split("\"open;b", Delimiter::Semicolon), ["\"open", "b"]);
        assert_eq!(split("", Delimiter::Space), Vec::<String>::new());
    }

    #[test]
    fn every_line_end_is_known() {
        let text = b"a\r\nb\rc\nd";
        let mut at = 0;
        let mut lines = Vec::new();
        while at < text.len() {
            let (end, next) = line_at(text, at);
            lines.push(&text[at..end]);
            at = next;
        }
        assert_eq!(lines, [b"a", b"b", b"c", b"d"]);
    }

    #[test]
    fn the_nth_delimiter_is_found_across_chunks() {
        let row: Vec<u8> = (0..500)
            .flat_map(|i| format!("{i},").into_bytes())
            .collect();
        for n in [1, 2, 63, 64, 65, 300, 500] {
            let place = behind_delimiter(&row, b',', n).unwrap();
            let slow = row
                .iter()
                .enumerate()
                .filter(|(_, b)| **b == b',')
                .nth(n - 1)
                .unwrap()
                .0
                + 1;
            assert_eq!(place, slow, "{n}");
        }
        assert_eq!(behind_delimiter(&row, b',', 501), None);
    }
}
