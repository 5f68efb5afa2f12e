//! Where in the cycle a reading lies, and the few numbers that a stretch of a cycle leaves behind.
//!
//! Injection, gradient and valve repeat with every cycle, so like phases are compared. A cycle is divided into [`BINS`]; of the
//! readings of each one only a median stays, so that a log of a week takes no more memory than one of a night.

use std::collections::VecDeque;

/// Stretches of a cycle.
pub const BINS: i64 = 12;
/// So many cycles of points are kept.
pub const KEPT_CYCLES: i64 = 24;
/// Readings of one stretch that are kept at once; of more, every second is left out.
const MOST_READINGS: usize = 240;

/// Which stretch: cycles counted from the first landing, and the stretch in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Cycle; the one before the first landing is −1.
    pub cycle: i64,
    /// Stretch, 0 to [`BINS`] − 1.
    pub bin: i64,
}

/// What a stretch leaves behind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Where it lies.
    pub place: Place,
    /// Middle of its readings, s from the course's start.
    pub at_s: f64,
    /// Median of its readings, MPa.
    pub mpa: f64,
    /// Lowest reading, MPa.
    pub lowest_mpa: f64,
    /// Highest reading, MPa.
    pub highest_mpa: f64,
}

/// Finds the place of a time: counted from landings, on by the cycle time where none comes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Phase {
    /// The last landing, s, and the number of the cycle that began with it.
    anchor: Option<(f64, i64)>,
}

impl Phase {
    /// A trace landed. One that comes within half a cycle of the one before is its companion, and starts none.
    pub fn landed(&mut self, at_s: f64, cycle_s: f64) {
        self.anchor = Some(match self.anchor {
            None => (at_s, 0),
            Some((last_s, _)) if at_s < last_s => (at_s, self.place(at_s, cycle_s).cycle),
            Some((last_s, n)) if at_s - last_s < cycle_s / 2.0 => (last_s, n),
            Some((last_s, n)) => {
                let passed = ((at_s - last_s) / cycle_s).round().max(1.0);
                (at_s, n.saturating_add(passed as i64))
            }
        });
    }

    /// The place of a time.
    pub fn place(&self, at_s: f64, cycle_s: f64) -> Place {
        let (from_s, n) = self.anchor.unwrap_or((0.0, 0));
        let cycles = (at_s - from_s) / cycle_s;
        let bin = ((cycles - cycles.floor()) * BINS as f64) as i64;
        Place {
            cycle: n.saturating_add(cycles.floor() as i64),
            bin: bin.clamp(0, BINS - 1),
        }
    }
}

/// Gathers readings into points.
#[derive(Debug, Clone, Default)]
pub struct Bins {
    place: Option<Place>,
    readings: Vec<(f64, f64)>,
    every: usize,
    seen: usize,
    lowest: f64,
    highest: f64,
    points: VecDeque<Point>,
}

impl Bins {
    /// Adds a reading; gives the point of the stretch that ended before it.
    pub fn add(&mut self, place: Place, at_s: f64, mpa: f64) -> Option<Point> {
        let ended = match self.place {
            Some(open) if open == place => None,
            Some(open) => self.close(open),
            None => None,
        };
        if self.place != Some(place) {
            self.place = Some(place);
            self.readings.clear();
            self.every = 1;
            self.seen = 0;
            (self.lowest, self.highest) = (mpa, mpa);
        }
        self.lowest = self.lowest.min(mpa);
        self.highest = self.highest.max(mpa);
        if self.seen.is_multiple_of(self.every.max(1)) {
            self.readings.push((at_s, mpa));
        }
        self.seen = self.seen.saturating_add(1);
        if self.readings.len() >= MOST_READINGS {
            let mut k = 0;
            self.readings.retain(|_| {
                k += 1;
                k % 2 == 1
            });
            self.every = self.every.saturating_mul(2);
        }
        ended
    }

    /// The stretch that runs, as far as it is known.
    pub fn open(&self) -> Option<Point> {
        let mut values: Vec<f64> = self.readings.iter().map(|r| r.1).collect();
        Some(Point {
            place: self.place?,
            at_s: middle(&mut self.readings.iter().map(|r| r.0).collect::<Vec<_>>())?,
            mpa: middle(&mut values)?,
            lowest_mpa: self.lowest,
            highest_mpa: self.highest,
        })
    }

    fn close(&mut self, place: Place) -> Option<Point> {
        let point = self.open()?;
        self.points.push_back(point);
        let oldest = place.cycle.saturating_sub(KEPT_CYCLES);
        while self
            .points
            .front()
            .is_some_and(|p| p.place.cycle <= oldest || p.place.cycle > place.cycle)
            || self.points.len() > (KEPT_CYCLES * BINS) as usize
        {
            self.points.pop_front();
        }
        Some(point)
    }

    /// Points of the last cycles, oldest first.
    pub fn points(&self) -> &VecDeque<Point> {
        &self.points
    }

    /// Forgets all points: what came before says nothing of what comes.
    pub fn forget(&mut self) {
        self.points.clear();
        self.place = None;
    }
}

/// The median; sorts.
pub fn middle(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    crate::quant::describe::median(values)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_from_landings_and_go_on_without_them() {
        let mut phase = Phase::default();
        phase.landed(1200.0, 1200.0);
        let place = |p: &Phase, s: f64| {
            let place = p.place(s, 1200.0);
            (place.cycle, place.bin)
        };
        assert_eq!(place(&phase, 0.0), (-1, 0));
        assert_eq!(place(&phase, 1199.0), (-1, 11));
        assert_eq!(place(&phase, 1200.0), (0, 0));
        assert_eq!(
            place(&phase, 2405.0),
            (1, 0),
            "the landing is a little late"
        );
        phase.landed(2410.0, 1200.0);
        assert_eq!(place(&phase, 2411.0), (1, 0));
        phase.landed(2420.0, 1200.0);
        assert_eq!(place(&phase, 2430.0), (1, 0), "a second export of one run");
        // Two traces never came.
        phase.landed(2410.0 + 3.0 * 1200.0, 1200.0);
        assert_eq!(place(&phase, 2410.0 + 3.5 * 1200.0), (4, 6));
    }

    #[test]
    fn a_stretch_leaves_its_median_and_memory_stays_bounded() {
        let mut bins = Bins::default();
        let place = |k: i64| Place {
            cycle: k / BINS,
            bin: k % BINS,
        };
        for k in 0..200 * BINS {
            for i in 0..1000 {
                let spike = if i == 500 { 9.0 } else { 4.0 };
                bins.add(place(k), k as f64 * 100.0 + f64::from(i) * 0.1, spike);
            }
            assert!(bins.readings.len() <= MOST_READINGS);
        }
        let last = bins.points().back().unwrap();
        assert_eq!(
            (last.mpa, last.lowest_mpa, last.highest_mpa),
            (4.0, 4.0, 9.0)
        );
        assert!(bins.points().len() <= (KEPT_CYCLES * BINS) as usize);
    }
}
