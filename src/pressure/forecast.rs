//! Will the pressure reach its limit before the queue ends?
//!
//! Windows of several lengths are tried: a short one sees a fast clogging soon, a long one a slow clogging through the noise. A
//! forecast is made where the slope's interval lies above zero, the pressure is still rising at the window's end (a step is
//! no slope), and the limit is not further ahead than the window can carry.

use super::cycle::{BINS, Point, middle};
use super::slope::{Slope, seasonal};
use crate::quant::trend::theil_sen;

/// Windows, cycles.
const WINDOWS: [i64; 6] = [2, 3, 4, 6, 9, 12];
/// Confidence of the slope's interval.
const CONFIDENCE: f64 = 0.99;
/// A window carries so many times its own length ahead (house rule, set by the simulation in `simulate.rs`).
const REACH: f64 = 6.0;
/// The pressure must rise over a window by so much of itself (house rule).
const LEAST_RISE: f64 = 0.02;
/// At the end of the window it must still rise with so much of the window's slope (house rule).
const STILL_RISING: f64 = 0.6;
/// So much of a window must hold points.
const FILLED: f64 = 0.75;

/// When a limit is met at the present slope. Times in seconds from the course's start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// The slope and its interval, MPa/s.
    pub slope: Slope,
    /// Pressure now, MPa.
    pub level_mpa: f64,
    /// When the limit is met.
    pub meets_s: f64,
    /// When at the upper bound of the slope.
    pub earliest_s: f64,
    /// When at the lower bound of the slope.
    pub latest_s: f64,
}

/// The forecast of a limit, if there is one that falls before `end_s`. `points`: those of the last cycles, oldest first.
/// `per_cycle`: how many of them a cycle has, [`BINS`] or 1.
pub fn forecast(
    points: &[Point],
    per_cycle: i64,
    limit_mpa: f64,
    cycle_s: f64,
    end_s: f64,
) -> Option<Forecast> {
    let now_s = points.last()?.at_s;
    WINDOWS
        .iter()
        .filter_map(|w| of_window(points, (*w, per_cycle), limit_mpa, cycle_s, now_s))
        .filter(|f| f.meets_s <= end_s)
        .min_by(|a, b| a.meets_s.total_cmp(&b.meets_s))
}

fn of_window(
    points: &[Point],
    (window, per_cycle): (i64, i64),
    limit_mpa: f64,
    cycle_s: f64,
    now_s: f64,
) -> Option<Forecast> {
    let last = points.last()?.place;
    let from = last.cycle * BINS + last.bin - window * BINS;
    let inside = |p: &&Point| p.place.cycle * BINS + p.place.bin > from;
    let mine: Vec<Point> = points.iter().filter(inside).copied().collect();
    if (mine.len() as f64) < FILLED * (window * per_cycle) as f64 {
        return None;
    }
    let slope = seasonal(&mine, CONFIDENCE)?;
    let length_s = window as f64 * cycle_s;
    let (level, top) = level(&mine, per_cycle, slope.mpa_per_s, now_s)?;
    if slope.low <= 0.0 || slope.mpa_per_s * length_s < LEAST_RISE * level {
        return None;
    }
    if recent(points, &mine, (window, per_cycle)) < STILL_RISING * slope.mpa_per_s {
        return None;
    }
    let meets = |rate: f64| now_s + (limit_mpa - top).max(0.0) / rate;
    let out = Forecast {
        slope,
        level_mpa: level,
        meets_s: meets(slope.mpa_per_s),
        earliest_s: meets(slope.high),
        latest_s: meets(slope.low),
    };
    (out.meets_s - now_s <= REACH * length_s).then_some(out)
}

/// The pressure now, from the last cycle brought up to date with the slope: its middle, and what its upper quarter reaches.
fn level(points: &[Point], per_cycle: i64, rate: f64, now_s: f64) -> Option<(f64, f64)> {
    let last = points.iter().rev().take(per_cycle as usize);
    let mut now: Vec<f64> = last.map(|p| p.mpa + rate * (now_s - p.at_s)).collect();
    let level = middle(&mut now)?;
    let upper = now.get(now.len() * 3 / 4).copied()?;
    Some((level, upper))
}

/// The slope over the last quarter of a window, the cycle's usual shape taken off where earlier cycles show it; −∞ where
/// there are too few points to tell.
fn recent(points: &[Point], mine: &[Point], (window, per_cycle): (i64, i64)) -> f64 {
    let shape = shape(points);
    let quarter = (window * per_cycle / 4).max(per_cycle / 2).max(3) as usize;
    let from = mine.len().saturating_sub(quarter);
    let tail = mine.get(from..).unwrap_or_default();
    let x: Vec<f64> = tail.iter().map(|p| p.at_s).collect();
    let y: Vec<f64> = tail
        .iter()
        .map(|p| p.mpa - shape.get(p.place.bin as usize).copied().unwrap_or(0.0))
        .collect();
    theil_sen(&x, &y, CONFIDENCE).map_or(f64::NEG_INFINITY, |fit| fit.slope)
}

/// The usual shape of a cycle: what each phase lies above the cycle's middle, over the cycles before the last two, their own
/// slope taken off. Zero where fewer than three such cycles are known.
fn shape(points: &[Point]) -> Vec<f64> {
    let flat = vec![0.0; BINS as usize];
    let Some(last) = points.last() else {
        return flat;
    };
    let old: Vec<Point> = points
        .iter()
        .filter(|p| p.place.cycle < last.place.cycle - 2)
        .copied()
        .collect();
    let cycles = old
        .first()
        .zip(old.last())
        .map_or(0, |(a, b)| b.place.cycle - a.place.cycle + 1);
    if cycles < 3 || old.len() < (3 * BINS - 3) as usize {
        return flat;
    }
    let rate = seasonal(&old, CONFIDENCE).map_or(0.0, |s| s.mpa_per_s);
    let level: Vec<f64> = old.iter().map(|p| p.mpa - rate * p.at_s).collect();
    let Some(base) = middle(&mut level.clone()) else {
        return flat;
    };
    (0..BINS)
        .map(|bin| {
            let of_phase = old.iter().zip(&level).filter(|(p, _)| p.place.bin == bin);
            let mut above: Vec<f64> = of_phase.map(|(_, l)| l - base).collect();
            middle(&mut above).unwrap_or(0.0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::cycle::Place;
    use super::*;

    const CYCLE_S: f64 = 1200.0;

    fn points(cycles: i64, mpa: impl Fn(f64) -> f64) -> Vec<Point> {
        (0..cycles * BINS)
            .map(|k| {
                let mpa = mpa(k as f64 / BINS as f64);
                Point {
                    place: Place {
                        cycle: k / BINS,
                        bin: k % BINS,
                    },
                    at_s: k as f64 * 100.0,
                    mpa,
                    lowest_mpa: mpa,
                    highest_mpa: mpa,
                }
            })
            .collect()
    }

    #[test]
    fn a_steady_rise_meets_its_limit_when_it_does() {
        // 0.5 MPa a cycle from 4 MPa on: 9 MPa after ten cycles.
        let all = points(5, |c| 4.0 + 0.5 * c);
        let found = forecast(&all, BINS, 9.0, CYCLE_S, 20.0 * CYCLE_S).unwrap();
        // The upper quarter of the last cycle, brought up to date, is its last reading.
        assert!((found.meets_s / CYCLE_S - 10.0).abs() < 0.01, "{found:?}");
        assert!((found.slope.mpa_per_s * CYCLE_S - 0.5).abs() < 1e-9);
        assert_eq!(
            forecast(&all, BINS, 9.0, CYCLE_S, 9.9 * CYCLE_S),
            None,
            "the queue ends before"
        );
    }

    #[test]
    fn a_level_and_a_fall_meet_none() {
        for rate in [0.0, -0.2] {
            assert_eq!(
                forecast(&points(8, |c| 6.0 + rate * c), BINS, 9.0, CYCLE_S, 1e9),
                None
            );
        }
    }

    #[test]
    fn a_step_is_no_slope_after_half_a_cycle() {
        for after in 6..40 {
            let all: Vec<Point> = points(12, |c| if c < 6.0 { 4.2 } else { 5.2 })
                .into_iter()
                .take((6 * BINS + after) as usize)
                .collect();
            assert_eq!(
                forecast(&all, BINS, 9.0, CYCLE_S, 40.0 * CYCLE_S),
                None,
                "{after}"
            );
        }
    }

    #[test]
    fn a_gradients_own_climb_is_taken_off() {
        let gradient = |c: f64| 4.0 + 3.0 * c.fract();
        assert_eq!(
            forecast(&points(9, gradient), BINS, 9.0, CYCLE_S, 1e9),
            None
        );
        let clogging = |c: f64| gradient(c) + 0.15 * (c - 5.0).max(0.0);
        let found = forecast(&points(12, clogging), BINS, 9.0, CYCLE_S, 40.0 * CYCLE_S).unwrap();
        // What reaches the limit is the end of the gradient.
        assert!(
            found.meets_s > 12.0 * CYCLE_S && found.meets_s < 24.0 * CYCLE_S,
            "{found:?}"
        );
    }
}
