//! How fast a queue runs: expected until it has shown its own pace.

use std::collections::VecDeque;

use jiff::{SignedDuration, Timestamp};

/// So many intervals are remembered: enough for a median that one pause does not move.
const REMEMBERED: usize = 15;
/// A queue without a sign of life for so many cycle times has ended.
pub const QUIET_CYCLES: f64 = 3.0;
/// A learnt cycle may be at most so many times the method's: beyond, pauses were learnt and not a pace.
const LONGEST: f64 = 3.0;

/// The pace of one queue.
#[derive(Debug, Clone)]
pub struct Pace {
    nominal_s: f64,
    late_s: f64,
    last: Option<Timestamp>,
    intervals_s: VecDeque<f64>,
}

impl Pace {
    /// `nominal_s`: run time plus overhead; `late_s`: how long past its time a trace may be. Seconds.
    pub fn new(nominal_s: f64, late_s: f64) -> Pace {
        Pace {
            nominal_s,
            late_s,
            last: None,
            intervals_s: VecDeque::new(),
        }
    }

    /// A trace has landed. A clock that was set back teaches nothing, and the new time counts from now on.
    pub fn landed(&mut self, at: Timestamp) {
        let interval_s = self
            .last
            .map_or(0.0, |last| at.duration_since(last).as_secs_f64());
        self.last = Some(at);
        if interval_s > 0.0 {
            if self.intervals_s.len() == REMEMBERED {
                self.intervals_s.pop_front();
            }
            self.intervals_s.push_back(interval_s);
        }
    }

    /// When the last trace landed.
    pub fn last(&self) -> Option<Timestamp> {
        self.last
    }

    /// The cycle time, s: the median of what was seen, never below the method's (traces of a backlog land at once)
    /// nor far above it.
    pub fn cycle_s(&self) -> f64 {
        let mut seen: Vec<f64> = self.intervals_s.iter().copied().collect();
        seen.sort_by(f64::total_cmp);
        let median = seen.get(seen.len() / 2).copied().unwrap_or(self.nominal_s);
        median.clamp(self.nominal_s, self.nominal_s * LONGEST)
    }

    /// When the next trace counts as late.
    pub fn late_at(&self) -> Option<Timestamp> {
        self.after(self.cycle_s() + self.late_s)
    }

    /// When a silent queue counts as ended.
    pub fn quiet_at(&self) -> Option<Timestamp> {
        self.after(self.cycle_s() * QUIET_CYCLES)
    }

    fn after(&self, seconds: f64) -> Option<Timestamp> {
        later(self.last?, seconds)
    }
}

/// `from` plus so many seconds; `None` beyond the calendar.
pub fn later(from: Timestamp, seconds: f64) -> Option<Timestamp> {
    from.checked_add(SignedDuration::try_from_secs_f64(seconds).ok()?)
        .ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(1_700_000_000 + s).unwrap()
    }

    #[test]
    fn the_methods_cycle_counts_until_the_queue_shows_its_own() {
        let mut p = Pace::new(1320.0, 600.0);
        assert_eq!(p.late_at(), None);
        p.landed(at(0));
        assert_eq!(p.late_at(), Some(at(1920)));
        for k in 1..6 {
            p.landed(at(k * 1500));
        }
        assert_eq!(p.cycle_s(), 1500.0);
        assert_eq!(p.late_at(), Some(at(5 * 1500 + 2100)));
        assert_eq!(p.quiet_at(), Some(at(5 * 1500 + 4500)));
    }

    #[test]
    fn a_clock_that_was_set_back_counts_from_its_new_time() {
        let mut p = Pace::new(1320.0, 600.0);
        p.landed(at(7200));
        p.landed(at(3600));
        assert_eq!(p.late_at(), Some(at(3600 + 1920)));
    }

    #[test]
    fn a_backlog_teaches_no_pace() {
        let mut p = Pace::new(1320.0, 600.0);
        for k in 0..20 {
            p.landed(at(k));
        }
        assert_eq!(p.cycle_s(), 1320.0);
    }
}
