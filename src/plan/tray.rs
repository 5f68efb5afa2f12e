//! The autosampler's trays: where vials stand, and how their places are called.

use std::collections::HashSet;

use crate::config::error::quoted;

/// Most rows or columns of a tray.
pub const MOST_SIDE: u64 = 100;
/// Most trays.
pub const MOST_TRAYS: u64 = 100;

/// How the places of a tray are called.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Labels {
    /// `1` to n, row by row.
    #[default]
    Numbers,
    /// `A1`, `A2`, … `B1`: a letter for the row, a number for the column.
    Letters,
}

/// Trays of one shape.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tray {
    /// Rows of a tray, at least 1.
    pub rows: u64,
    /// Places in a row, at least 1.
    pub columns: u64,
    /// How many trays, at least 1; they are called `1`, `2`, …
    pub trays: u64,
    /// How places are called.
    pub labels: Labels,
    /// Places that are taken.
    pub taken: HashSet<Place>,
}

/// One place, counted from 0: tray, and number in it row by row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Place {
    /// The tray.
    pub tray: u64,
    /// The number in its tray.
    pub number: u64,
}

impl Tray {
    /// Places in one tray.
    pub fn size(&self) -> u64 {
        self.rows.saturating_mul(self.columns)
    }

    /// All places in the order in which they are filled: tray by tray, row by row.
    pub fn places(&self) -> impl Iterator<Item = Place> {
        let size = self.size();
        (0..self.trays).flat_map(move |tray| (0..size).map(move |number| Place { tray, number }))
    }

    /// How the vial's column of a run list calls a place.
    pub fn label(&self, place: Place) -> String {
        match self.labels {
            Labels::Numbers => place.number.saturating_add(1).to_string(),
            Labels::Letters => {
                let columns = self.columns.max(1);
                let (row, column) = (place.number / columns, place.number % columns);
                format!("{}{}", letters(row), column.saturating_add(1))
            }
        }
    }

    /// The number of the place with this label in its tray; either way of calling places is understood.
    pub fn number(&self, label: &str) -> Option<u64> {
        let label = label.trim();
        let digits = label.trim_start_matches(|c: char| c.is_ascii_alphabetic());
        let row = label.get(..label.len() - digits.len())?;
        let number: u64 = plain_number(digits)?.checked_sub(1)?;
        if row.is_empty() {
            return (number < self.size()).then_some(number);
        }
        let row = row_of(row)?;
        (row < self.rows && number < self.columns).then(|| row * self.columns + number)
    }

    /// Reads places that are taken: `3`, `B2`, from–to `1-6`, with a tray `2:B2`; without one they are taken in every tray.
    ///
    /// # Errors
    /// What was found and what was expected.
    pub fn read_taken(&self, text: &str) -> Result<Vec<Place>, String> {
        let wrong = || {
            let last = Place {
                tray: 0,
                number: self.size().saturating_sub(1),
            };
            format!(
                "found {}, expected a place from {} to {}, with a tray before it where one is meant (1:{})",
                quoted(text),
                self.label(Place { tray: 0, number: 0 }),
                self.label(last),
                self.label(last)
            )
        };
        let (trays, places) = match text.split_once(':') {
            None => (0..self.trays, text),
            Some((tray, places)) => {
                let tray = plain_number(tray.trim())
                    .and_then(|t| t.checked_sub(1))
                    .filter(|t| *t < self.trays)
                    .ok_or_else(wrong)?;
                (tray..tray + 1, places)
            }
        };
        let (from, to) = places.split_once('-').unwrap_or((places, places));
        let (from, to) = (
            self.number(from).ok_or_else(wrong)?,
            self.number(to).ok_or_else(wrong)?,
        );
        if from > to {
            return Err(wrong());
        }
        Ok(trays
            .flat_map(|tray| (from..=to).map(move |number| Place { tray, number }))
            .collect())
    }
}

/// `A` to `Z`, then `AA`, `AB`, …
fn letters(row: u64) -> String {
    let letter = |n: u64| char::from(b'A' + u8::try_from(n % 26).unwrap_or(0));
    let mut out = vec![letter(row)];
    let mut rest = row / 26;
    while rest > 0 {
        out.push(letter(rest - 1));
        rest = (rest - 1) / 26;
    }
    out.iter().rev().collect()
}

/// The row that letters call; `None` for more than three.
fn row_of(text: &str) -> Option<u64> {
    if text.len() > 3 {
        return None;
    }
    let value = |n: u64, b: u8| n * 26 + u64::from(b.to_ascii_uppercase() - b'A') + 1;
    text.bytes().fold(0, value).checked_sub(1)
}

/// A number of digits alone.
fn plain_number(text: &str) -> Option<u64> {
    let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| text.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tray(labels: Labels) -> Tray {
        Tray {
            rows: 3,
            columns: 4,
            trays: 2,
            labels,
            taken: HashSet::new(),
        }
    }

    #[test]
    fn places_are_filled_row_by_row() {
        let (numbers, letters) = (tray(Labels::Numbers), tray(Labels::Letters));
        let called = |t: &Tray| -> Vec<String> { t.places().map(|p| t.label(p)).collect() };
        assert_eq!(called(&numbers)[..5], ["1", "2", "3", "4", "5"]);
        assert_eq!(called(&letters)[3..6], ["A4", "B1", "B2"]);
        assert_eq!(called(&letters).len(), 24);
        assert_eq!(called(&letters)[12], "A1");
        for t in [&numbers, &letters] {
            for place in t.places() {
                assert_eq!(t.number(&t.label(place)), Some(place.number));
            }
        }
        assert_eq!(letters.number("b1"), Some(4));
        for none in [
            "",
            "0",
            "13",
            "A0",
            "A5",
            "D1",
            "AAAA1",
            "A",
            "1A",
            "-1",
            "99999999999999999999",
        ] {
            assert_eq!(letters.number(none), None, "{none}");
        }
    }

    #[test]
    fn rows_beyond_z_have_two_letters() {
        for (row, text) in [
            (0, "A"),
            (25, "Z"),
            (26, "AA"),
            (51, "AZ"),
            (52, "BA"),
            (701, "ZZ"),
            (702, "AAA"),
        ] {
            assert_eq!(letters(row), text);
            assert_eq!(row_of(text), Some(row));
        }
    }

    #[test]
    fn taken_places_are_read() {
        let t = tray(Labels::Letters);
        let read = |text: &str| -> Vec<(u64, u64)> {
            let places = t.read_taken(text).unwrap();
            places.iter().map(|p| (p.tray, p.number)).collect()
        };
        assert_eq!(read("A2"), [(0, 1), (1, 1)]);
        assert_eq!(read("2:A2"), [(1, 1)]);
        assert_eq!(read("1: A4 - B2"), [(0, 3), (0, 4), (0, 5)]);
        assert_eq!(read("1:12"), [(0, 11)]);
        for bad in ["", "E1", "3:A1", "0:A1", "B1-A1", "A1-", "x:A1"] {
            let message = t.read_taken(bad).unwrap_err();
            assert_eq!(
                message,
                format!(
                    "found {bad:?}, expected a place from A1 to C4, with a tray before it where one is meant (1:C4)"
                )
            );
        }
    }
}
