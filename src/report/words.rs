//! Running text for people: positions, times, lines of a bounded width, plain tables.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::text::one_line;

/// Positions, ascending, with runs drawn together: `2-6, 8`.
pub fn positions(all: &[u64]) -> String {
    let mut runs: Vec<(u64, u64)> = Vec::new();
    for &p in all {
        match runs.last_mut() {
            Some((_, last)) if last.checked_add(1) == Some(p) => *last = p,
            _ => runs.push((p, p)),
        }
    }
    let run = |(a, b): &(u64, u64)| match b - a {
        0 => a.to_string(),
        1 => format!("{a}, {b}"),
        _ => format!("{a}-{b}"),
    };
    runs.iter().map(run).collect::<Vec<_>>().join(", ")
}

/// Text from outside on one line, at most so many characters, `..` where something was cut off.
pub fn cut(text: &str, width: usize) -> String {
    let text = one_line(text);
    if text.chars().count() <= width {
        return text;
    }
    let kept: String = text.chars().take(width.saturating_sub(2)).collect();
    format!("{}..", kept.trim_end())
}

/// `2026-09-21 19:09`, in the zone.
pub fn day_and_time(at: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    format!("{} {:02}:{:02}", local.date(), local.hour(), local.minute())
}

/// `19:09`, in the zone.
pub fn clock(at: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    format!("{:02}:{:02}", local.hour(), local.minute())
}

/// Appends text in lines of at most so many characters, the first one after `first`, the others after as many blanks. A
/// longer word stands on a line of its own.
pub fn wrap(out: &mut String, first: &str, text: &str, width: usize) {
    let indent = first.chars().count();
    out.push_str(first);
    let mut used = indent;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > indent && used + 1 + length > width {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent));
            used = indent;
        }
        if used > indent {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += length;
    }
    out.push('\n');
}

/// The last column of a table is broken into lines where it has at least so much room, else it gets lines of its own.
const LAST_COLUMN: usize = 18;

/// Appends a table: columns as wide as they need, two blanks between them, no blanks at the ends of lines. Columns whose
/// header begins with `>` stand to the right. Text in the last column is wrapped so that lines keep within `width`.
pub fn table(out: &mut String, indent: &str, header: &[&str], rows: &[Vec<String>], width: usize) {
    let right: Vec<bool> = header.iter().map(|h| h.starts_with('>')).collect();
    let titles: Vec<String> = header
        .iter()
        .map(|h| h.trim_start_matches('>').to_owned())
        .collect();
    let needs = |k: usize| {
        rows.iter()
            .chain([&titles])
            .filter_map(|r| r.get(k))
            .map(|c| c.chars().count())
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..header.len()).map(needs).collect();
    let last = header.len().saturating_sub(1);
    for row in [&titles].into_iter().chain(rows) {
        let mut line = indent.to_owned();
        for ((cell, width), right) in row.iter().zip(&widths).zip(&right).take(last) {
            let blanks = width.saturating_sub(cell.chars().count());
            let padding: String = std::iter::repeat_n(' ', blanks).collect();
            let parts = if *right {
                [padding.as_str(), cell]
            } else {
                [cell.as_str(), &padding]
            };
            parts.into_iter().for_each(|p| line.push_str(p));
            line.push_str("  ");
        }
        let cell = row.get(last).map_or("", String::as_str);
        let own = widths.get(last).copied().unwrap_or(0);
        let pad = if right.get(last) == Some(&true) {
            own.saturating_sub(cell.chars().count())
        } else {
            0
        };
        line.extend(std::iter::repeat_n(' ', pad));
        close(out, &line, cell, width);
    }
}

/// Ends a line of a table with its last cell.
fn close(out: &mut String, line: &str, cell: &str, width: usize) {
    let used = line.chars().count();
    if cell.is_empty() || used + cell.chars().count() <= width {
        out.push_str(format!("{line}{cell}").trim_end());
        out.push('\n');
    } else if used + LAST_COLUMN <= width {
        wrap(out, line, cell, width);
    } else {
        out.push_str(line.trim_end());
        out.push('\n');
        wrap(out, "            ", cell, width);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_are_drawn_together() {
        assert_eq!(positions(&[2, 3, 4, 5, 6, 8, 10, 11]), "2-6, 8, 10, 11");
        assert_eq!(positions(&[]), "");
        assert_eq!(positions(&[u64::MAX]), u64::MAX.to_string());
    }

    #[test]
    fn lines_keep_their_width() {
        let mut out = String::new();
        wrap(
            &mut out,
            " 1. ",
            "one two three four five incomprehensibilities six",
            16,
        );
        assert_eq!(
            out,
            " 1. one two\n    three four\n    five\n    incomprehensibilities\n    six\n"
        );
    }

    #[test]
    fn a_table_has_straight_columns() {
        let mut out = String::new();
        table(
            &mut out,
            " ",
            &["name", ">%"],
            &[
                vec!["a".into(), "100.0".into()],
                vec!["long".into(), "9.5".into()],
            ],
            80,
        );
        assert_eq!(out, " name      %\n a     100.0\n long    9.5\n");
    }

    #[test]
    fn the_last_column_keeps_within_the_width() {
        let rows = [vec![
            "a".to_owned(),
            "bracket-failed unreadable-trace".to_owned(),
        ]];
        let mut out = String::new();
        table(&mut out, "", &["x", "why"], &rows, 24);
        assert_eq!(out, "x  why\na  bracket-failed\n   unreadable-trace\n");
        let mut out = String::new();
        table(&mut out, "", &["a wide column", "why"], &rows, 30);
        assert_eq!(
            out,
            "a wide column  why\na\n            bracket-failed\n            unreadable-trace\n"
        );
    }

    #[test]
    fn what_is_cut_says_so() {
        assert_eq!(cut("crock number three", 10), "crock nu..");
        assert_eq!(cut("a\nb", 10), "a\\u{a}b");
    }
}
