//! Robust spreads: quantiles of absolute values, of a strided part where there are many.

/// At most so many values are looked at: the error of the estimate is then some per cent.
const LOOKED_AT: usize = 768;

/// Standard deviation of a Gaussian whose absolute value has this quantile: `z` is the normal quantile that belongs to it.
fn scaled(mut values: Vec<f64>, part: f64, z: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let k = ((values.len() - 1) as f64 * part) as usize;
    let (_, v, _) = values.select_nth_unstable_by(k, f64::total_cmp);
    *v / z
}

fn strided(n: usize, f: impl Fn(usize) -> f64) -> Vec<f64> {
    let step = n.div_ceil(LOOKED_AT).max(1);
    (0..n).step_by(step).map(|i| f(i).abs()).collect()
}

/// Spread from the lower quarter of absolute values: holds while up to two thirds of the values are something else.
pub(crate) fn from_lower_quarter(n: usize, f: impl Fn(usize) -> f64) -> f64 {
    // P(|z| < 0.318639) = 0.25
    scaled(strided(n, f), 0.25, 0.318_639_363_964_375)
}

/// The same over the values that are something.
pub(crate) fn from_lower_quarter_of_moving(n: usize, f: impl Fn(usize) -> f64) -> f64 {
    let mut values = strided(n, f);
    values.retain(|v| *v > 1e-9);
    scaled(values, 0.25, 0.318_639_363_964_375)
}

/// Spread from the median of absolute values.
pub(crate) fn from_median(values: Vec<f64>) -> f64 {
    // P(|z| < 0.674490) = 0.5
    scaled(values, 0.5, 0.674_489_750_196_082)
}

/// Median; 0 of nothing.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let k = values.len() / 2;
    *values.select_nth_unstable_by(k, f64::total_cmp).1
}

/// Step of the digits: the smallest difference of neighbours that is not nothing; 0 where all are alike.
pub(crate) fn digit_step(values: &[f64]) -> f64 {
    let step = values.len().div_ceil(2048).max(1);
    let mut least = f64::INFINITY;
    for i in (0..values.len().saturating_sub(1)).step_by(step) {
        let d = (values[i + 1] - values[i]).abs();
        if d > 1e-9 * values[i].abs() && d < least {
            least = d;
        }
    }
    if least.is_finite() { least } else { 0.0 }
}

/// Largest minus smallest, of a strided part where there are many.
pub(crate) fn range(values: &[f64]) -> f64 {
    let step = values.len().div_ceil(LOOKED_AT).max(1);
    let looked_at = values.iter().step_by(step);
    let (low, high) = looked_at.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
        (a.min(*v), b.max(*v))
    });
    (high - low).max(0.0)
}
