//! Times written as clock readings or as dates with one.

use super::number::clean;

/// Seconds of a day.
const DAY_S: f64 = 86_400.0;

/// A date as it is written, and the time of day, s. Which part is the day may be open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stamp {
    first: u32,
    second: u32,
    year: u32,
    iso: bool,
    second_of_day: f64,
}

/// `hh:mm:ss`, `mm:ss`, each with a fraction after `.` or `,`; seconds.
/// With `AM` or `PM` it is a time of day.
pub(crate) fn elapsed(cell: &[u8]) -> Option<f64> {
    let cell = clean(cell);
    if cell.len() > 24 {
        return None;
    }
    if cell.last().is_some_and(|b| b.eq_ignore_ascii_case(&b'm')) {
        time_of_day(cell)
    } else {
        colons(cell)
    }
}

/// Two or three parts between colons.
fn colons(cell: &[u8]) -> Option<f64> {
    let mut parts = cell.split(|b| *b == b':');
    let (a, b, c) = (parts.next()?, parts.next()?, parts.next());
    if parts.next().is_some() {
        return None;
    }
    match c {
        Some(c) => Some(f64::from(whole(a)?) * 3600.0 + sixty(b)? * 60.0 + seconds(c)?),
        None => Some(f64::from(whole(a)?) * 60.0 + seconds(b)?),
    }
}

/// One to six digits.
fn whole(part: &[u8]) -> Option<u32> {
    if part.is_empty() || part.len() > 6 || !part.iter().all(u8::is_ascii_digit) {
        return None;
    }
    Some(part.iter().fold(0, |n, b| n * 10 + u32::from(b - b'0')))
}

fn sixty(part: &[u8]) -> Option<f64> {
    whole(part).filter(|n| *n < 60).map(f64::from)
}

/// Seconds below 60 (61 with a leap second) with a fraction.
fn seconds(part: &[u8]) -> Option<f64> {
    let mut halves = part.splitn(2, |b| matches!(b, b'.' | b','));
    let count = whole(halves.next()?).filter(|n| *n < 61)?;
    let Some(fraction) = halves.next() else {
        return Some(f64::from(count));
    };
    if fraction.len() > 9 || !fraction.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let mut text = format!("{count}.").into_bytes();
    text.extend_from_slice(fraction);
    fast_float2::parse(&text).ok()
}

/// A date with a time of day: `2026-05-04T22:10:03.5Z`, `04/05/2026 22:10:03`, `5/4/26 10:10:03 PM`.
pub(crate) fn stamp(cell: &[u8]) -> Option<Stamp> {
    let cell = clean(cell);
    if cell.len() > 40 {
        return None;
    }
    let cut = cell.iter().position(|b| matches!(b, b'T' | b't' | b' '))?;
    let (date, rest) = cell.split_at(cut);
    let (first, second, year, iso) = date_parts(date)?;
    let second_of_day = time_of_day(rest.get(1..)?.trim_ascii())?;
    Some(Stamp {
        first,
        second,
        year,
        iso,
        second_of_day,
    })
}

/// Whether the cell is a date alone: then a clock beside it shows the time of day.
pub(crate) fn is_date(cell: &[u8]) -> bool {
    let cell = clean(cell);
    cell.len() <= 10 && date_parts(cell).is_some()
}

/// The two parts that are day and month, the year, and whether it comes first.
fn date_parts(date: &[u8]) -> Option<(u32, u32, u32, bool)> {
    let mark = *date.iter().find(|b| matches!(b, b'-' | b'/' | b'.'))?;
    let mut parts = date.split(|b| *b == mark);
    let texts = [parts.next()?, parts.next()?, parts.next()?];
    if parts.next().is_some() {
        return None;
    }
    let [a, b, c] = [whole(texts[0])?, whole(texts[1])?, whole(texts[2])?];
    let (first, second, year, iso) = if texts[0].len() == 4 {
        (c, b, a, true)
    } else {
        (a, b, c, false)
    };
    let year = if year < 100 { 2000 + year } else { year };
    let fits =
        (1..=31).contains(&first) && (1..=31).contains(&second) && (first <= 12 || second <= 12);
    (fits && (1900..=2200).contains(&year)).then_some((first, second, year, iso))
}

/// Time of day, s; a zone behind it is left out, since all rows of a file share it.
fn time_of_day(text: &[u8]) -> Option<f64> {
    let upper = text.to_ascii_uppercase();
    let (body, noon) = match upper.as_slice() {
        [body @ .., b'P', b'M'] => (body, Some(12.0)),
        [body @ .., b'A', b'M'] => (body, Some(0.0)),
        [body @ .., b'Z'] => (body, None),
        body => (body, None),
    };
    let zone = body
        .iter()
        .position(|b| matches!(b, b'+' | b'-'))
        .unwrap_or(body.len());
    let body = body.get(..zone)?.trim_ascii();
    let minutes_only = body.iter().filter(|b| **b == b':').count() == 1;
    let s = if minutes_only {
        colons(body)? * 60.0
    } else {
        colons(body)?
    };
    let s = match noon {
        Some(add) => s % (DAY_S / 2.0) + add * 3600.0,
        None => s,
    };
    (s <= DAY_S).then_some(s)
}

/// Days since a fixed day long ago (Gregorian calendar; leap years by its rule).
fn day_number(year: u32, month: u32, day: u32) -> f64 {
    const BEFORE: [u32; 12] = [0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334];
    let leap = year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let past = year.saturating_sub(1);
    let leaps = past / 4 - past / 100 + past / 400;
    let month_days = BEFORE
        .get(month.saturating_sub(1) as usize)
        .copied()
        .unwrap_or(0);
    f64::from(past) * 365.0
        + f64::from(leaps + month_days + day)
        + f64::from(u32::from(leap && month > 2))
}

impl Stamp {
    /// Year, month, day and seconds of the day; where the year does not come first, `day_first` says which part the day
    /// is. `None` where there is no such day.
    pub(crate) fn civil(&self, day_first: bool) -> Option<(u32, u32, u32, f64)> {
        let (month, day) = if self.iso || day_first {
            (self.second, self.first)
        } else {
            (self.first, self.second)
        };
        let fits = (1..=12).contains(&month) && (1..=31).contains(&day);
        fits.then_some((self.year, month, day, self.second_of_day))
    }

    /// Seconds since `base`. Where day and month cannot be told, the part that changed is the day.
    pub(super) fn since(&self, base: &Stamp) -> f64 {
        let same = (self.first, self.second, self.year) == (base.first, base.second, base.year);
        let within = self.second_of_day - base.second_of_day;
        if same {
            return within;
        }
        let month_first = !self.iso
            && (self.second > 12
                || base.second > 12
                || (self.first == base.first && self.first <= 12 && self.second != base.second));
        let day = |s: &Stamp| {
            if month_first {
                day_number(s.year, s.first, s.second)
            } else {
                day_number(s.year, s.second, s.first)
            }
        };
        (day(self) - day(base)) * DAY_S + within
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn elapsed_times_are_read() {
        for (text, s) in [
            ("00:12:26", 746.0),
            ("12:26.5", 746.5),
            ("1:00:00,250", 3600.25),
            ("0:01", 1.0),
            ("10:00:05 PM", 79_205.0),
        ] {
            assert_eq!(elapsed(text.as_bytes()), Some(s), "{text}");
        }
        for text in ["12", "1:2:3:4", "a:b", "0:75", ":", "00:00:"] {
            assert_eq!(elapsed(text.as_bytes()), None, "{text}");
        }
    }

    #[test]
    fn dates_count_from_the_first_across_midnight() {
        for (a, b, s) in [
            ("2026-05-04T23:59:59Z", "2026-05-05T00:00:01Z", 2.0),
            ("04/05/2026 23:59:59", "05/05/2026 00:00:01", 2.0),
            ("05/04/2026 23:59:59", "05/05/2026 00:00:01", 2.0),
            ("2/28/2024 11:59:59 PM", "2/29/2024 12:00:01 AM", 2.0),
            ("31.12.2025 23:59:59,5", "01.01.2026 00:00:00,5", 1.0),
            (
                "2026-05-04 10:00:00.25+02:00",
                "2026-05-04 10:00:01.50+02:00",
                1.25,
            ),
        ] {
            let (a, b) = (stamp(a.as_bytes()).unwrap(), stamp(b.as_bytes()).unwrap());
            assert_eq!(b.since(&a), s, "{a:?}");
        }
        assert_eq!(stamp(b"99/99/2026 10:00:00"), None);
        assert!(is_date(b"2026-05-04") && !is_date(b"12.5"));
    }
}
