//! How fast a queue runs: expected until it has shown its own pace.
//!
//! The pace is learnt from the times at which files were written, so that a backlog teaches it as well as traces that land one
//! by one; where these times say nothing, from the times of landing. How long a queue has been silent is counted from its
//! last landing, on this machine's clock. Both are moments and no times of day: summer time changes neither.

use std::collections::VecDeque;

use jiff::{SignedDuration, Timestamp};

use crate::quant::describe::median;

/// So many intervals are remembered: enough for a median that one pause does not move.
const REMEMBERED: usize = 15;
/// A queue without a sign of life for so many cycle times has ended.
pub const QUIET_CYCLES: f64 = 3.0;
/// A learnt cycle may be at most so many times the method's: beyond, pauses were learnt and not a pace.
const LONGEST: f64 = 3.0;
/// And at least so many times: no injection follows faster, files were copied or exported together.
const SHORTEST: f64 = 0.5;
/// So many intervals may say that the queue is faster than the method; one alone may say that it is slower.
const ENOUGH: usize = 3;
/// MAD to standard deviation of a normal distribution: 1/0.67449 (recomputed).
const MAD_TO_SD: f64 = 1.482_602_2;
/// A trace within so many standard deviations of its time is not late, whatever the limit: common practice, no source.
const SPREADS: f64 = 3.0;

/// The pace of one queue.
#[derive(Debug, Clone)]
pub struct Pace {
    nominal_s: f64,
    late_s: f64,
    /// When the last trace landed, by the clock as it goes now.
    last: Option<Timestamp>,
    /// When the last trace was written, by the clock of its files.
    written: Option<Timestamp>,
    /// The latest time that was said to be now.
    seen: Option<Timestamp>,
    intervals_s: VecDeque<f64>,
}

impl Pace {
    /// `nominal_s`: run time plus overhead; `late_s`: how long past its time a trace may be. Seconds.
    pub fn new(nominal_s: f64, late_s: f64) -> Pace {
        Pace {
            nominal_s,
            late_s,
            last: None,
            written: None,
            seen: None,
            intervals_s: VecDeque::new(),
        }
    }

    /// An injection's trace has landed for the first time; its file bears the same time.
    pub fn landed(&mut self, at: Timestamp) {
        self.came(at, at);
    }

    /// An injection's trace has landed for the first time; `written`: the time that its file bears. A clock that was set back
    /// teaches nothing, and the new time counts from now on.
    pub fn came(&mut self, written: Timestamp, at: Timestamp) {
        let least_s = self.nominal_s * SHORTEST;
        let between = |from: Option<Timestamp>, to: Timestamp| {
            from.map(|from| to.duration_since(from).as_secs_f64())
                .filter(|s| *s > 0.0 && *s >= least_s)
        };
        let interval_s = between(self.written, written).or(between(self.last, at));
        (self.written, self.last) = (Some(written), Some(at));
        if let Some(interval_s) = interval_s {
            if self.intervals_s.len() == REMEMBERED {
                self.intervals_s.pop_front();
            }
            self.intervals_s.push_back(interval_s);
        }
    }

    /// It is so late now. Where that is earlier than it was, the clock was set back: the last landing moves with it, and the
    /// step is given, below zero.
    pub fn saw(&mut self, now: Timestamp) -> Option<SignedDuration> {
        let before = self.seen.max(self.last);
        self.seen = Some(now);
        let step = now.duration_since(before?);
        step.is_negative().then(|| {
            self.last = moved(self.last, step);
            step
        })
    }

    /// The clock has moved by so much without time in which a trace could have been seen: it was set, or the machine slept.
    pub fn clock_moved(&mut self, by: SignedDuration) {
        self.last = moved(self.last, by);
        self.seen = moved(self.seen, by);
    }

    /// When the last trace landed.
    pub fn last(&self) -> Option<Timestamp> {
        self.last
    }

    /// The cycle time, s: the median of what was seen, never far below or above the method's. Until a few intervals are known
    /// the queue counts as no faster than the method.
    pub fn cycle_s(&self) -> f64 {
        let Some(median_s) = median(&self.intervals()) else {
            return self.nominal_s;
        };
        let known = self.intervals_s.len() >= ENOUGH;
        let least = if known { SHORTEST } else { 1.0 };
        median_s.clamp(self.nominal_s * least, self.nominal_s * LONGEST)
    }

    fn intervals(&self) -> Vec<f64> {
        self.intervals_s.iter().copied().collect()
    }

    /// How cycle times scatter about their median, s: 1.4826 times the median absolute deviation, the standard deviation of
    /// as many regular ones, which a pause does not move (textbook formula; recomputed). `None` until it is known.
    pub fn spread_s(&self) -> Option<f64> {
        let median_s = median(&self.intervals())?;
        let off: Vec<f64> = self
            .intervals_s
            .iter()
            .map(|s| (s - median_s).abs())
            .collect();
        median(&off)
            .filter(|_| self.intervals_s.len() >= ENOUGH)
            .map(|mad_s| MAD_TO_SD * mad_s)
    }

    /// How long past its expected time the next trace may come, s: the method's limit, and where cycles scatter more than
    /// that allows, three of their standard deviations, at most a cycle.
    pub fn allowance_s(&self) -> f64 {
        let scatter_s = SPREADS * self.spread_s().unwrap_or(0.0);
        self.late_s.max(scatter_s.min(self.cycle_s()))
    }

    /// When the next trace counts as late.
    pub fn late_at(&self) -> Option<Timestamp> {
        self.after(self.cycle_s() + self.allowance_s())
    }

    /// When a silent queue counts as ended.
    pub fn quiet_at(&self) -> Option<Timestamp> {
        self.after(self.cycle_s() * QUIET_CYCLES)
    }

    /// When a silent queue of which more is due counts as ended: not before it has been late for a cycle.
    pub fn given_up_at(&self) -> Option<Timestamp> {
        let late_s = self.cycle_s() + self.allowance_s();
        self.after((self.cycle_s() * QUIET_CYCLES).max(late_s + self.cycle_s()))
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

/// A moment moved with the clock; one that would leave the calendar stays.
pub fn moved(at: Option<Timestamp>, by: SignedDuration) -> Option<Timestamp> {
    at.map(|at| at.checked_add(by).unwrap_or(at))
}

#[cfg(test)]
mod tests;
