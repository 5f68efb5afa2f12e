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
    /// What the clock shows beyond the plan until the end if the next injections keep the learnt pace, min.
    fn behind_min(&self) -> f64 {
        let (first, first_at) = self.first;
        let (last, last_at) = self.last;
        let planned_s = last.saturating_sub(first) as f64 * self.planned_cycle_s;
        let so_far_s = last_at.duration_since(first_at).as_secs_f64() - planned_s;
        let ahead = self.injections.saturating_sub(last + 1) as f64;
        let to_come_s = ahead * (self.cycle_s - self.planned_cycle_s).max(0.0);
        (so_far_s.max(0.0) + to_come_s) / 60.0 / self.time_scale
    }
}

/// What remains at the queue's end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// Needed from the start until the end, mL, if the next trace is on time.
    pub needed_ml: f64,
    /// What may be used, mL.
    pub may_ml: f64,
    /// How much longer than planned the queue runs, min.
    pub behind_min: f64,
    /// From this moment on it does not last: past, or when the next trace has been overdue for long enough; `None`: it
    /// lasts, however long the queue stands.
    pub short_at: Option<Timestamp>,
}

impl Outlook {
    /// It does not last, as far as is known now.
    pub fn is_short(&self, now: Timestamp) -> bool {
        self.short_at.is_some_and(|t| t <= now)
    }

    /// What is needed if the queue stands still until now, mL.
    pub fn spare_ml(&self) -> f64 {
        self.may_ml - self.needed_ml
    }
}

/// What becomes of a container; `None` where nobody said what is in it.
pub fn outlook(container: &Container, course: &Course) -> Option<Outlook> {
    let may_ml = container.may_ml()?;
    let behind_min = course.behind_min();
    let idle_ml_min = container.draw.between_ml_min();
    let needed_ml = container.draw.whole_ml(course.injections) + behind_min * idle_ml_min;
    let (last, last_at) = course.last;
    let spare_ml = may_ml - needed_ml;
    let short_at = if spare_ml < -1e-12 * may_ml {
        Some(last_at)
    } else if last + 1 < course.injections && idle_ml_min > 0.0 {
        let idle_s = spare_ml.max(0.0) / idle_ml_min * 60.0 * course.time_scale;
        later(last_at, course.cycle_s + idle_s)
    } else {
        None
    };
    Some(Outlook {
        needed_ml,
        may_ml,
        behind_min,
        short_at,
    })
}
