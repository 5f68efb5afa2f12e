//! The lines above the data that name its columns, their units and their wavelengths.

use super::decode::decode;
use super::lines::{cells, is_blank};
use super::number::{self, Number};
use super::{Delimiter, clock, units};

/// Lines with content that are looked at above the data.
const LOOK_UP: usize = 6;
/// A longer line is no header, bytes.
const LONGEST: usize = 4 * 1024 * 1024;
/// Wavelengths of an absorbance detector, nm.
const WAVELENGTHS_NM: std::ops::RangeInclusive<f64> = 190.0..=1100.0;

/// What stands above the data.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Header {
    /// Line of the names.
    pub names_line: Option<u64>,
    /// Names of the columns; may be shorter than the table is wide.
    pub names: Vec<String>,
    /// Line of the units, and the units.
    pub units: Option<(u64, Vec<String>)>,
    /// Wavelength of each column, nm, where a line gives them; NaN for the time.
    pub wavelengths_nm: Option<Vec<f64>>,
    /// Lines between the header and the data that are neither: line, start, end.
    pub between: Vec<(u64, usize, usize)>,
}

/// What one line above the data is.
enum Line {
    Names(Vec<String>),
    Units(Vec<String>),
    Wavelengths(Vec<String>, Vec<f64>),
    Other,
}

impl Header {
    /// Looks for the header above the row at `start` on line `line`.
    pub(crate) fn above(
        bytes: &[u8],
        start: usize,
        line: u64,
        columns: usize,
        delimiter: Delimiter,
    ) -> Self {
        let mut header = Self::default();
        let (mut at, mut line) = (start, line);
        let mut seen = 0;
        while seen < LOOK_UP {
            let Some((from, to, taken)) = logical_before(bytes, at) else {
                break;
            };
            at = from;
            line = line.saturating_sub(taken);
            let text = bytes.get(from..to).unwrap_or_default();
            if is_blank(text) || !text.iter().any(|b| b.is_ascii_alphanumeric() || *b >= 0x80) {
                continue;
            }
            seen += 1;
            if !header.take(classify(text, columns, delimiter), line, from, to) {
                break;
            }
        }
        if header.names.is_empty() && header.units.is_none() && header.wavelengths_nm.is_none() {
            header.between.clear();
        }
        header
    }

    /// Adds a line; `false` when no further line can belong to the header.
    fn take(&mut self, found: Line, line: u64, from: usize, to: usize) -> bool {
        let have_names = self.names_line.is_some();
        match found {
            Line::Units(cells) if self.units.is_none() => self.units = Some((line, cells)),
            Line::Wavelengths(mut cells, values) if self.wavelengths_nm.is_none() => {
                self.wavelengths_nm = Some(values);
                if !have_names {
                    // The corner of a matrix may name what goes along its other side.
                    if let Some(corner) =
                        cells.first_mut().filter(|c| !super::names::is_time_name(c))
                    {
                        corner.clear();
                    }
                    self.names = cells;
                    self.names_line = Some(line);
                }
            }
            // Lines in between make it less likely: then only names that are known count.
            Line::Names(names) if !have_names && (self.between.is_empty() || is_known(&names)) => {
                self.names = names;
                self.names_line = Some(line);
            }
            Line::Other if !have_names && self.units.is_none() => {
                self.between.push((line, from, to))
            }
            _ => return false,
        }
        true
    }

    /// Name of a column (from 0); empty where it has none.
    pub(crate) fn name(&self, column: usize) -> &str {
        self.names.get(column).map_or("", String::as_str)
    }

    /// Line to report as the header's.
    pub(crate) fn line(&self) -> Option<u64> {
        self.names_line.or(self.units.as_ref().map(|(l, _)| *l))
    }

    /// Unit of time of a column, and the line that says so.
    pub(crate) fn time_unit(&self, column: usize) -> Option<(units::Time, u64)> {
        let below = self
            .units
            .as_ref()
            .and_then(|(l, u)| Some((units::exact_time(u.get(column)?)?, *l)));
        below.or_else(|| Some((units::time_in(self.name(column))?, self.names_line?)))
    }

    /// Unit of the signal of a column, and the line that says so.
    pub(super) fn signal_unit(&self, column: usize) -> Option<(units::Signal, u64)> {
        let below = self
            .units
            .as_ref()
            .and_then(|(l, u)| Some((units::exact_signal(u.get(column)?)?, *l)));
        below.or_else(|| Some((units::signal_in(self.name(column))?, self.names_line?)))
    }

    /// Wavelength of a column, nm.
    pub(super) fn wavelength_nm(&self, column: usize) -> Option<f64> {
        let listed = self
            .wavelengths_nm
            .as_ref()
            .and_then(|w| w.get(column).copied());
        listed
            .filter(|w| w.is_finite())
            .or_else(|| wavelength_in(self.name(column)))
    }

    /// Whether the header surely belongs to a chromatogram: it names a time or units.
    pub(super) fn is_known(&self) -> bool {
        self.units.is_some() || self.wavelengths_nm.is_some() || is_known(&self.names)
    }
}

/// Whether a name of a time, or a unit, is among the names.
fn is_known(names: &[String]) -> bool {
    names
        .iter()
        .take(64)
        .any(|n| super::names::is_time_name(n) || units::signal_in(n).is_some())
}

/// The line before `at`, without its end mark; joined with those above it while a quote is open. Start, end, lines.
fn logical_before(bytes: &[u8], at: usize) -> Option<(usize, usize, u64)> {
    let (mut from, to) = line_before(bytes, at)?;
    let odd = |from: usize| {
        bytes
            .get(from..to)
            .is_some_and(|t| memchr::memchr_iter(b'"', t).count() % 2 == 1)
    };
    let (single, mut taken) = (from, 1);
    while odd(from) && taken < 8 {
        let Some((above, _)) = line_before(bytes, from) else {
            break;
        };
        from = above;
        taken += 1;
    }
    Some(if odd(from) {
        (single, to, 1)
    } else {
        (from, to, taken)
    })
}

/// The line before `at`: start and end; `None` at the start of the text or where it is too long.
fn line_before(bytes: &[u8], at: usize) -> Option<(usize, usize)> {
    let head = bytes.get(..at)?;
    let body = head
        .strip_suffix(b"\n")
        .map(|b| b.strip_suffix(b"\r").unwrap_or(b))
        .or_else(|| head.strip_suffix(b"\r"))?;
    let floor = body.len().saturating_sub(LONGEST);
    let window = body.get(floor..)?;
    match memchr::memrchr2(b'\n', b'\r', window) {
        Some(n) => Some((floor + n + 1, body.len())),
        None if floor == 0 => Some((0, body.len())),
        None => None,
    }
}

fn classify(line: &[u8], columns: usize, delimiter: Delimiter) -> Line {
    let statement = line.len() < 1000 && units::is_statement(&decode(line));
    let Some(cells) = split(line, columns, delimiter).filter(|_| !statement) else {
        return Line::Other;
    };
    let filled = cells.iter().filter(|c| !c.is_empty()).count();
    let time = cells.iter().position(|c| units::exact_time(c).is_some());
    let signal = cells.iter().position(|c| units::exact_signal(c).is_some());
    if (time.is_some() && signal.is_some())
        || (filled > 1 && cells.iter().all(|c| units::looks_like_unit(c)))
    {
        return Line::Units(cells);
    }
    if let Some(values) = wavelengths(&cells) {
        return Line::Wavelengths(cells, values);
    }
    let first_names_time = cells
        .first()
        .is_some_and(|c| c.is_empty() || super::names::is_time_name(c));
    let is_value = |c: &String| {
        c.starts_with(|d: char| d.is_ascii_digit() || matches!(d, '-' | '+' | '.'))
            && c.bytes().any(|b| b.is_ascii_digit())
    };
    let value = cells
        .iter()
        .any(|c| is_value(c) && !(first_names_time && wavelength_in(c).is_some()));
    if value || cells.iter().any(|c| clock::elapsed(c.as_bytes()).is_some()) {
        Line::Other
    } else {
        Line::Names(cells)
    }
}

/// Splits a header line in whichever way gives as many cells as the data have.
fn split(line: &[u8], columns: usize, delimiter: Delimiter) -> Option<Vec<String>> {
    let stripped = line.trim_ascii_start();
    let marks = stripped
        .iter()
        .take_while(|b| matches!(b, b'#' | b'%' | b'/' | b'!'))
        .count();
    let bare = stripped.get(marks..).unwrap_or_default();
    let bare = if marks == 0 && delimiter != Delimiter::Semicolon {
        bare.strip_prefix(b";").unwrap_or(bare)
    } else {
        bare
    };
    let marked = bare.len() < stripped.len() && stripped.first() == Some(&b';');
    for text in if marked { [bare, bare] } else { [line, bare] } {
        for mark in [
            delimiter,
            Delimiter::Tab,
            Delimiter::Semicolon,
            Delimiter::Comma,
        ] {
            let count = cells(text, mark).count_left();
            let trailing = count.saturating_sub(columns);
            if mark != Delimiter::Space
                && (count == columns
                    || (trailing == 1 && text.trim_ascii_end().last() == Some(&mark.byte())))
            {
                return Some(cells(text, mark).take(columns).map(name).collect());
            }
        }
        if delimiter == Delimiter::Space || cells(text, delimiter).count_left() == 1 {
            let found = blank_separated(&decode(text), columns);
            if let Some(found) = found {
                return Some(found.iter().map(|n| name(n.as_bytes())).collect());
            }
        }
    }
    nearly(bare, columns, delimiter)
}

/// A header one column longer or shorter than the data, or one that surely names a time first.
fn nearly(line: &[u8], columns: usize, delimiter: Delimiter) -> Option<Vec<String>> {
    let count = cells(line, delimiter).count_left();
    if delimiter == Delimiter::Space || !(2..=columns + 64).contains(&count) {
        return None;
    }
    let names: Vec<String> = cells(line, delimiter).map(name).collect();
    let sure = names.first().is_some_and(|n| super::names::is_time_name(n));
    (sure || count.abs_diff(columns) == 1).then_some(names)
}

/// Splits at blanks: at wide gaps, else at every blank with a unit in brackets kept to its name.
fn blank_separated(line: &str, columns: usize) -> Option<Vec<String>> {
    let wide: Vec<String> = line
        .split("  ")
        .flat_map(|p| p.split('\t'))
        .map(|p| p.trim().to_owned())
        .filter(|p| !p.is_empty())
        .collect();
    if wide.len() == columns {
        return Some(wide);
    }
    let plain: Vec<String> = line.split_whitespace().map(str::to_owned).collect();
    if plain.len() == columns {
        return Some(plain);
    }
    let mut joined: Vec<String> = Vec::new();
    for word in &plain {
        match joined.last_mut() {
            Some(last)
                if word.starts_with(['(', '['])
                    || last.matches(['(', '[']).count() > last.matches([')', ']']).count() =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => joined.push(word.clone()),
        }
    }
    (joined.len() == columns).then_some(joined)
}

/// A cell as a name: decoded, without quotes and comment mark, on one line.
fn name(cell: &[u8]) -> String {
    let text = decode(number::clean(cell))
        .replace(['\r', '\n'], " ")
        .replace("\"\"", "\"");
    text.trim()
        .trim_start_matches(['\u{feff}', '#', '%'])
        .trim()
        .to_owned()
}

/// All cells behind the first as wavelengths, nm: at least two, all in range, rising or falling.
pub(super) fn wavelengths(cells: &[String]) -> Option<Vec<f64>> {
    let mut values = vec![f64::NAN];
    for cell in cells.get(1..)? {
        let digits = cell.trim().trim_end_matches("nm").trim().replace(',', ".");
        match number::cell(digits.as_bytes(), b'.') {
            Number::Finite(w) if WAVELENGTHS_NM.contains(&w) => values.push(w),
            _ => return None,
        }
    }
    let listed = values.get(1..)?;
    let rising = listed.windows(2).all(|w| w[0] < w[1]);
    let falling = listed.windows(2).all(|w| w[0] > w[1]);
    (listed.len() >= 2 && (rising || falling)).then_some(values)
}

/// The cells of a row of data as wavelengths: a matrix whose header is all numbers.
pub(super) fn wavelength_row(line: &[u8], delimiter: Delimiter) -> bool {
    let head: Vec<String> = cells(line, delimiter).map(name).collect();
    wavelengths(&head).is_some()
}

/// The first number in a name that can be a wavelength, nm; one followed by `nm` before all others.
pub(super) fn wavelength_in(name: &str) -> Option<f64> {
    let mut first = None;
    let mut rest = name;
    while let Some(from) = rest.find(|c: char| c.is_ascii_digit()) {
        let tail = rest.get(from..)?;
        let whole = tail
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(tail.len());
        let fraction = tail
            .get(whole..)?
            .strip_prefix(['.', ','])
            .map_or(0, |f| f.bytes().take_while(u8::is_ascii_digit).count());
        // `210,4` may be a wavelength and a bandwidth: one digit more or less changes no choice.
        let length = if (1..=2).contains(&fraction) {
            whole + 1 + fraction
        } else {
            whole
        };
        let value = tail
            .get(..length)?
            .replace(',', ".")
            .parse::<f64>()
            .ok()
            .filter(|w| WAVELENGTHS_NM.contains(w));
        rest = tail.get(length..)?;
        if value.is_some() && rest.trim_start().starts_with("nm") {
            return value;
        }
        first = first.or(value);
    }
    first
}

#[cfg(test)]
mod tests {
    use super::*;

    fn above(text: &str, columns: usize, delimiter: Delimiter) -> Header {
        let lines = u64::try_from(text.matches('\n').count() + 1).unwrap();
        Header::above(text.as_bytes(), text.len(), lines, columns, delimiter)
    }

    #[test]
    fn names_and_units_are_found_with_their_lines() {
        let h = above("Vial;12\nTime;UV\nmin;mAU\n", 2, Delimiter::Semicolon);
        assert_eq!((h.names_line, h.name(1)), (Some(2), "UV"));
        assert_eq!(
            h.time_unit(0).map(|(t, l)| (t.factor_s, l)),
            Some((60.0, 3))
        );
        let h = above("# Time (min)   Signal (mAU)\n", 2, Delimiter::Space);
        assert_eq!(h.names, ["Time (min)", "Signal (mAU)"]);
        let h = above("\"Time\n[min]\",\"Signal\n[mAU]\"\n", 2, Delimiter::Comma);
        assert_eq!(h.names, ["Time [min]", "Signal [mAU]"]);
    }

    #[test]
    fn values_are_no_names() {
        assert_eq!(
            above("Sampling rate;8\n", 2, Delimiter::Semicolon),
            Header::default()
        );
        assert_eq!(
            above("Run time;22 min\n", 2, Delimiter::Semicolon),
            Header::default()
        );
    }

    #[test]
    fn wavelengths_are_found() {
        assert_eq!(
            above("Time;190;191,5;193\n", 4, Delimiter::Semicolon).wavelength_nm(2),
            Some(191.5)
        );
        for (name, nm) in [
            ("UV 210 nm", 210.0),
            ("A254", 254.0),
            ("Ch 360 ref, 280 nm", 280.0),
            ("210.5", 210.5),
        ] {
            assert_eq!(wavelength_in(name), Some(nm), "{name}");
        }
        assert_eq!(wavelength_in("Signal 1"), None);
    }
}
