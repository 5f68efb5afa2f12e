//! Elementary functions from exactly rounded operations (`+ - × ÷`, rounding to whole numbers), so that a seed gives
//! the same bytes on every platform: the exponential, the sine, and the scaled complementary error function.

use std::f64::consts::{FRAC_1_SQRT_2, LN_2, PI};

/// `e^x`: range reduction by powers of two, then the Taylor series to the 13th power (|r| ≤ ln 2 / 2, remainder
/// below 5E-18). 0 below -700, infinite above 700.
pub(super) fn exp(x: f64) -> f64 {
    if x < -700.0 {
        return 0.0;
    }
    if x > 700.0 {
        return f64::INFINITY;
    }
    // ln 2 in two parts: the first has trailing zeros, so that its product with a small whole number is exact.
    const LN_2_HIGH: f64 = 6.931_471_803_691_238e-1;
    const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    let k = (x / LN_2).round();
    let r = (x - k * LN_2_HIGH) - k * LN_2_LOW;
    let mut sum = 1.0;
    for n in (1..=13).rev() {
        sum = 1.0 + sum * r / f64::from(n);
    }
    // |k| is at most 1010, so the exponent is that of an ordinary number.
    let exponent = (1023 + k as i64) as u64;
    sum * f64::from_bits(exponent << 52)
}

/// `sin x` for moderate `x` (some thousand turns at most): reduced by half turns, then the Taylor series to the 21st power.
pub(super) fn sin(x: f64) -> f64 {
    let half_turns = (x / PI).round();
    let r = x - half_turns * PI;
    let mut sum = 1.0;
    for n in (1..=10).rev() {
        let n = f64::from(n);
        sum = 1.0 - sum * r * r / ((2.0 * n) * (2.0 * n + 1.0));
    }
    let odd = half_turns % 2.0 != 0.0;
    if odd { -r * sum } else { r * sum }
}

/// `e^(x²) erfc(x)` for `x` ≥ 0; a negative `x` counts as 0.
///
/// Below 2 from the series erf x = 2/√π e^(-x²) Σ 2^n x^(2n+1)/(2n+1)!!, above from the continued fraction
/// (Abramowitz and Stegun 1964, 7.1.6 and 7.1.14).
pub(super) fn erfcx(x: f64) -> f64 {
    const TWO_OVER_SQRT_PI: f64 = std::f64::consts::FRAC_2_SQRT_PI;
    let x = x.max(0.0);
    if x < 2.0 {
        let mut term = x;
        let mut sum = x;
        for n in 1..60 {
            term *= 2.0 * x * x / f64::from(2 * n + 1);
            sum += term;
        }
        return exp(x * x) - TWO_OVER_SQRT_PI * sum;
    }
    let mut tail = x;
    for n in (1..=80).rev() {
        tail = x + 0.5 * f64::from(n) / tail;
    }
    0.5 * TWO_OVER_SQRT_PI / tail
}

/// Density of a Gaussian convolved with an exponential decay, 1/s, at `t_s` from the Gaussian's centre:
/// `1/(2τ) exp(-u²/2) erfcx((σ/τ - u)/√2)`, `u = t/σ`. The form does not overflow, however small τ is.
pub(super) fn emg_density(t_s: f64, sigma_s: f64, tau_s: f64) -> f64 {
    let u = t_s / sigma_s;
    let ratio = sigma_s / tau_s;
    let z = (ratio - u) * FRAC_1_SQRT_2;
    let gauss = exp(-0.5 * u * u);
    if z >= 0.0 {
        gauss * erfcx(z) / (2.0 * tau_s)
    } else {
        // erfc(z) = 2 - erfc(-z) behind the apex: the decay less a Gaussian's remainder.
        let decay = exp(0.5 * ratio * ratio - t_s / tau_s);
        (2.0 * decay - gauss * erfcx(-z)) / (2.0 * tau_s)
    }
}

/// Where that density has its maximum, s from the Gaussian's centre. Since τ f' + f is the Gaussian itself, f and the
/// Gaussian cross at the apex, which lies between the centre and the mean; found by bisection.
pub(super) fn emg_apex_s(sigma_s: f64, tau_s: f64) -> f64 {
    let rising = |t: f64| {
        let u = t / sigma_s;
        let gauss =
            exp(-0.5 * u * u) * (0.5 * std::f64::consts::FRAC_2_SQRT_PI * FRAC_1_SQRT_2) / sigma_s;
        gauss > emg_density(t, sigma_s, tau_s)
    };
    let (mut low, mut high) = (0.0, tau_s);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if rising(middle) {
            low = middle
        } else {
            high = middle
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() < relative,
            "{found} is not {expected}"
        );
    }

    #[test]
    fn the_exponential_and_the_sine_agree_with_the_platform() {
        for i in -690..690 {
            let x = f64::from(i) + 0.37;
            near(exp(x), x.exp(), 1e-14);
        }
        assert_eq!(exp(0.0), 1.0);
        assert_eq!(exp(-1000.0), 0.0);
        for i in -400..400 {
            let x = f64::from(i) * 0.173;
            assert!((sin(x) - x.sin()).abs() < 1e-12, "{x}");
        }
    }

    /// erfc(0.5), erfc(1), erfc(2), erfc(3): Abramowitz and Stegun, table 7.1 (from memory), times exp(x²).
    #[test]
    fn the_error_function_agrees_with_its_table() {
        assert_eq!(erfcx(0.0), 1.0);
        for (x, erfc) in [
            (0.5, 0.479_500_122_186_953_5),
            (1.0, 0.157_299_207_050_285_13),
            (2.0, 0.004_677_734_981_047_266),
            (3.0, 2.209_049_699_858_544e-5),
        ] {
            near(erfcx(x), f64::exp(x * x) * erfc, 1e-12);
        }
        near(erfcx(1e6), 5.641_895_835_474_7e-7, 1e-11);
        // The two ways meet where one takes over from the other.
        near(erfcx(2.0 - 1e-9), erfcx(2.0), 1e-8);
    }

    /// Points of a peak with centre 5, σ 0.1, τ 0.05, computed at 40 digits.
    #[test]
    fn the_peak_goes_through_its_check_values() {
        for (t, f) in [
            (4.6, 0.000_434_620_780_340_035),
            (4.9, 1.474_038_705_207_72),
            (5.0, 3.362_040_024_463_41),
            (5.05, 3.632_016_024_386_86),
        ] {
            near(emg_density(t - 5.0, 0.1, 0.05), f, 1e-11);
        }
    }

    /// Apex and height of the same peak (centre 5), computed at 40 digits.
    #[test]
    fn the_apex_agrees_with_its_check_value() {
        let apex = emg_apex_s(0.1, 0.05);
        near(5.0 + apex, 5.042_814_231_162_29, 1e-12);
        near(emg_density(apex, 0.1, 0.05), 3.640_036_249_629_45, 1e-12);
    }

    #[test]
    fn the_apex_is_where_the_peak_is_highest() {
        for (sigma, tau) in [(9.0, 3.8), (0.1, 0.05), (6.0, 30.0)] {
            let apex = emg_apex_s(sigma, tau);
            let top = emg_density(apex, sigma, tau);
            for step in [-0.01, 0.01] {
                assert!(
                    top > emg_density(apex + step * sigma, sigma, tau),
                    "{sigma} {tau}"
                );
            }
        }
    }

    #[test]
    fn a_nearly_gaussian_peak_does_not_overflow() {
        let f = emg_density(0.0, 10.0, 0.01);
        near(f, 1.0 / (10.0 * (2.0 * PI).sqrt()), 2e-3);
    }
}
