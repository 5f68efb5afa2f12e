//! Pulsation: how much one reading differs from its neighbours, against what is usual in this queue.

use std::collections::VecDeque;

use super::cycle::{BINS, Place, middle};

/// Stretches of a cycle that make one window: half a cycle.
const BINS_PER_WINDOW: i64 = BINS / 2;
/// Readings of a window that are looked at.
const MOST_READINGS: usize = 1000;
/// Fewer say nothing.
const LEAST_READINGS: usize = 7;
/// Windows that make the queue's own normal.
const REMEMBERED: usize = 60;
/// So many must be known before one is judged.
const LEARNT: usize = 4;
/// Well above normal: so many times (house rule).
const TIMES: f64 = 4.0;
/// And at least so much of the pressure (house rule: below it no pump is looked after).
const LEAST_SHARE: f64 = 0.015;
/// And so many of the steps in which the log is written.
const STEPS: f64 = 2.0;
/// Windows in a row that begin and end it.
const IN_A_ROW: u32 = 2;

/// A window's pulsation against the queue's normal, MPa (as a standard deviation).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pulsation {
    /// In this window.
    pub mpa: f64,
    /// Usual in this queue.
    pub normal_mpa: f64,
    /// From which it counts.
    pub limit_mpa: f64,
}

/// What a window changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// It pulsates.
    Began(Pulsation),
    /// It does so no more.
    Over,
}

/// Watches the pulsation of a queue.
#[derive(Debug, Clone, Default)]
pub struct Ripple {
    window: Option<(i64, i64)>,
    readings: Vec<f64>,
    normal: VecDeque<f64>,
    step_mpa: Option<f64>,
    last_mpa: Option<f64>,
    active: bool,
    in_a_row: u32,
}

impl Ripple {
    /// True while it pulsates.
    pub fn is_active(&self) -> bool {
        self.active
    }

    /// A reading at its place.
    pub fn add(&mut self, place: Place, mpa: f64) -> Option<Change> {
        if let Some(last) = self.last_mpa.replace(mpa) {
            let step = (mpa - last).abs();
            if step > 1e-9 {
                self.step_mpa = Some(self.step_mpa.map_or(step, |s| s.min(step)));
            }
        }
        let window = (place.cycle, place.bin / BINS_PER_WINDOW);
        let change = if self.window == Some(window) {
            None
        } else {
            self.window = Some(window);
            let readings = std::mem::take(&mut self.readings);
            self.judge(readings)
        };
        if self.readings.len() < MOST_READINGS {
            self.readings.push(mpa);
        }
        change
    }

    fn judge(&mut self, readings: Vec<f64>) -> Option<Change> {
        let mpa = pulsation(&readings)?;
        let level = middle(&mut readings.clone())?;
        let known = self.normal.len();
        let normal = middle(&mut self.normal.iter().copied().collect::<Vec<_>>()).unwrap_or(0.0);
        if known == REMEMBERED {
            self.normal.pop_front();
        }
        self.normal.push_back(mpa);
        if known < LEARNT {
            return None;
        }
        let limit = (TIMES * normal)
            .max(LEAST_SHARE * level.abs())
            .max(STEPS * self.step_mpa.unwrap_or(0.0));
        let counts = if self.active {
            mpa < limit / 2.0
        } else {
            mpa > limit
        };
        self.in_a_row = if counts { self.in_a_row + 1 } else { 0 };
        if self.in_a_row < IN_A_ROW {
            return None;
        }
        self.in_a_row = 0;
        self.active = !self.active;
        Some(if self.active {
            Change::Began(Pulsation {
                mpa,
                normal_mpa: normal,
                limit_mpa: limit,
            })
        } else {
            Change::Over
        })
    }
}

/// Standard deviation of what alternates from reading to reading: 1.4826 × the median of |xᵢ − (xᵢ₋₁ + xᵢ₊₁)/2|, over √1.5 for
/// the three readings in it. A slope and single pulses do not count (common practice of robust statistics; recomputed).
pub fn pulsation(readings: &[f64]) -> Option<f64> {
    if readings.len() < LEAST_READINGS {
        return None;
    }
    let mut bends: Vec<f64> = readings
        .windows(3)
        .map(|w| (w[1] - (w[0] + w[2]) / 2.0).abs())
        .collect();
    Some(1.4826 * middle(&mut bends)? / 1.5_f64.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::{Purpose, Random};

    #[test]
    fn pulsation_is_the_standard_deviation_of_noise_whatever_the_slope() {
        let mut random = Random::stream(3, 0, Purpose::Pressure);
        let noise: Vec<f64> = (0..4000)
            .map(|k| 0.02 * random.normal() + 0.01 * f64::from(k))
            .collect();
        let found = pulsation(&noise).unwrap();
        assert!((0.019..0.021).contains(&found), "{found}");
        assert_eq!(pulsation(&[1.0; 6]), None);
    }

    fn night(beat: impl Fn(f64) -> f64) -> Vec<(f64, Change)> {
        let mut random = Random::stream(4, 0, Purpose::Pressure);
        let mut ripple = Ripple::default();
        let mut out = Vec::new();
        for k in 0..20 * 22 {
            let cycles = f64::from(k) / 22.0;
            let place = Place {
                cycle: i64::from(k / 22),
                bin: i64::from(k % 22) * BINS / 22,
            };
            // An injection's pulse in each cycle.
            let pulse = if k % 22 == 0 { 1.5 } else { 0.0 };
            let mpa = 4.2 + 0.02 * random.normal() + pulse + beat(cycles);
            if let Some(change) = ripple.add(place, mpa) {
                out.push((cycles, change));
            }
        }
        out
    }

    #[test]
    fn pulsation_above_the_queues_own_begins_and_ends() {
        assert_eq!(night(|_| 0.0), []);
        // Three times the normal is not well above it.
        assert_eq!(
            night(|c| if c > 10.0 {
                0.03 * (c * 53.0).sin()
            } else {
                0.0
            }),
            []
        );
        let found = night(|c| {
            if (10.0..12.0).contains(&c) {
                0.9 * (c * 53.0).sin()
            } else {
                0.0
            }
        });
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(matches!(found[0].1, Change::Began(p) if p.mpa > 0.3 && p.normal_mpa < 0.05));
        assert!((10.9..11.6).contains(&found[0].0), "{found:?}");
        assert!((12.9..13.6).contains(&found[1].0), "{found:?}");
    }

    #[test]
    fn a_log_in_coarse_steps_does_not_pulsate() {
        let mut ripple = Ripple::default();
        let mut random = Random::stream(5, 0, Purpose::Pressure);
        for k in 0..40 * 22_i64 {
            // First amid a step, then between two of them.
            let level = if k < 20 * 22 { 4.2 } else { 4.25 };
            let mpa = ((level + 0.01 * random.normal()) * 10.0).round() / 10.0;
            let place = Place {
                cycle: k / 22,
                bin: (k % 22) * BINS / 22,
            };
            assert_eq!(ripple.add(place, mpa), None, "{k}");
        }
    }
}
