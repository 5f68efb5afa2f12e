//! What becomes of a container while the queue runs, at the pace that the night has shown.
//!
//! The plan counts what a queue on time needs. A queue that is behind it has pumped on meanwhile: every minute beyond the
//! plan costs the flow between runs. So does every minute in which the next trace is overdue, until it lands or the queue
//! ends. A pause in which somebody stopped the pump looks the same; it counts as pumped: too early a warning, never one too
//! late.

use jiff::Timestamp;

use super::Container;
use crate::night::pace::later;

/// How far a queue has come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Injections in its list.
    pub injections: usize,
    /// Index of the injection that landed first, and when.
    pub first: (usize, Timestamp),
    /// Index of the furthest injection that has landed, and when.
    pub last: (usize, Timestamp),
    /// Cycle of the method, s of the clock.
    pub planned_cycle_s: f64,
    /// Cycle as learnt, s of the clock, not below the planned one.
    pub cycle_s: f64,
    /// Seconds of the clock for one second of the instrument: 1 in life.
    pub time_scale: f64,
}

impl Course {
    /// Minutes of the instrument for seconds of the clock.
    fn minutes(&self, seconds: f64) -> f64 {
        seconds / 60.0 / self.time_scale
    }

    /// How much later than planned the furthest injection landed, min.
    fn behind_min(&self) -> f64 {
        let (first, first_at) = self.first;
        let (last, last_at) = self.last;
        let planned_s = last.saturating_sub(first) as f64 * self.planned_cycle_s;
        let so_far_s = last_at.duration_since(first_at).as_secs_f64();
        self.minutes((so_far_s - planned_s).max(0.0))
    }

    /// How much longer than planned each further cycle takes at the learnt pace, min.
    fn slower_min(&self) -> f64 {
        self.minutes((self.cycle_s - self.planned_cycle_s).max(0.0))
    }

    fn remaining(&self) -> usize {
        self.injections.saturating_sub(self.last.0 + 1)
    }
}

/// What remains of one container at the queue's end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// Needed from the start until the end, mL, if the next trace is on time.
    pub needed_ml: f64,
    /// What may be used, mL.
    pub may_ml: f64,
    /// How much longer than planned the queue will have run, min, if the next trace is on time.
    pub behind_min: f64,
    /// From this moment on it does not last: past, or when the next trace has been overdue for long enough; `None`: it
    /// lasts, however long the queue stands.
    pub short_at: Option<Timestamp>,
    /// Used until the furthest landing, mL.
    pub used_ml: f64,
    /// One further cycle at the learnt pace, mL.
    pub each_ml: f64,
    idle_ml_min: f64,
    due_at: Option<Timestamp>,
    time_scale: f64,
}

impl Outlook {
    /// It does not last, as far as is known now.
    pub fn is_short(&self, now: Timestamp) -> bool {
        self.short_at.is_some_and(|t| t <= now)
    }

    /// So long the next trace has been overdue, min of the instrument.
    pub fn overdue_min(&self, now: Timestamp) -> f64 {
        let late = |due: Timestamp| now.duration_since(due).as_secs_f64() / 60.0 / self.time_scale;
        self.due_at.map_or(0.0, late).max(0.0)
    }

    /// Needed from the start until the end if the next trace came now, mL.
    pub fn needed_at_ml(&self, now: Timestamp) -> f64 {
        self.needed_ml + self.overdue_min(now) * self.idle_ml_min
    }

    /// So many further injections are over before it is used up.
    pub fn fitting(&self, now: Timestamp) -> usize {
        let left_ml = self.may_ml - self.used_ml - self.overdue_min(now) * self.idle_ml_min;
        let cycles = left_ml / self.each_ml;
        // A cast takes what is below 0, or no number, as 0.
        if cycles.is_finite() {
            cycles as usize
        } else {
            0
        }
    }
}

/// What becomes of a container; `None` where nobody said what is in it.
pub fn outlook(container: &Container, course: &Course) -> Option<Outlook> {
    let may_ml = container.may_ml()?;
    let draw = &container.draw;
    let idle_ml_min = draw.between_ml_min();
    let (last, last_at) = course.last;
    let (so_far_min, slower_min) = (course.behind_min(), course.slower_min());
    let behind_min = so_far_min + course.remaining() as f64 * slower_min;
    let needed_ml = draw.whole_ml(course.injections) + behind_min * idle_ml_min;
    let spare_ml = may_ml - needed_ml;
    let waits = course.remaining() > 0;
    let due_at = later(last_at, course.cycle_s).filter(|_| waits);
    // What an exact fit loses to rounding is no shortfall.
    let short_at = if spare_ml < -1e-12 * may_ml {
        Some(last_at)
    } else if idle_ml_min > 0.0 {
        let idle_s = spare_ml.max(0.0) / idle_ml_min * 60.0 * course.time_scale;
        due_at.and_then(|due| later(due, idle_s))
    } else {
        None
    };
    Some(Outlook {
        needed_ml,
        may_ml,
        behind_min,
        short_at,
        used_ml: draw.after_cycles_ml(last + 1) + so_far_min * idle_ml_min,
        each_ml: draw.cycle_ml() + slower_min * idle_ml_min,
        idle_ml_min,
        due_at,
        time_scale: course.time_scale,
    })
}
