//! What the integration must reach on traces with known truth.

mod accuracy;
mod fitted;
mod measured;
mod ordered;
mod properties;
mod shapes;
mod trouble;

use super::made::{Made, emg};
use super::*;

fn read(text: &str) -> Vec<Vec<&str>> {
    text.lines()
        .skip(1)
        .filter(|l| !l.trim().is_empty())
        .map(|l| l.split(',').collect())
        .collect()
}

fn see(m: &Made) -> Profile {
    integrate(&m.time_s, &m.signal_mau, &Params::default())
}

fn near(p: &Profile, at_s: f64, within_s: f64) -> Option<&Peak> {
    p.peaks
        .iter()
        .filter(|q| (q.apex_s - at_s).abs() < within_s)
        .min_by(|a, b| (a.apex_s - at_s).abs().total_cmp(&(b.apex_s - at_s).abs()))
}

/// Median and largest of absolute values.
fn median_and_worst(values: &[f64]) -> (f64, f64) {
    let mut v: Vec<f64> = values.iter().map(|x| x.abs()).collect();
    v.sort_by(f64::total_cmp);
    (v[v.len() / 2], v[v.len() - 1])
}

/// Apex and height of a peak of area 1.
fn top(mu: f64, sigma: f64, tau: f64) -> (f64, f64) {
    let (mut a, mut b) = (mu - sigma, mu + 3.0 * sigma + 3.0 * tau);
    for _ in 0..120 {
        let (x, y) = (a + 0.382 * (b - a), a + 0.618 * (b - a));
        if emg(x, mu, sigma, tau) < emg(y, mu, sigma, tau) {
            a = x
        } else {
            b = y
        }
    }
    (0.5 * (a + b), emg(0.5 * (a + b), mu, sigma, tau))
}
