//! Small helpers for text that people read: numbers, counts, cells of a spreadsheet.

use std::borrow::Cow;

/// Writes text from outside so that a spreadsheet program never takes it for a formula: a leading
/// `=`, `+`, `-`, `@`, tab or carriage return gets an apostrophe before it. So does one that has apostrophes before these
/// already: [`without_guard`] gives back what was there. Never used for numbers.
pub fn cell(text: &str) -> Cow<'_, str> {
    if is_formula(text.trim_start_matches('\'')) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// A cell without the apostrophe that keeps a spreadsheet from taking it for a formula.
pub fn without_guard(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if is_formula(text.trim_start_matches('\'')) => text,
        _ => cell,
    }
}

fn is_formula(text: &str) -> bool {
    text.starts_with(['=', '+', '-', '@', '\t', '\r'])
}

/// Bytes as people read them: two lower-case digits each.
pub fn hex(bytes: &[u8]) -> String {
    const DIGITS: [char; 16] = [
        '0', '1', '2', '3', '4', '5', '6', '7', '8', '9', 'a', 'b', 'c', 'd', 'e', 'f',
    ];
    let digits = |byte: &u8| {
        [
            DIGITS[usize::from(byte >> 4)],
            DIGITS[usize::from(byte & 15)],
        ]
    };
    bytes.iter().flat_map(digits).collect()
}

/// Appends one CSV field (RFC 4180): quoted where it holds a comma, quote or line break.
pub fn csv_field(out: &mut String, text: &str) {
    if text
        .bytes()
        .any(|b| matches!(b, b',' | b'"' | b'\n' | b'\r'))
    {
        csv_quoted(out, text);
    } else {
        out.push_str(text);
    }
}

/// Appends one CSV field in quotes.
pub fn csv_quoted(out: &mut String, text: &str) {
    out.push('"');
    for c in text.chars() {
        if c == '"' {
            out.push('"');
        }
        out.push(c);
    }
    out.push('"');
}

/// A number with a fixed count of decimals; empty where it is not finite.
pub fn fixed(value: f64, decimals: usize) -> String {
    if value.is_finite() {
        let text = format!("{value:.decimals$}");
        // "-0.00" says nothing but confuses.
        if text.starts_with('-') && text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
            text[1..].to_owned()
        } else {
            text
        }
    } else {
        String::new()
    }
}

/// A number with so many significant digits, without exponent for ordinary sizes, trailing zeros cut.
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return String::new();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let scientific = format!("{value:.*e}", digits.saturating_sub(1));
    let exponent: i32 = scientific
        .rsplit('e')
        .next()
        .and_then(|e| e.parse().ok())
        .unwrap_or(0);
    if !(-6..15).contains(&exponent) {
        return scientific;
    }
    let decimals = usize::try_from((digits as i32 - 1 - exponent).max(0)).unwrap_or(0);
    let text = match scientific.parse::<f64>() {
        Ok(rounded) => format!("{rounded:.decimals$}"),
        Err(_) => format!("{value:.decimals$}"),
    };
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A moment on the clock of a time zone.
pub fn local(at: jiff::Timestamp, zone: &jiff::tz::TimeZone) -> jiff::ZonedDateTime {
    jiff::ZonedDateTime::new(at, zone.clone())
}

/// `1 sample`, `6 samples`: a count with its noun, an `s` added where it is not one.
pub fn count(n: usize, noun: &str) -> String {
    if n == 1 {
        format!("1 {noun}")
    } else {
        format!("{n} {noun}s")
    }
}

/// Text safe to print on one line: control characters (line breaks, marks that turn the writing direction)
/// become a visible escape.
pub fn one_line(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || is_hidden(c) {
            out.extend(c.escape_unicode())
        } else {
            out.push(c)
        }
    }
    out
}

/// Marks that cannot be seen and that turn, break or hide what stands beside them.
pub fn is_hidden(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// The known word nearest to what was written, for "did you mean": at most a third of its letters apart.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let mut best: Option<(usize, &str)> = None;
    for candidate in known {
        let d = distance(word, candidate);
        if best.is_none_or(|(b, _)| d < b) {
            best = Some((d, candidate));
        }
    }
    best.filter(|(d, w)| *d <= 1 + w.len().max(word.len()) / 3)
        .map(|(_, w)| w)
}

/// Levenshtein distance over characters.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let up = row.get(j + 1).copied().unwrap_or(0);
            let cost = diagonal + usize::from(ca != *cb);
            let here = cost.min(up + 1).min(left + 1);
            diagonal = up;
            if let Some(cell) = row.get_mut(j) {
                *cell = left;
            }
            left = here;
        }
        if let Some(cell) = row.last_mut() {
            *cell = left;
        }
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_get_an_apostrophe() {
        for t in ["=1+1", "+x", "-x", "@x", "\tx", "\rx"] {
            assert_eq!(cell(t), format!("'{t}"));
        }
        assert_eq!(cell("a=b"), "a=b");
        assert_eq!(cell("'a"), "'a");
    }

    #[test]
    fn what_was_guarded_comes_back_whatever_apostrophes_it_has() {
        for t in ["=1", "'=1", "''+x", "'", "''", "'a", "a", "", "-", "'\tx"] {
            assert_eq!(without_guard(&cell(t)), t, "{t:?}");
        }
        assert_eq!(without_guard("'=1"), "=1");
    }

    #[test]
    fn numbers_are_written_for_people() {
        assert_eq!(significant(123.456, 5), "123.46");
        assert_eq!(significant(0.000123456, 3), "0.000123");
        assert_eq!(significant(99999.7, 5), "100000");
        assert_eq!(significant(5.0, 6), "5");
        assert_eq!(significant(f64::NAN, 6), "");
        assert_eq!(fixed(-0.001, 2), "0.00");
        assert_eq!(fixed(-0.5, 1), "-0.5");
    }

    #[test]
    fn the_nearest_word_is_offered_only_when_it_is_near() {
        assert_eq!(
            nearest("settle_sec", ["settle_s", "poll_s"]),
            Some("settle_s")
        );
        assert_eq!(nearest("colour", ["settle_s", "poll_s"]), None);
        assert_eq!(distance("kitten", "sitting"), 3);
    }

    #[test]
    fn one_line_shows_what_hides() {
        assert_eq!(one_line("a\nb\u{202e}c"), "a\\u{a}b\\u{202e}c");
    }
}
