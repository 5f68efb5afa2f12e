//! Numbers in text: a fast way for the common form, a careful one for every other.

/// 10⁰ … 10¹⁵ as exact floats: the divisors of the fast way.
const POWERS: [f64; 16] = [
    1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
];
/// A cell longer than this is no number, bytes.
const LONGEST: usize = 400;

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Number {
    /// A finite number.
    Finite(f64),
    /// `nan`, `inf`, or a number too large for a float.
    NotFinite,
    /// Text, or nothing.
    None,
}

/// More digits than this in a mantissa may not be exact in a float.
const DIGITS: usize = 15;

/// Digits at the start of `bytes`, appended to `mantissa`; how many there are.
///
/// Byte by byte: files write their numbers with a fixed count of decimals, so the branches are foretold, and nothing
/// has to wait for the place where a number ends.
#[inline(always)]
fn digits(bytes: &[u8], mantissa: &mut i64) -> usize {
    let mut n = 0;
    for byte in bytes {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        *mantissa = mantissa.wrapping_mul(10).wrapping_add(i64::from(digit));
        n += 1;
    }
    n
}

/// Digits behind the mark: three, four or six of them, as most files have, are taken at once. Each count is a branch of
/// its own, so that what follows need not wait for the count.
#[inline(always)]
fn decimals(bytes: &[u8], mantissa: &mut i64) -> usize {
    let Some((head, _)) = bytes.split_first_chunk::<8>() else {
        return digits(bytes, mantissa);
    };
    let x = u64::from_le_bytes(*head) ^ 0x3030_3030_3030_3030;
    // The lowest byte that is no digit gets its high bit set; what is above it does not matter.
    let other = (x.wrapping_add(0x7676_7676_7676_7676) | x) & 0x8080_8080_8080_8080;
    let (count, scale, value) = match other & other.wrapping_neg() {
        0x0080_0000_0000_0000 => (6, 1_000_000, eight_digits(x << 16)),
        0x0000_0080_0000_0000 => (4, 10_000, eight_digits(x << 32)),
        0x0000_0000_8000_0000 => (3, 1_000, eight_digits(x << 40)),
        _ => return digits(bytes, mantissa),
    };
    *mantissa = mantissa.wrapping_mul(scale).wrapping_add(value);
    count
}

/// The number that eight bytes of value 0 to 9 spell, the first in the lowest byte: pairs, then fours, then all.
#[inline(always)]
fn eight_digits(x: u64) -> i64 {
    let pairs = x.wrapping_mul(10).wrapping_add(x >> 8);
    let low = (pairs & 0x0000_00FF_0000_00FF).wrapping_mul(0x000F_4240_0000_0064);
    let high = ((pairs >> 16) & 0x0000_00FF_0000_00FF).wrapping_mul(0x0000_2710_0000_0001);
    (low.wrapping_add(high) >> 32) as i64
}

/// A plain decimal number at the start of `bytes`, and what follows it. `None` where the careful way is needed: no
/// digit, or more than a float holds exactly. The caller looks at what follows: it may be an exponent.
///
/// Mantissa and power of ten are exact in a float, so the one division rounds correctly (IEEE 754).
#[inline(always)]
pub(super) fn plain(bytes: &[u8], decimal: u8) -> Option<(f64, &[u8])> {
    let (negative, body) = match bytes {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, bytes),
    };
    let mut mantissa = 0;
    let whole = digits(body, &mut mantissa);
    let rest = body.get(whole..)?;
    let (fraction, rest) = match rest.split_first() {
        Some((mark, rest)) if *mark == decimal => {
            let n = decimals(rest, &mut mantissa);
            (n, rest.get(n..)?)
        }
        _ => (0, rest),
    };
    if whole + fraction == 0 || whole + fraction > DIGITS {
        return None;
    }
    let value = mantissa as f64 / POWERS.get(fraction)?;
    Some((if negative { -value } else { value }, rest))
}

/// Blanks and one pair of quotes taken off.
pub(crate) fn clean(cell: &[u8]) -> &[u8] {
    let cell = cell.trim_ascii();
    match cell {
        [b'"', inner @ .., b'"'] | [b'\'', inner @ .., b'\''] => inner.trim_ascii(),
        _ => cell,
    }
}

/// Reads a whole cell, whatever its form: blanks, quotes, `+5`, `.5`, `5.`, `1.5E-03`, `1,5D+02`, a typographic minus.
pub(crate) fn cell(cell: &[u8], decimal: u8) -> Number {
    let cell = clean(cell);
    if cell.is_empty() || cell.len() > LONGEST {
        return Number::None;
    }
    let (negative, body) = match cell {
        [b'-', rest @ ..] | [0xE2, 0x88, 0x92, rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, cell),
    };
    if !matches!(body.first(), Some(b'0'..=b'9' | b'.' | b',')) {
        return if is_special(body) {
            Number::NotFinite
        } else {
            Number::None
        };
    }
    let mut buffer = [0_u8; LONGEST];
    let Some(text) = normal_form(body, decimal, &mut buffer) else {
        return Number::None;
    };
    match fast_float2::parse::<f64, _>(text) {
        Ok(value) if value.is_finite() => Number::Finite(if negative { -value } else { value }),
        Ok(_) => Number::NotFinite,
        Err(_) => Number::None,
    }
}

/// Copies an unsigned number with `.` as its mark and `e` before its exponent; `None` where a byte fits no number.
fn normal_form<'b>(body: &[u8], decimal: u8, buffer: &'b mut [u8; LONGEST]) -> Option<&'b [u8]> {
    let grouping = grouping(body, decimal);
    let mut length = 0;
    for &byte in body {
        let out = match byte {
            b'0'..=b'9' | b'+' | b'-' => byte,
            b'e' | b'E' | b'd' | b'D' => b'e',
            mark if mark == decimal => b'.',
            mark if Some(mark) == grouping => continue,
            _ => return None,
        };
        *buffer.get_mut(length)? = out;
        length += 1;
    }
    buffer.get(..length)
}

/// The mark between groups of three digits, as in `1,234.5`, where there is no doubt: a decimal mark follows them.
fn grouping(body: &[u8], decimal: u8) -> Option<u8> {
    let end = body.iter().position(|b| *b == decimal)?;
    let whole = body.get(..end)?;
    let mark = *whole.iter().find(|b| !b.is_ascii_digit())?;
    let mut groups = whole.split(|b| *b == mark);
    let first = groups.next()?.len();
    let fits = matches!(mark, b'.' | b',' | b'\'')
        && (1..=3).contains(&first)
        && groups.all(|g| g.len() == 3);
    fits.then_some(mark)
}

/// The words for what is no finite number.
fn is_special(body: &[u8]) -> bool {
    ["nan", "inf", "infinity", "1.#inf", "1.#qnan", "1.#ind"]
        .iter()
        .any(|word| body.eq_ignore_ascii_case(word.as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Value and length of the number at the start, with more of the file behind it.
    fn plain_of(text: &str, decimal: u8) -> Option<(f64, usize)> {
        let more = format!("{text}\n123456789");
        plain(more.as_bytes(), decimal).map(|(v, rest)| (v, more.len() - rest.len()))
    }

    #[test]
    fn unusual_forms_are_read() {
        for (text, decimal, value) in [
            ("1.5E-03", b'.', 1.5e-3),
            ("1,5E-3", b',', 1.5e-3),
            ("1.5D+02", b'.', 150.0),
            ("-.5", b'.', -0.5),
            ("5.", b'.', 5.0),
            (" +7 ", b'.', 7.0),
            ("\"0,10\"", b',', 0.1),
            ("\u{2212}3.25", b'.', -3.25),
            ("1,234.5", b'.', 1234.5),
            ("-1.234.567,25", b',', -1_234_567.25),
        ] {
            assert_eq!(
                cell(text.as_bytes(), decimal),
                Number::Finite(value),
                "{text}"
            );
        }
    }

    #[test]
    fn what_is_no_finite_number_is_told_from_what_is_none() {
        for text in ["nan", "NaN", "-inf", "Infinity", "1e400", "-1E999"] {
            assert_eq!(cell(text.as_bytes(), b'.'), Number::NotFinite, "{text}");
        }
        for text in [
            "",
            "-",
            "e",
            "1e",
            "1.2.3",
            "abc",
            "0x10",
            "1,5",
            "--1",
            "1 2",
            ".",
            "1,23.5",
            "1234,567.5",
        ] {
            assert_eq!(cell(text.as_bytes(), b'.'), Number::None, "{text}");
        }
        assert_eq!(cell(&[b'1'; 1000], b'.'), Number::None);
    }

    proptest! {
        #[test]
        fn numbers_are_bit_identical_to_the_standard_library(value in any::<f64>(), decimals in 0_usize..20, small in -1e7_f64..1e7) {
            for text in [format!("{small:.decimals$}"), format!("{value:e}"), format!("{small}")] {
                let expected: f64 = text.parse().unwrap();
                if expected.is_finite() {
                    let Number::Finite(careful) = cell(text.as_bytes(), b'.') else { panic!("{text}") };
                    prop_assert_eq!(careful.to_bits(), expected.to_bits(), "{}", text);
                    if let Some((fast, end)) = plain_of(&text, b'.') && end == text.len() {
                        prop_assert_eq!(fast.to_bits(), expected.to_bits(), "{}", text);
                    }
                }
            }
        }

        #[test]
        fn the_fast_way_reads_the_common_form(a in 0_u32..9_999_999, b in 0_u32..9_999_999, width in 1_usize..8, negative: bool) {
            let text = format!("{}{a}.{:0width$}", if negative { "-" } else { "" }, b % 10_u32.pow(width as u32));
            let expected: f64 = text.parse().unwrap();
            let (value, end) = plain_of(&text, b'.').unwrap();
            prop_assert_eq!(end, text.len());
            prop_assert_eq!(value.to_bits(), expected.to_bits());
        }
    }
}
