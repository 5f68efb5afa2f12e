//! The exponentially modified Gaussian: a Gaussian led through a first-order lag, the usual shape of a tailing peak.
//!
//! f = A/(2 tau) exp(-u²/2) erfcx(z), u = (t - mu)/sigma, z = (sigma/tau - u)/sqrt 2. The scaled erfcx keeps it finite
//! where the plain product exp() erfc() overflows. Source: E. Grushka, Anal. Chem. 44 (1972) 1733 (from memory);
//! values held against a table computed to 40 digits.

use crate::signal::same::Same;

/// Below this tau/sigma the slopes are those of a Gaussian of the same mean and variance: the exact ones cancel.
const NEARLY_GAUSSIAN: f64 = 0.01;

/// Value and slopes of a peak of area 1 at one time.
#[derive(Debug, Clone, Copy)]
pub struct Density {
    /// Value, 1/s.
    pub value: f64,
    /// Slope with mu, 1/s².
    pub by_mu: f64,
    /// Slope with sigma, 1/s².
    pub by_sigma: f64,
    /// Slope with tau, 1/s².
    pub by_tau: f64,
}

/// exp(x²) erfc(x) for x >= 0, to 13 digits: the product below 5, where nothing overflows and the rounding of x² costs two
/// digits at most; the continued fraction above.
///
/// Abramowitz and Stegun 7.1.14 (from memory).
pub fn erfcx(x: f64) -> f64 {
    if x < 5.0 {
        return (x * x).same_exp() * libm::erfc(x);
    }
    // The fraction needs the fewer terms the larger x is.
    let terms = if x < 12.0 { 20 } else { 8 };
    let mut tail = 0.0;
    for k in (1..=terms).rev() {
        tail = 0.5 * f64::from(k) / (x + tail);
    }
    1.0 / ((x + tail) * std::f64::consts::PI.sqrt())
}

/// erfc(x) for any x.
fn erfc(x: f64) -> f64 {
    let right = (-x * x).same_exp() * erfcx(x.abs());
    if x >= 0.0 { right } else { 2.0 - right }
}

fn gaussian(u: f64, sigma: f64) -> f64 {
    (-0.5 * u * u).same_exp() / (sigma * std::f64::consts::TAU.sqrt())
}

/// Value at `t` of a peak of area 1; all times in s. `sigma` above 0; `tau` 0: a Gaussian.
pub fn value(t: f64, mu: f64, sigma: f64, tau: f64) -> f64 {
    // The mean moves by tau: below this ratio all else is lost in the last digits.
    if tau <= 1e-6 * sigma {
        return gaussian((t - mu - tau.max(0.0)) / sigma, sigma);
    }
    let u = (t - mu) / sigma;
    let z = (sigma / tau - u) / std::f64::consts::SQRT_2;
    let bell = (-0.5 * u * u).same_exp();
    if z >= 0.0 {
        return if bell > 0.0 {
            bell * erfcx(z) / (2.0 * tau)
        } else {
            0.0
        };
    }
    let decay = (0.5 * (sigma / tau).powi(2) - (t - mu) / tau).same_exp();
    let front = if bell > 0.0 { bell * erfcx(-z) } else { 0.0 };
    (2.0 * decay - front) / (2.0 * tau)
}

/// Value and slopes at `t`.
///
/// From f + tau f' = g (the lag), df/d(sigma²/2) = f'' (the spreading) and the derivative of the exponent.
pub fn density(t: f64, mu: f64, sigma: f64, tau: f64) -> Density {
    if tau < NEARLY_GAUSSIAN * sigma {
        let tau = tau.max(0.0);
        let wide = (sigma * sigma + tau * tau).sqrt();
        let u = (t - mu - tau) / wide;
        let g = gaussian(u, wide);
        let by_wide = g * (u * u - 1.0) / wide;
        return Density {
            value: value(t, mu, sigma, tau),
            by_mu: g * u / wide,
            by_sigma: by_wide * sigma / wide,
            by_tau: g * u / wide + by_wide * tau / wide,
        };
    }
    let f = value(t, mu, sigma, tau);
    let u = (t - mu) / sigma;
    let g = gaussian(u, sigma);
    let ratio = (sigma / tau).powi(2);
    Density {
        value: f,
        by_mu: (f - g) / tau,
        by_sigma: (-u * g - sigma * (g - f) / tau) / tau,
        by_tau: (f * ((t - mu) / tau - 1.0 - ratio) + g * ratio) / tau,
    }
}

/// Part of the area before `t`.
pub fn before(t: f64, mu: f64, sigma: f64, tau: f64) -> f64 {
    let u = (t - mu) / sigma;
    let whole = 0.5 * erfc(-u / std::f64::consts::SQRT_2);
    (whole - tau.max(0.0) * value(t, mu, sigma, tau)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> Vec<Vec<f64>> {
        include_str!("../../../tests/reference/emg_points.csv")
            .lines()
            .skip(1)
            .filter(|l| !l.trim().is_empty())
            .map(|l| l.split(',').skip(1).map(|x| x.parse().unwrap()).collect())
            .collect()
    }

    /// Truth computed to 40 digits, tau/sigma from 0.005 to 500; see tests/reference/README.md.
    #[test]
    fn values_and_integrals_are_those_of_the_table() {
        let rows = rows();
        assert_eq!(rows.len(), 28);
        for r in rows {
            let (area, mu, sigma, tau, t) = (r[0], r[1], r[2], r[3], r[4]);
            let (f, part) = (
                area * value(t, mu, sigma, tau),
                area * before(t, mu, sigma, tau),
            );
            assert!(
                (f - r[5]).abs() <= 1e-11 * r[5].abs() + 1e-300,
                "{r:?}: {f}"
            );
            assert!(
                (part - r[6]).abs() <= 1e-11 * r[6].abs() + 1e-13 * area,
                "{r:?}: {part}"
            );
        }
    }

    #[test]
    fn slopes_are_those_of_small_differences() {
        for (sigma, tau) in [
            (1.0, 0.02),
            (1.0, 0.3),
            (2.0, 2.0),
            (0.5, 20.0),
            (1.0, 0.005),
        ] {
            for k in -8..30 {
                let t = 10.0 + 0.5 * sigma * f64::from(k);
                let d = density(t, 10.0, sigma, tau);
                let h = 1e-5 * sigma;
                let slope = |f: &dyn Fn(f64) -> f64| (f(h) - f(-h)) / (2.0 * h);
                let near = |a: f64, b: f64, what: &str| {
                    let room = if tau < 0.01 * sigma { 2e-3 } else { 1e-6 };
                    assert!(
                        (a - b).abs() < room / (sigma * sigma),
                        "{what} {sigma} {tau} {t}: {a} {b}"
                    );
                };
                near(d.by_mu, slope(&|h| value(t, 10.0 + h, sigma, tau)), "mu");
                near(
                    d.by_sigma,
                    slope(&|h| value(t, 10.0, sigma + h, tau)),
                    "sigma",
                );
                near(d.by_tau, slope(&|h| value(t, 10.0, sigma, tau + h)), "tau");
            }
        }
    }

    #[test]
    fn far_arguments_stay_finite() {
        for t in [-1e6, -100.0, 0.0, 1e6] {
            for (sigma, tau) in [(1e-3, 1e3), (1e3, 1e-3), (1.0, 0.0), (1.0, 1e-9)] {
                let d = density(t, 0.0, sigma, tau);
                assert!(
                    [d.value, d.by_mu, d.by_sigma, d.by_tau]
                        .iter()
                        .all(|x| x.is_finite())
                );
                assert!((0.0..=1.0).contains(&before(t, 0.0, sigma, tau)));
            }
        }
    }
}
