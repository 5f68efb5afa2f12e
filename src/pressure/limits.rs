//! Limits with a short persistence: a reading beyond a limit counts when the next ones say the same.

/// So long readings must lie beyond a limit, min (house rule: longer than the pulse of an injection valve, short for a pump).
const PERSIST_MIN: f64 = 0.5;
/// And so many of them.
const PERSIST_READINGS: u32 = 2;
/// It is over when readings have lain inside for so long, min …
const OVER_MIN: f64 = 1.0;
/// … by so much of the limit: what stands at a limit does not flutter.
const INSIDE: f64 = 0.01;
/// Readings further apart than this say nothing of what lay between, min.
const GAP_MIN: f64 = 15.0;

/// Which side of a limit is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// What a reading changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// The limit has been passed, and readings stayed there since so many seconds from the course's start.
    Passed {
        /// When the first of them was read.
        since_s: f64,
    },
    /// Readings are inside again.
    Over,
}

/// Watches one limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Guard {
    side: Side,
    limit: f64,
    inside: f64,
    minute_s: f64,
    active: bool,
    since_s: Option<f64>,
    count: u32,
    last_s: Option<f64>,
}

impl Guard {
    /// A guard of a limit; `minute_s`: 60 in life.
    pub fn new(side: Side, limit: f64, minute_s: f64) -> Guard {
        Guard {
            side,
            limit,
            inside: match side {
                Side::Above => limit * (1.0 - INSIDE),
                Side::Below => limit * (1.0 + INSIDE),
            },
            minute_s,
            active: false,
            since_s: None,
            count: 0,
            last_s: None,
        }
    }

    /// The same, over only where readings come back as far as this.
    pub fn until(self, inside: f64) -> Guard {
        Guard { inside, ..self }
    }

    /// The limit.
    pub fn limit(&self) -> f64 {
        self.limit
    }

    /// Readings have passed the limit and have not come back.
    pub fn is_active(&self) -> bool {
        self.active
    }

    /// A run of readings has begun to lie beyond the limit.
    pub fn is_suspicious(&self) -> bool {
        self.active || self.since_s.is_some()
    }

    /// True for a value on the wrong side.
    pub fn is_beyond(&self, mpa: f64) -> bool {
        match self.side {
            Side::Above => mpa > self.limit,
            Side::Below => mpa < self.limit,
        }
    }

    fn is_inside(&self, mpa: f64) -> bool {
        match self.side {
            Side::Above => mpa <= self.inside,
            Side::Below => mpa >= self.inside,
        }
    }

    /// A reading, s from the course's start. `excused`: beyond or not, an injection's pulse explains it. `whole`: it
    /// stands for a whole injection and needs no second one.
    pub fn step(&mut self, at_s: f64, mpa: f64, excused: bool, whole: bool) -> Option<Change> {
        let gap_s = GAP_MIN * self.minute_s;
        let broken = |last: f64| at_s < last || !whole && at_s - last > gap_s;
        if self.last_s.is_some_and(broken) {
            self.since_s = None;
            self.count = 0;
        }
        self.last_s = Some(at_s);
        if excused {
            return None;
        }
        let counts = if self.active {
            self.is_inside(mpa)
        } else {
            self.is_beyond(mpa)
        };
        if !counts {
            self.since_s = None;
            self.count = 0;
            return None;
        }
        let since_s = *self.since_s.get_or_insert(at_s);
        self.count = self.count.saturating_add(1);
        let needed_s = self.minute_s * if self.active { OVER_MIN } else { PERSIST_MIN };
        // Clocks round: a log of whole seconds is not held against the last tenth of one.
        let long = at_s - since_s >= needed_s * 0.999 && self.count >= PERSIST_READINGS;
        if !(long || whole) {
            return None;
        }
        self.active = !self.active;
        self.since_s = None;
        self.count = 0;
        Some(if self.active {
            Change::Passed { since_s }
        } else {
            Change::Over
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(guard: &mut Guard, readings: &[(f64, f64)]) -> Vec<(f64, Change)> {
        let step = |(s, mpa): &(f64, f64)| Some((*s, guard.step(*s, *mpa, false, false)?));
        readings.iter().filter_map(step).collect()
    }

    #[test]
    fn a_pulse_passes_and_a_pressure_that_stays_is_told_once() {
        let mut guard = Guard::new(Side::Above, 18.0, 60.0);
        let second = |from: u32, to: u32, mpa: f64| (from..to).map(move |s| (f64::from(s), mpa));
        let pulse: Vec<_> = second(0, 10, 12.0)
            .chain(second(10, 39, 19.0))
            .chain(second(39, 60, 12.0))
            .collect();
        assert_eq!(run(&mut guard, &pulse), []);
        let stays: Vec<_> = second(60, 70, 12.0).chain(second(70, 300, 18.1)).collect();
        assert_eq!(
            run(&mut guard, &stays),
            [(100.0, Change::Passed { since_s: 70.0 })]
        );
        // At the limit it neither ends nor begins anew; 1 % below it, for a minute, it is over.
        assert_eq!(
            run(&mut guard, &second(300, 500, 17.9).collect::<Vec<_>>()),
            []
        );
        assert_eq!(
            run(&mut guard, &second(500, 700, 17.8).collect::<Vec<_>>()),
            [(560.0, Change::Over)]
        );
    }

    #[test]
    fn a_reading_each_minute_needs_a_second_one() {
        let mut guard = Guard::new(Side::Below, 1.0, 60.0);
        assert_eq!(
            run(&mut guard, &[(0.0, 4.0), (60.0, 0.5), (120.0, 4.0)]),
            []
        );
        assert_eq!(
            run(&mut guard, &[(180.0, 0.9), (240.0, 0.9)]),
            [(240.0, Change::Passed { since_s: 180.0 })]
        );
    }

    #[test]
    fn the_limit_itself_is_allowed() {
        let mut guard = Guard::new(Side::Above, 18.0, 60.0);
        assert_eq!(
            run(&mut guard, &[(0.0, 18.0), (60.0, 18.0), (120.0, 18.0)]),
            []
        );
        assert_eq!(
            run(&mut guard, &[(180.0, 18.001), (240.0, 18.001)]).len(),
            1
        );
    }

    #[test]
    fn a_gap_is_no_persistence_and_a_whole_injection_needs_none() {
        let mut guard = Guard::new(Side::Above, 18.0, 60.0);
        assert_eq!(run(&mut guard, &[(0.0, 19.0), (1000.0, 19.0)]), []);
        let mut guard = Guard::new(Side::Above, 18.0, 60.0);
        assert!(guard.step(0.0, 19.0, false, true).is_some());
        assert_eq!(guard.step(1320.0, 17.0, false, true), Some(Change::Over));
    }
}
