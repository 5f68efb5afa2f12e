//! Cells of the CSV outputs, appended to one growing text without a value of their own.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::text::{cell, csv_field};

/// End of a line. RFC 4180 asks for CR LF; every reader takes LF as well, and a log viewer or a line tool only that.
pub const END: char = '\n';

/// Longest scientific form of a double with 17 digits, and some room.
const NUMBER_BYTES: usize = 40;

/// Text from outside: guarded against being taken for a formula, quoted where needed.
pub fn text(out: &mut String, value: &str) {
    csv_field(out, &cell(value));
}

/// A time: RFC 3339 with the zone's offset at that time, to the millisecond (what is finer is cut off).
pub fn time(out: &mut String, at: Timestamp, zone: &TimeZone) {
    let _ = write!(out, "{:.3}", at.display_with_offset(zone.to_offset(at)));
}

/// A number with so many decimals; nothing where there is none or it is not finite.
pub fn fixed(out: &mut String, value: Option<f64>, decimals: usize) {
    let Some(value) = value.filter(|v| v.is_finite()) else {
        return;
    };
    let start = out.len();
    let _ = write!(out, "{value:.decimals$}");
    let nothing = out
        .as_bytes()
        .iter()
        .skip(start)
        .all(|b| matches!(b, b'-' | b'0' | b'.'));
    if nothing && out.as_bytes().get(start) == Some(&b'-') {
        out.remove(start);
    }
}

/// A number as it was given: the shortest decimals that read back as the same number.
pub fn plain(out: &mut String, value: Option<f64>) {
    let Some(value) = value.filter(|v| v.is_finite()) else {
        return;
    };
    let _ = if value != 0.0 && !(1e-9..1e15).contains(&value.abs()) {
        write!(out, "{value:e}")
    } else {
        write!(out, "{value}")
    };
}

/// A number with so many significant digits, written as [`crate::text::significant`] does, without its allocations.
pub fn significant(out: &mut String, value: Option<f64>, digits: usize) {
    let Some(value) = value.filter(|v| v.is_finite()) else {
        return;
    };
    if value == 0.0 {
        out.push('0');
        return;
    }
    let mut buffer = Number {
        bytes: [0; NUMBER_BYTES],
        length: 0,
    };
    let _ = write!(buffer, "{:.*e}", digits.clamp(1, 17) - 1, value);
    let Some((mantissa, exponent)) = buffer
        .text()
        .split_once('e')
        .and_then(|(m, e)| Some((m, e.parse::<i32>().ok()?)))
    else {
        return;
    };
    if !(-6..15).contains(&exponent) {
        out.push_str(buffer.text());
        return;
    }
    let mantissa = match mantissa.strip_prefix('-') {
        Some(rest) => {
            out.push('-');
            rest
        }
        None => mantissa,
    };
    positional(out, mantissa, exponent);
}

/// Digits of a mantissa (`1.2345`) set out by its exponent, zeros at the end cut.
fn positional(out: &mut String, mantissa: &str, exponent: i32) {
    let kept = mantissa.trim_end_matches('0').trim_end_matches('.');
    if exponent < 0 {
        out.push_str("0.");
        (1..-exponent).for_each(|_| out.push('0'));
        out.extend(kept.chars().filter(|c| *c != '.'));
        return;
    }
    let whole = usize::try_from(exponent).unwrap_or(0) + 1;
    let mut written = 0;
    for c in kept.chars().filter(|c| *c != '.') {
        if written == whole {
            out.push('.');
        }
        out.push(c);
        written += 1;
    }
    (written..whole).for_each(|_| out.push('0'));
}

/// A number's text on the stack.
struct Number {
    bytes: [u8; NUMBER_BYTES],
    length: usize,
}

impl Number {
    fn text(&self) -> &str {
        self.bytes
            .get(..self.length)
            .and_then(|b| std::str::from_utf8(b).ok())
            .unwrap_or_default()
    }
}

impl std::fmt::Write for Number {
    fn write_str(&mut self, s: &str) -> std::fmt::Result {
        let end = self.length + s.len();
        self.bytes
            .get_mut(self.length..end)
            .ok_or(std::fmt::Error)?
            .copy_from_slice(s.as_bytes());
        self.length = end;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn made(write: impl Fn(&mut String)) -> String {
        let mut out = String::new();
        write(&mut out);
        out
    }

    #[test]
    fn numbers_keep_their_digits() {
        for (value, expected) in [
            (0.0, "0"),
            (123_456.7, "123457"),
            (1_234_567.0, "1234570"),
            (0.000_123_456_78, "0.000123457"),
            (9.999_996, "10"),
            (-5.0, "-5"),
            (1e20, "1.00000e20"),
        ] {
            assert_eq!(made(|o| significant(o, Some(value), 6)), expected);
        }
        assert_eq!(made(|o| significant(o, None, 6)), "");
        assert_eq!(made(|o| significant(o, Some(f64::NAN), 6)), "");
        assert_eq!(made(|o| fixed(o, Some(-0.001), 2)), "0.00");
        assert_eq!(made(|o| fixed(o, Some(-0.5), 1)), "-0.5");
        assert_eq!(made(|o| plain(o, Some(48.0))), "48");
        assert_eq!(made(|o| plain(o, Some(0.1 + 0.2))), "0.30000000000000004");
        assert_eq!(made(|o| plain(o, Some(1e300))), "1e300");
    }

    #[test]
    fn a_time_has_its_offset() {
        let at = Timestamp::from_millisecond(1_790_000_000_123).unwrap();
        let zone = TimeZone::fixed(jiff::tz::Offset::from_hours(2).unwrap());
        assert_eq!(
            made(|o| time(o, at, &zone)),
            "2026-09-21T16:13:20.123+02:00"
        );
        assert_eq!(
            made(|o| time(o, at, &TimeZone::UTC)),
            "2026-09-21T14:13:20.123+00:00"
        );
    }

    proptest! {
        #[test]
        fn both_writers_of_significant_digits_agree(value in proptest::num::f64::ANY, digits in 1..12_usize) {
            prop_assert_eq!(made(|o| significant(o, Some(value), digits)), crate::text::significant(value, digits));
        }

        #[test]
        fn ordinary_sizes_agree_too(value in -1e7..1e7_f64, digits in 1..12_usize) {
            prop_assert_eq!(made(|o| significant(o, Some(value), digits)), crate::text::significant(value, digits));
            prop_assert_eq!(made(|o| fixed(o, Some(value), digits)), crate::text::fixed(value, digits));
        }
    }
}
