//! The queue whose pressure is watched: what its course knows of it.

use std::collections::{BTreeSet, VecDeque};
use std::time::Instant;

use jiff::Timestamp;

use super::gauge::Gauge;
use crate::night::queue::{Queue, Slot};
use crate::pressure::Reading;
use crate::pressure::course::{Course, Plan};
use crate::pressure::unit::Unit;

/// The queue that is watched.
pub(super) struct Tracked {
    pub(super) name: String,
    pub(super) course: Course,
    /// Stems whose landing the course knows.
    pub(super) landed: BTreeSet<String>,
    /// Landings that are to be told to the course, by time.
    pub(super) landings: VecDeque<(Timestamp, usize)>,
    /// Stems whose own value has been taken.
    pub(super) valued: BTreeSet<String>,
    /// Readings up to here were judged before.
    pub(super) until: Option<Timestamp>,
    /// The same for the upper limit, judged while the queue waited to begin.
    pub(super) high_until: Option<Timestamp>,
    pub(super) judged: Option<Timestamp>,
    /// The course knows the first landing, and with it the phases of the cycle.
    pub(super) begun: bool,
    /// Nothing has landed yet.
    pub(super) waiting: bool,
    pub(super) saved: Option<Instant>,
    pub(super) slots: usize,
}

impl Tracked {
    /// Landings that the course does not know yet.
    pub(super) fn learn_landings(&mut self, queue: &Queue) {
        if queue.slots().len() != self.slots || self.landed.is_empty() {
            self.slots = queue.slots().len();
            self.course.set_plan(plan(queue));
        }
        let fresh = landed_slots(queue).filter(|(_, s, _)| !self.landed.contains(&s.plan.stem));
        let mut fresh: Vec<(Timestamp, usize, String)> = fresh
            .map(|(k, s, at)| (at, k, s.plan.stem.clone()))
            .collect();
        fresh.sort();
        for (at, index, stem) in fresh {
            self.landings.push_back((at, index));
            self.landed.insert(stem);
        }
    }
}

pub(super) fn plan(queue: &Queue) -> Plan {
    let of = |s: &Slot| (s.plan.position, s.plan.name.clone());
    Plan {
        // Without a list nobody knows what comes next.
        injections: if queue.listed {
            queue.slots().iter().map(of).collect()
        } else {
            Vec::new()
        },
        listed: queue.listed,
    }
}

/// Slots in which a trace has landed, with the time at which its file was written.
pub(super) fn landed_slots(queue: &Queue) -> impl Iterator<Item = (usize, &Slot, Timestamp)> {
    let slots = queue.slots().iter().enumerate();
    slots.filter_map(|(k, s)| Some((k, s, s.landing.as_ref()?.modified)))
}

/// Values that stand for whole injections: rows of the log that name a trace, and a column of the run list that is named
/// after the pressure. Each counts once, at the time of its trace.
pub(super) fn values_of_injections(
    gauge: &mut Gauge,
    tracked: &mut Tracked,
    queue: &Queue,
) -> Vec<Reading> {
    let mut out = Vec::new();
    let mut left = VecDeque::new();
    for value in std::mem::take(&mut gauge.pending) {
        match queue.slot_of(&value.stem).and_then(|s| s.landing.as_ref()) {
            Some(landing) => {
                if tracked.valued.insert(value.stem.clone()) {
                    out.push(whole(landing.modified, value.mpa));
                }
            }
            None => left.push_back(value),
        }
    }
    gauge.pending = left;
    let column = queue.extra.iter().enumerate().find_map(|(k, name)| {
        let lower = name.to_lowercase();
        let of_pressure = lower.contains("pressure") || lower.contains("druck");
        of_pressure.then_some((k, Unit::in_name(name)?))
    });
    if let Some((column, unit)) = column {
        for (_, slot, at) in landed_slots(queue) {
            let cell = slot
                .plan
                .extra
                .get(column)
                .map(|c| c.trim().replace(',', "."));
            let value = cell.and_then(|c| c.parse::<f64>().ok());
            if let Some(value) = value.filter(|v| v.is_finite())
                && tracked.valued.insert(slot.plan.stem.clone())
            {
                out.push(whole(at, value * unit.mpa()));
            }
        }
    }
    out
}

fn whole(at: Timestamp, mpa: f64) -> Reading {
    Reading {
        at,
        mpa,
        whole: true,
    }
}
