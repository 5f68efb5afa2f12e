//! The pulse of an injection: how high the pressure jumps for a moment once in each cycle, learnt from the queue.

use super::cycle::{BINS, Place, Point, middle};

/// Cycles from which a pulse is learnt …
const LEAST_CYCLES: i64 = 3;
/// … and the last so many that count.
const LOOKED_BACK: i64 = 8;
/// The next pulse may be so much higher than the usual one (house rule).
const ROOM: f64 = 1.2;
/// A stretch whose middle moves by more than this share of its extreme is no pulse: it lasts.
const LASTING: f64 = 0.5;

/// The usual pulse, up and down, MPa.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pulse {
    up: Option<(i64, f64)>,
    down: Option<(i64, f64)>,
}

impl Pulse {
    /// Learns from the last cycles; the one that is running does not count yet.
    pub fn learn(points: &[Point], running: i64) -> Pulse {
        let old: Vec<&Point> = points
            .iter()
            .filter(|p| (running - LOOKED_BACK..running).contains(&p.place.cycle))
            .collect();
        let mut cycles: Vec<i64> = old.iter().map(|p| p.place.cycle).collect();
        cycles.dedup();
        if (cycles.len() as i64) < LEAST_CYCLES {
            return Pulse::default();
        }
        let bases: Vec<(i64, f64)> = cycles
            .iter()
            .filter_map(|c| {
                let of_cycle = old.iter().filter(|p| p.place.cycle == *c);
                Some((
                    *c,
                    middle(&mut of_cycle.map(|p| p.mpa).collect::<Vec<_>>())?,
                ))
            })
            .collect();
        let usual = |bin: i64,
                     extreme: &dyn Fn(&Point, f64) -> f64,
                     lasting: &dyn Fn(&Point, f64) -> f64| {
            let of_bin = || {
                old.iter()
                    .filter(move |p| p.place.bin == bin)
                    .filter_map(|p| {
                        let base = bases.iter().find(|(c, _)| *c == p.place.cycle)?.1;
                        Some((**p, base))
                    })
            };
            let high = middle(&mut of_bin().map(|(p, b)| extreme(&p, b)).collect::<Vec<_>>())?;
            let stays = middle(&mut of_bin().map(|(p, b)| lasting(&p, b)).collect::<Vec<_>>())?;
            (high > 0.0 && stays < LASTING * high).then_some((bin, high * ROOM))
        };
        let largest = |extreme: &dyn Fn(&Point, f64) -> f64,
                       lasting: &dyn Fn(&Point, f64) -> f64| {
            (0..BINS)
                .filter_map(|bin| usual(bin, extreme, lasting))
                .max_by(|a, b| a.1.total_cmp(&b.1))
        };
        Pulse {
            up: largest(&|p, b| p.highest_mpa - b, &|p, b| p.mpa - b),
            down: largest(&|p, b| b - p.lowest_mpa, &|p, b| b - p.mpa),
        }
    }

    /// How far up a pulse explains a reading at this place, MPa.
    pub fn up_mpa(&self, place: Place) -> f64 {
        near(self.up, place)
    }

    /// How far down.
    pub fn down_mpa(&self, place: Place) -> f64 {
        near(self.down, place)
    }
}

/// The pulse's height in its stretch and the ones beside it: landings are told a little early or late.
fn near(pulse: Option<(i64, f64)>, place: Place) -> f64 {
    pulse.map_or(0.0, |(bin, mpa)| {
        let apart = (bin - place.bin).rem_euclid(BINS);
        if apart <= 1 || apart == BINS - 1 {
            mpa
        } else {
            0.0
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(cycles: i64, of: impl Fn(i64) -> (f64, f64, f64)) -> Vec<Point> {
        (0..cycles * BINS)
            .map(|k| {
                let (lowest_mpa, mpa, highest_mpa) = of(k % BINS);
                Point {
                    place: Place {
                        cycle: k / BINS,
                        bin: k % BINS,
                    },
                    at_s: k as f64,
                    mpa,
                    lowest_mpa,
                    highest_mpa,
                }
            })
            .collect()
    }

    #[test]
    fn a_pulse_is_learnt_with_its_place_and_height() {
        let all = points(4, |bin| {
            if bin == 11 {
                (3.0, 4.0, 6.0)
            } else {
                (3.9, 4.0, 4.1)
            }
        });
        let pulse = Pulse::learn(&all, 4);
        let at = |bin| Place { cycle: 9, bin };
        assert!(
            (pulse.up_mpa(at(11)) - 2.4).abs() < 1e-12
                && (pulse.down_mpa(at(0)) - 1.2).abs() < 1e-12
        );
        assert_eq!(pulse.up_mpa(at(0)), pulse.up_mpa(at(10)));
        assert_eq!(pulse.up_mpa(at(1)), 0.0);
        assert_eq!(
            Pulse::learn(&all, 2),
            Pulse::default(),
            "two cycles are too few"
        );
    }

    #[test]
    fn what_lasts_is_no_pulse() {
        let all = points(4, |bin| {
            if bin == 5 {
                (5.8, 5.9, 6.0)
            } else {
                (3.95, 4.0, 4.0)
            }
        });
        assert_eq!(
            Pulse::learn(&all, 4).up_mpa(Place { cycle: 9, bin: 5 }),
            0.0
        );
    }
}
