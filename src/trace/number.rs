//! Numbers in text: a fast way for the common form, a careful one for every other.

/// 10⁰ … 10⁷ as exact floats: the divisors of the fast way.
const POWERS: [f64; 8] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7];
/// The same as integers.
const POWERS_INT: [u64; 8] = [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000];
/// A cell longer than this is no number, bytes.
const LONGEST: usize = 400;

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Number {
    /// A finite number.
    Finite(f64),
    /// `nan`, `inf`, or a number too large for a float.
    NotFinite,
    /// Text, or nothing.
    None,
}

/// Up to seven digits at the start of eight bytes: their value and how many; `None`: eight or more.
#[inline(always)]
fn digits(chunk: u64) -> Option<(u64, usize)> {
    let x = chunk ^ 0x3030_3030_3030_3030;
    // The lowest byte that is no digit gets its high bit set; bytes above it may be wrong and do not matter.
    let other = (x.wrapping_add(0x7676_7676_7676_7676) | x) & 0x8080_8080_8080_8080;
    if other == 0 {
        return None;
    }
    let n = other.trailing_zeros() / 8;
    // Digits to the upper end, zeros before them; in two steps, for a shift by 64 is none.
    let x = (x << (56 - 8 * n)) << 8;
    let pairs = x.wrapping_mul(10).wrapping_add(x >> 8);
    let low = (pairs & 0x0000_00FF_0000_00FF).wrapping_mul(0x000F_4240_0000_0064);
    let high = ((pairs >> 16) & 0x0000_00FF_0000_00FF).wrapping_mul(0x0000_2710_0000_0001);
    Some((low.wrapping_add(high) >> 32, n as usize))
}

/// Eight bytes from `at`, where there are so many.
#[inline(always)]
fn chunk(bytes: &[u8], at: usize) -> Option<u64> {
    let (head, _) = bytes.get(at..)?.split_first_chunk::<8>()?;
    Some(u64::from_le_bytes(*head))
}

/// A plain decimal number at `at`, and where it ends. `None` where the careful way is needed: an exponent, eight
/// or more digits before or after the mark, the last bytes of a file. The caller looks at what follows.
///
/// Mantissa and power of ten are exact in a float, so the one division rounds correctly (IEEE 754).
#[inline(always)]
pub(super) fn plain(bytes: &[u8], at: usize, decimal: u8) -> Option<(f64, usize)> {
    let first = *bytes.get(at)?;
    let negative = first == b'-';
    let mut at = at + usize::from(negative || first == b'+');
    let (whole, n) = digits(chunk(bytes, at)?)?;
    at += n;
    if *bytes.get(at)? != decimal {
        let value = whole as f64;
        return (n > 0).then_some((if negative { -value } else { value }, at));
    }
    let (fraction, m) = digits(chunk(bytes, at + 1)?)?;
    if n + m == 0 {
        return None;
    }
    let mantissa = whole.wrapping_mul(POWERS_INT[m & 7]).wrapping_add(fraction);
    let value = mantissa as f64 / POWERS[m & 7];
    Some((if negative { -value } else { value }, at + 1 + m))
}

/// Blanks and one pair of quotes taken off.
pub(super) fn clean(cell: &[u8]) -> &[u8] {
    let cell = cell.trim_ascii();
    match cell {
        [b'"', inner @ .., b'"'] | [b'\'', inner @ .., b'\''] => inner.trim_ascii(),
        _ => cell,
    }
}

/// Reads a whole cell, whatever its form: blanks, quotes, `+5`, `.5`, `5.`, `1.5E-03`, `1,5D+02`, a typographic minus.
pub(super) fn cell(cell: &[u8], decimal: u8) -> Number {
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
        return if is_special(body) { Number::NotFinite } else { Number::None };
    }
    let mut buffer = [0_u8; LONGEST];
    let Some(text) = normal_form(body, decimal, &mut buffer) else { return Number::None };
    match fast_float2::parse::<f64, _>(text) {
        Ok(value) if value.is_finite() => Number::Finite(if negative { -value } else { value }),
        Ok(_) => Number::NotFinite,
        Err(_) => Number::None,
    }
}

/// Copies an unsigned number with `.` as its mark and `e` before its exponent; `None` where a byte fits no number.
fn normal_form<'b>(body: &[u8], decimal: u8, buffer: &'b mut [u8; LONGEST]) -> Option<&'b [u8]> {
    for (out, &byte) in buffer.iter_mut().zip(body) {
        *out = match byte {
            b'0'..=b'9' | b'+' | b'-' => byte,
            b'e' | b'E' | b'd' | b'D' => b'e',
            mark if mark == decimal => b'.',
            _ => return None,
        };
    }
    buffer.get(..body.len())
}

/// The words for what is no finite number.
fn is_special(body: &[u8]) -> bool {
    ["nan", "inf", "infinity", "1.#inf", "1.#qnan", "1.#ind"].iter().any(|word| body.eq_ignore_ascii_case(word.as_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plain_of(text: &str, decimal: u8) -> Option<(f64, usize)> {
        let mut padded = text.as_bytes().to_vec();
        padded.extend_from_slice(b"\n         ");
        plain(&padded, 0, decimal)
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
        ] {
            assert_eq!(cell(text.as_bytes(), decimal), Number::Finite(value), "{text}");
        }
    }

    #[test]
    fn what_is_no_finite_number_is_told_from_what_is_none() {
        for text in ["nan", "NaN", "-inf", "Infinity", "1e400", "-1E999"] {
            assert_eq!(cell(text.as_bytes(), b'.'), Number::NotFinite, "{text}");
        }
        for text in ["", "-", "e", "1e", "1.2.3", "abc", "0x10", "1,5", "--1", "1 2", "."] {
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
