//! Detector noise and drift after ASTM E685 / E1657.
//!
//! Source: the practice (definition of drift verified in the opening text of E1657; the rest from memory). Short-term
//! noise: segments of 0.5 to 1 min, each in the narrowest pair of parallel lines, mean of the vertical widths. Drift:
//! the slope of the narrowest pair over the whole, per hour.

/// Narrowest pair of parallel lines around points: slope per unit of time, and vertical width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Slope of both lines, mAU/s.
    pub slope_mau_per_s: f64,
    /// Vertical distance of the lines, mAU.
    pub width_mau: f64,
}

/// A line that bounds the width from below: value and slope at the place where it was found.
#[derive(Debug, Clone, Copy)]
struct Support {
    at: f64,
    width: f64,
    slope: f64,
}

/// Width of the points about the slope `b`, with the slope of that width, and the extreme points.
fn about(time_s: &[f64], signal_mau: &[f64], b: f64) -> (Support, usize, usize) {
    let origin = time_s[0];
    let (mut high, mut low) = (f64::NEG_INFINITY, f64::INFINITY);
    let (mut i_high, mut i_low) = (0, 0);
    let step = 16;
    // Extremes of short runs first: most runs hold neither.
    for (c, (ts, ys)) in time_s.chunks(step).zip(signal_mau.chunks(step)).enumerate() {
        let (mut h, mut l) = (f64::NEG_INFINITY, f64::INFINITY);
        for (t, y) in ts.iter().zip(ys) {
            let d = y - b * (t - origin);
            h = if d > h { d } else { h };
            l = if d < l { d } else { l };
        }
        if h > high {
            (high, i_high) = (h, c);
        }
        if l < low {
            (low, i_low) = (l, c);
        }
    }
    let exact = |c: usize, value: f64| {
        let from = c * step;
        let to = (from + step).min(time_s.len());
        (from..to)
            .find(|i| signal_mau[*i] - b * (time_s[*i] - origin) == value)
            .unwrap_or(from)
    };
    let (i_high, i_low) = (exact(i_high, high), exact(i_low, low));
    (
        Support {
            at: b,
            width: high - low,
            slope: time_s[i_low] - time_s[i_high],
        },
        i_high,
        i_low,
    )
}

/// The narrowest pair of parallel lines that holds all points: a minimax line.
///
/// The width is a convex, piecewise straight function of the slope, so the crossing of two supporting lines leads to
/// its least value in a few steps, exactly.
pub fn narrowest_pair(time_s: &[f64], signal_mau: &[f64]) -> Option<Pair> {
    let n = time_s.len().min(signal_mau.len());
    let (time_s, signal_mau) = (&time_s[..n], &signal_mau[..n]);
    if n < 2 {
        return None;
    }
    let first = least_squares_slope(time_s, signal_mau)?;
    let (mut best, _, _) = about(time_s, signal_mau, first);
    let span = time_s[n - 1] - time_s[0];
    let mut other = best;
    // Step out until the width's slope changes sign.
    let mut stride = 0.25 * best.width.max(f64::MIN_POSITIVE) / span;
    for _ in 0..64 {
        if best.slope == 0.0 || other.slope * best.slope < 0.0 {
            break;
        }
        best = other;
        other = about(time_s, signal_mau, best.at - best.slope.signum() * stride).0;
        stride *= 3.0;
    }
    let (mut left, mut right) = if best.at < other.at {
        (best, other)
    } else {
        (other, best)
    };
    for _ in 0..100 {
        if left.slope == 0.0 || right.slope == 0.0 || right.slope <= left.slope {
            break;
        }
        let at = (left.width - right.width + right.slope * right.at - left.slope * left.at)
            / (right.slope - left.slope);
        let bound = left.width + left.slope * (at - left.at);
        let (here, _, _) = about(time_s, signal_mau, at);
        if here.width <= bound + 1e-12 * here.width.abs() {
            return Some(Pair {
                slope_mau_per_s: at,
                width_mau: here.width,
            });
        }
        if here.slope <= 0.0 {
            left = here
        } else {
            right = here
        }
    }
    let least = if left.width <= right.width {
        left
    } else {
        right
    };
    Some(Pair {
        slope_mau_per_s: least.at,
        width_mau: least.width,
    })
}

/// Slope of the least-squares line, mAU/s.
pub fn least_squares_slope(time_s: &[f64], signal_mau: &[f64]) -> Option<f64> {
    let n = time_s.len().min(signal_mau.len());
    if n < 2 {
        return None;
    }
    let (t0, y0) = (time_s[n / 2], signal_mau[n / 2]);
    let (mut st, mut sy, mut stt, mut sty) = (0.0, 0.0, 0.0, 0.0);
    for (t, y) in time_s.iter().zip(signal_mau) {
        let (t, y) = (t - t0, y - y0);
        st += t;
        sy += y;
        stt += t * t;
        sty += t * y;
    }
    let n = n as f64;
    let spread = stt - st * st / n;
    (spread > 0.0).then(|| (sty - st * sy / n) / spread)
}

/// Short-term noise of a whole signal: mean width over consecutive segments of `segment_s`, mAU; `None` where not
/// one segment is full.
pub fn short_term_mau(time_s: &[f64], signal_mau: &[f64], segment_s: f64) -> Option<f64> {
    let start = *time_s.first()?;
    let (mut sum, mut count, mut from) = (0.0, 0.0, 0);
    let interval = (time_s.last()? - start) / (time_s.len().saturating_sub(1).max(1)) as f64;
    for k in 1.. {
        let end = start + segment_s * f64::from(k);
        // Times such as 59.999999 belong to the segment that begins at 60.
        let to = time_s.partition_point(|t| *t < end - 0.01 * interval);
        let whole = time_s.last()? + 1.01 * interval >= end;
        if !whole || to <= from {
            break;
        }
        if let Some(pair) = narrowest_pair(&time_s[from..to], signal_mau.get(from..to)?) {
            sum += pair.width_mau;
            count += 1.0;
        }
        from = to;
    }
    (count > 0.0).then(|| sum / count)
}

/// Drift as the slope of the narrowest pair over the whole signal, mAU/h.
pub fn drift_minimax_mau_per_h(time_s: &[f64], signal_mau: &[f64]) -> Option<f64> {
    narrowest_pair(time_s, signal_mau).map(|p| p.slope_mau_per_s * 3600.0)
}

/// Drift as the least-squares slope over the whole signal, mAU/h.
pub fn drift_least_squares_mau_per_h(time_s: &[f64], signal_mau: &[f64]) -> Option<f64> {
    least_squares_slope(time_s, signal_mau).map(|b| b * 3600.0)
}

/// Short-term noise over stretches free of signal (index ranges): each is cut into equal segments of 30 to 60 s.
/// `None` where not one stretch is 30 s long.
pub fn short_term_of_stretches(
    time_s: &[f64],
    signal_mau: &[f64],
    stretches: &[(usize, usize)],
) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for (from, to) in stretches {
        let (Some(times), Some(signal)) = (time_s.get(*from..*to), signal_mau.get(*from..*to))
        else {
            continue;
        };
        let (Some(first), Some(last)) = (times.first(), times.last()) else {
            continue;
        };
        let span = last - first;
        if span < 30.0 {
            continue;
        }
        let parts = (span / 60.0).ceil();
        let length = span / parts;
        let mut begin = 0;
        for k in 1..=parts as usize {
            let end = if k == parts as usize {
                times.len()
            } else {
                times.partition_point(|t| *t < first + length * k as f64)
            };
            if let Some(pair) = narrowest_pair(&times[begin..end], &signal[begin..end]) {
                sum += pair.width_mau;
                count += 1.0;
            }
            begin = end;
        }
    }
    (count > 0.0).then(|| sum / count)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reference() -> (Vec<f64>, Vec<f64>) {
        include_str!("../../tests/reference/noise_synthetic.csv")
            .lines()
            .skip(1)
            .filter_map(|l| l.split_once(','))
            .map(|(t, y)| (t.parse::<f64>().unwrap(), y.trim().parse::<f64>().unwrap()))
            .unzip()
    }

    /// Values recomputed with a convex hull and confirmed by linear programming; see tests/reference/README.md.
    #[test]
    fn noise_and_drift_are_those_of_the_reference() {
        let (t, y) = reference();
        let close =
            |a: Option<f64>, b: f64| assert!((a.unwrap() - b).abs() < 1e-9, "{a:?} against {b}");
        close(short_term_mau(&t[..900], &y[..900], 60.0), 0.0911516128);
        close(short_term_mau(&t, &y, 60.0), 0.0908052343);
        close(drift_minimax_mau_per_h(&t, &y), 0.8042152466);
        close(drift_least_squares_mau_per_h(&t, &y), 0.7926033162);
    }

    #[test]
    fn a_line_has_no_width_and_a_zigzag_its_own() {
        let t: Vec<f64> = (0..40).map(f64::from).collect();
        let line: Vec<f64> = t.iter().map(|t| 1.0 + 0.25 * t).collect();
        let p = narrowest_pair(&t, &line).unwrap();
        assert!(p.width_mau.abs() < 1e-12 && (p.slope_mau_per_s - 0.25).abs() < 1e-12);
        let zigzag: Vec<f64> = t
            .iter()
            .map(|t| 0.25 * t + if t % 2.0 == 0.0 { 0.5 } else { -0.5 })
            .collect();
        let p = narrowest_pair(&t, &zigzag).unwrap();
        assert!((p.width_mau - 1.0).abs() < 1e-12 && (p.slope_mau_per_s - 0.25).abs() < 1e-9);
        assert_eq!(narrowest_pair(&[1.0], &[2.0]), None);
    }

    #[test]
    fn stretches_are_cut_evenly() {
        let t: Vec<f64> = (0..100).map(f64::from).collect();
        let y: Vec<f64> = t
            .iter()
            .map(|t| if t % 2.0 == 0.0 { 1.0 } else { 0.0 })
            .collect();
        let n = short_term_of_stretches(&t, &y, &[(0, 10), (10, 90)]).unwrap();
        assert!((n - 1.0).abs() < 0.03, "{n}");
        assert_eq!(short_term_of_stretches(&t, &y, &[(0, 10)]), None);
    }
}
