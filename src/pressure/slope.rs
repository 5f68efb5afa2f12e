//! The slope of the pressure, like phases of the cycle compared with like.

use super::cycle::{BINS, Point};
use crate::quant::student::normal_quantile;

/// A slope with its interval, MPa per second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Median of the slopes of all pairs of like phases.
    pub mpa_per_s: f64,
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// The seasonal slope of points, with its interval at `confidence`; `None` with too few pairs for an interval.
///
/// The slope is the median over all pairs of points of one phase, in different cycles: Sen's slope within each phase, all phases
/// together (Hirsch, Slack and Smith 1982; from memory). The interval is Sen's: of N slopes in order those of rank (N − C)/2
/// and (N + C)/2 + 1, C = z √(Σ n(n − 1)(2n + 5)/18) summed over the phases, ties not taken off and phases taken as independent.
pub fn seasonal(points: &[Point], confidence: f64) -> Option<Slope> {
    let mut slopes: Vec<f64> = Vec::new();
    let mut variance = 0.0;
    for bin in 0..BINS {
        let of_phase: Vec<&Point> = points.iter().filter(|p| p.place.bin == bin).collect();
        let n = of_phase.len() as f64;
        variance += n * (n - 1.0) * (2.0 * n + 5.0) / 18.0;
        for (k, a) in of_phase.iter().enumerate() {
            for b in of_phase.iter().skip(k + 1) {
                let slope = (b.mpa - a.mpa) / (b.at_s - a.at_s);
                if slope.is_finite() {
                    slopes.push(slope);
                }
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let n = slopes.len() as f64;
    let c = normal_quantile(0.5 + confidence / 2.0) * variance.max(0.0).sqrt();
    let low = ((n - c) / 2.0).round_ties_even() - 1.0;
    let high = ((n + c) / 2.0).round_ties_even();
    let at = |rank: f64| {
        (rank >= 0.0)
            .then(|| slopes.get(rank as usize).copied())
            .flatten()
    };
    Some(Slope {
        mpa_per_s: crate::quant::describe::median(&slopes)?,
        low: at(low)?,
        high: at(high)?,
    })
}

#[cfg(test)]
mod tests {
    use super::super::cycle::Place;
    use super::*;
    use crate::quant::trend::theil_sen;

    fn point(cycle: i64, bin: i64, mpa: f64) -> Point {
        Point {
            place: Place { cycle, bin },
            at_s: (cycle * BINS + bin) as f64 * 100.0,
            mpa,
            lowest_mpa: mpa,
            highest_mpa: mpa,
        }
    }

    #[test]
    fn one_phase_alone_is_theil_and_sen() {
        // No ties: the interval is Sen's to the last bit.
        let y = [4.1, 4.3, 4.2, 4.6, 4.55, 4.9, 4.85, 5.2, 5.1, 5.4];
        let points: Vec<Point> = (0..10).map(|k| point(k, 3, y[k as usize])).collect();
        let x: Vec<f64> = points.iter().map(|p| p.at_s).collect();
        let reference = theil_sen(&x, &y, 0.95).unwrap();
        let found = seasonal(&points, 0.95).unwrap();
        assert_eq!(found.mpa_per_s, reference.slope);
        assert_eq!(
            (Some(found.low), Some(found.high)),
            (reference.low, reference.high)
        );
    }

    #[test]
    fn a_gradient_in_every_cycle_is_no_slope() {
        // Each cycle climbs by 6 MPa and falls back; from cycle to cycle nothing moves but 0.012 MPa.
        let points: Vec<Point> = (0..4)
            .flat_map(|c| {
                (0..BINS).map(move |b| point(c, b, 4.0 + 0.5 * b as f64 + 0.012 * c as f64))
            })
            .collect();
        let found = seasonal(&points, 0.99).unwrap();
        assert!(
            (found.mpa_per_s * 1200.0 - 0.012).abs() < 1e-12,
            "{found:?}"
        );
        assert!((found.low - found.high).abs() < 1e-12);
    }

    #[test]
    fn two_cycles_have_an_interval_and_one_has_none() {
        let points = |cycles: i64| -> Vec<Point> {
            (0..cycles)
                .flat_map(|c| {
                    (0..BINS).map(move |b| point(c, b, 4.0 + 0.1 * (c * BINS + b) as f64))
                })
                .collect()
        };
        assert_eq!(seasonal(&points(1), 0.99), None);
        let two = seasonal(&points(2), 0.99).unwrap();
        assert!((two.low - 0.001).abs() < 1e-12 && (two.high - 0.001).abs() < 1e-12);
    }
}
