//! What happens to a queue: traces land, time passes, it ends.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::{Queue, Slot, tell};
use crate::method::ScatterOf;
use crate::night::Landing;
use crate::night::pace::{later, moved};
use crate::runlist::{Injection, Kind};

impl Queue {
    /// A trace has landed in the slot of its stem; false where there is none.
    pub fn land(&mut self, landing: Arc<Landing>) -> bool {
        let Some(&k) = self.by_stem.get(&landing.stem) else {
            return false;
        };
        let Some(slot) = self.slots.get_mut(k) else {
            return false;
        };
        let at = landing.landed_at;
        if !slot.is_settled() {
            self.unsettled -= 1;
        }
        let written = landing.modified;
        let again = slot.landing.replace(landing).is_some();
        slot.missing = false;
        self.touch(k);
        if !again {
            // An export repeated by hand is no sign that the queue goes on.
            self.pace.came(written, at);
            self.overdue = false;
        }
        self.overtake(k, at);
        self.ended = false;
        true
    }

    /// Adds a slot for a trace that no list names: in the order of the positions that names give (0: it gives none), of
    /// modification time, of stem.
    pub fn land_unlisted(&mut self, plan: Injection, landing: Arc<Landing>) {
        if let Some(&old) = self.by_stem.get(&landing.stem) {
            self.slots.remove(old);
            self.by_stem.clear();
        }
        let mut slot = Slot::new(plan, false);
        slot.given = (slot.plan.position > 0).then_some(slot.plan.position);
        slot.landing = Some(Arc::clone(&landing));
        let key = order(&slot);
        let at = if self.slots.last().is_none_or(|s| order(s) < key) {
            self.slots.len()
        } else {
            self.slots.partition_point(|s| order(s) < key)
        };
        let appended = at == self.slots.len()
            && self.by_stem.len() == self.slots.len()
            && slot.plan.kind == Kind::Sample;
        slot.landing = None;
        slot.plan.position = slot.given.unwrap_or(at as u64 + 1);
        self.slots.insert(at, slot);
        self.unsettled += 1;
        if appended {
            self.by_stem.insert(landing.stem.clone(), at);
            self.enrol(at);
        } else {
            for (k, slot) in self.slots.iter_mut().enumerate() {
                slot.plan.position = slot.given.unwrap_or(k as u64 + 1);
            }
            self.index();
        }
        self.land(landing);
    }

    /// Marks a slot, and what it can change, for judgement.
    fn touch(&mut self, k: usize) {
        self.dirty.insert(k);
        let Some(slot) = self.slots.get(k) else {
            return;
        };
        match slot.plan.kind {
            Kind::Standard => {
                let out_of_turn = self.last_landed.is_some_and(|l| l > k);
                if out_of_turn && self.method.scatter == ScatterOf::Standards {
                    // The samples behind it have reckoned without it.
                    let behind = (k + 1..self.slots.len())
                        .filter(|j| self.slots.get(*j).is_some_and(Slot::is_settled));
                    self.dirty.extend(behind);
                }
                if let Some(same) = self.levels.get(&slot.plan.level) {
                    // Later standards are held against the first: they change only if this may be the first.
                    let first = same
                        .iter()
                        .copied()
                        .find(|s| self.slots.get(*s).is_some_and(|s| s.landing.is_some()));
                    if first.is_none_or(|f| f >= k) {
                        self.dirty.extend(same.iter().copied().filter(|s| {
                            *s > k && self.slots.get(*s).is_some_and(Slot::is_settled)
                        }));
                    }
                }
            }
            Kind::Calibrator => self.refit = true,
            _ => {}
        }
    }

    /// Remembers which slots a landing has overtaken.
    fn overtake(&mut self, k: usize, at: Timestamp) {
        self.first_landing.get_or_insert((k, at));
        self.overtaken.remove(&k);
        let from = self.last_landed.map_or(0, |l| l + 1);
        if self.last_landed.is_none_or(|l| l < k) {
            for j in from..k {
                if self.slots.get(j).is_some_and(|s| !s.is_settled()) {
                    self.overtaken.entry(j).or_insert(at);
                }
            }
            self.last_landed = Some(k);
            self.furthest_at = Some(at);
        }
    }

    /// Lets time pass: overtaken injections become missing after a cycle time, a late trace is told, a silent queue ends.
    pub fn tick(&mut self, now: Timestamp) {
        if let Some(back) = self.pace.saw(now) {
            self.move_overtaken(back);
        }
        let cycle_s = self.pace.cycle_s();
        let gone: Vec<usize> = self
            .overtaken
            .iter()
            .filter(|(_, at)| later(**at, cycle_s).is_some_and(|t| t <= now))
            .map(|(k, _)| *k)
            .collect();
        for k in gone {
            self.overtaken.remove(&k);
            self.miss(k);
        }
        // Found out here and told by the next judgement: one that comes before a backlog is read knows nothing of it.
        self.overdue = self.is_waiting() && self.pace.late_at().is_some_and(|t| t <= now);
        if !self.ended && self.is_over(now) {
            self.end();
        }
        self.watch_budget(now);
    }

    /// This machine's clock was set, or it slept: what is counted from past moments moves by so much, and no trace is late
    /// for time in which nobody could see it.
    pub fn clock_moved(&mut self, by: SignedDuration) {
        self.pace.clock_moved(by);
        self.move_overtaken(by);
    }

    fn move_overtaken(&mut self, by: SignedDuration) {
        for at in self.overtaken.values_mut() {
            *at = moved(Some(*at), by).unwrap_or(*at);
        }
    }

    /// When silence ends the queue.
    pub(super) fn given_up_at(&self) -> Option<Timestamp> {
        if self.is_waiting() {
            self.pace.given_up_at()
        } else {
            self.pace.quiet_at()
        }
    }

    /// No further injection will come: what has not landed is missing.
    pub fn end(&mut self) {
        if self.ended {
            return;
        }
        self.ended = true;
        self.just_ended = true;
        self.overtaken.clear();
        for k in 0..self.slots.len() {
            if self.slots.get(k).is_some_and(|s| !s.is_settled()) {
                self.miss(k);
            }
            // Brackets that waited are open now, incomplete groups are judged, and all know whom they touch.
            self.dirty.insert(k);
        }
        self.refit |= !self.calibrators.is_empty() && self.serving.own().is_none();
    }

    /// It had ended before it was taken up again: the same as [`Queue::end`], and nobody is told once more.
    pub fn resume_ended(&mut self) {
        self.end();
        self.just_ended = false;
    }

    fn miss(&mut self, k: usize) {
        if let Some(slot) = self.slots.get_mut(k) {
            slot.missing = true;
            self.unsettled -= 1;
            self.touch(k);
        }
    }

    /// The next time at which [`Queue::tick`] has something to do.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        let cycle_s = self.pace.cycle_s();
        let missing = self
            .overtaken
            .values()
            .filter_map(|at| later(*at, cycle_s))
            .min();
        let late = self
            .is_waiting()
            .then(|| self.pace.late_at())
            .flatten()
            .filter(|_| !self.alerts.is_open(tell::LATE));
        let quiet = (!self.ended).then(|| self.given_up_at()).flatten();
        [missing, late, quiet, self.budget_deadline()]
            .into_iter()
            .flatten()
            .min()
    }
}

/// Order of the slots of a queue without a list.
fn order(slot: &Slot) -> (u64, Option<(Timestamp, String)>) {
    let landed = slot.landing.as_ref().map(|l| (l.modified, l.stem.clone()));
    (slot.given.unwrap_or(u64::MAX), landed)
}
