//! Names that a spreadsheet program made dates of: `1-2` comes back as `02. Jan`, `Jan-02` or `2026-01-02 00:00:00`.
//! What the name was cannot be known any more, so it is kept as it stands and told.

use crate::config::error::quoted;

/// Short names of months as spreadsheet programs of several languages write them, without full stops.
const MONTHS: [&str; 43] = [
    "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec", "mrz",
    "mär", "mai", "okt", "dez", "janv", "févr", "mars", "avr", "juin", "juil", "août", "sept",
    "déc", "ene", "abr", "ago", "dic", "gen", "mag", "giu", "lug", "set", "ott", "mrt", "mei",
    "maj", "fev", "out", "juni", "juli",
];

/// Cells of one list that look so, by column.
#[derive(Default)]
pub(crate) struct Mangled(Vec<Found>);

struct Found {
    column: String,
    line: u64,
    text: String,
    times: usize,
}

impl Mangled {
    /// Looks at a cell of a column that names something.
    pub(crate) fn look(&mut self, column: &str, line: u64, text: &str) {
        if !reads_like_a_date(text) {
            return;
        }
        match self.0.iter_mut().find(|f| f.column == column) {
            Some(found) => found.times += 1,
            None => self.0.push(Found {
                column: column.to_owned(),
                line,
                text: text.to_owned(),
                times: 1,
            }),
        }
    }

    /// One note for each column.
    pub(crate) fn into_texts(self) -> impl Iterator<Item = String> {
        self.0.into_iter().map(|f| {
            let more = match f.times {
                1 => String::new(),
                n => format!(" and {} more", n - 1),
            };
            format!(
                "column {}: {} looks like a name that a spreadsheet program made a date of; it is kept as it stands \
                 (line {}{more})",
                f.column,
                quoted(&f.text),
                f.line
            )
        })
    }
}

/// Whether a text is a date, with or without a time of day behind it, and nothing else.
fn reads_like_a_date(text: &str) -> bool {
    // Few cells have a sign between digits or months: the rest is told by its length and first letters.
    if !(4..=30).contains(&text.len()) || !text.bytes().any(|b| b.is_ascii_digit()) {
        return false;
    }
    let date = match text.split_once([' ', 'T']) {
        Some((date, time)) if is_time(time) => date,
        _ => text,
    };
    let parts: Vec<&str> = date
        .split(['-', '.', '/', ' '])
        .filter(|p| !p.is_empty())
        .collect();
    match parts.as_slice() {
        [a, b] => (is_number(a, 2) && is_month(b)) || (is_month(a) && is_number(b, 2)),
        [year, month, day] if year.len() == 4 => {
            is_number(year, 4) && in_range(month, 12) && in_range(day, 31)
        }
        [a, b, year] if is_year(year) => {
            (in_range(a, 31) && in_range(b, 31)) || (in_range(a, 31) && is_month(b))
        }
        _ => false,
    }
}

fn is_time(text: &str) -> bool {
    let parts: Vec<&str> = text.split(':').collect();
    (2..=3).contains(&parts.len()) && parts.iter().all(|p| is_number(p, 2))
}

fn is_month(text: &str) -> bool {
    let lower = text.to_lowercase();
    MONTHS.contains(&lower.as_str())
}

/// Digits alone, at least one and at most so many.
fn is_number(text: &str, most: usize) -> bool {
    (1..=most).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit())
}

fn in_range(text: &str, highest: u32) -> bool {
    is_number(text, 2)
        && text
            .parse::<u32>()
            .is_ok_and(|n| (1..=highest).contains(&n))
}

fn is_year(text: &str) -> bool {
    matches!(text.len(), 2 | 4) && is_number(text, 4)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_told_from_names() {
        for date in [
            "02. Jan",
            "2. Mrz",
            "Jan-02",
            "02-Jan",
            "2-Dec",
            "02-Jan-26",
            "2. Jan 2026",
            "2026-01-02",
            "2026-01-02 00:00:00",
            "2026-01-02T00:00:00",
            "02.01.2026",
            "1/2/2026",
            "01/02/26 00:00",
            "3. févr.",
            "MAY-07",
        ] {
            assert!(reads_like_a_date(date), "{date}");
        }
        for name in [
            "1-2",
            "crock 3",
            "crock 1-2",
            "A-02",
            "may",
            "may apple",
            "2026",
            "2026-13-02",
            "32.01.2026",
            "1.2.3",
            "10.5",
            "mar-123",
            "46024",
            "jan-feb",
            "02. Jan crock",
            "00:30",
            "",
        ] {
            assert!(!reads_like_a_date(name), "{name}");
        }
    }

    #[test]
    fn a_column_is_told_once() {
        let mut mangled = Mangled::default();
        mangled.look("name", 3, "02. Jan");
        mangled.look("name", 4, "crock");
        mangled.look("name", 7, "03. Jan");
        mangled.look("series", 9, "Jan-02");
        let notes: Vec<String> = mangled.into_texts().collect();
        assert_eq!(
            notes,
            [
                "column name: \"02. Jan\" looks like a name that a spreadsheet program made a date of; it is kept as it stands (line 3 and 1 more)",
                "column series: \"Jan-02\" looks like a name that a spreadsheet program made a date of; it is kept as it stands (line 9)",
            ]
        );
    }
}
