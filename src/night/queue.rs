//! One queue: its slots in order, what has landed in them, and who serves as calibration.
//!
//! A landing touches only what it can change: its own slot, the bracket around a standard, its replicate group, later
//! standards of its level, and everything once when the calibrators are fitted. [`judge`](super::queue::Queue::judge)
//! works that off and says which slots' rows changed, so that no result looks at the whole queue again.

mod beside;
mod judge;
mod land;
mod repeat;
mod tell;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use jiff::Timestamp;

use super::alarm::{Alert, AlertChanges, Alerts};
use super::bracket::Checkpoint;
use super::calibrate::{Named, Serving};
use super::join::{self, Kin};
use super::pace::Pace;
use super::replicate::Group;
pub use super::slot::{Row, Slot};
use super::{Landing, Verdict};
use crate::budget::{self, Container, Course};
use crate::check::Failure;
use crate::method::Method;
use crate::runlist::{Kind, RunList};
pub use repeat::Standing;

/// What a call to [`Queue::judge`] changed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Changes {
    /// Slots whose rows changed, ascending.
    pub slots: Vec<usize>,
    /// Slots were added, removed or moved: every index may mean another injection now.
    pub rebuilt: bool,
    /// Alerts raised and cleared.
    pub alerts: AlertChanges,
    /// The queue ended with this call.
    pub ended: bool,
    /// What repeats gave for its samples changed.
    pub rejoined: bool,
}

/// One unattended series of injections.
#[derive(Debug, Clone)]
pub struct Queue {
    /// Its name, and the name of its results' folder.
    pub name: String,
    /// It has a run list.
    pub listed: bool,
    /// Things worth saying in the summary of how the list was read.
    pub notes: Vec<String>,
    /// Names of the run list's extra columns.
    pub extra: Vec<String>,
    /// What its summary says of the pressure, where a log is read.
    pub pressure: Option<crate::pressure::digest::Digest>,
    /// What stands behind its results.
    pub made: super::made::Made,
    /// When its run list was written, where it has one.
    pub dated: Option<Timestamp>,
    method: Arc<Method>,
    stored: Option<Named>,
    serving: Serving,
    calibration_failures: Vec<Failure>,
    calibration_alerts: Vec<String>,
    slots: Vec<Slot>,
    by_stem: HashMap<String, usize>,
    checkpoints: Vec<Checkpoint>,
    groups: Vec<Group>,
    by_group: HashMap<(String, Option<u64>), usize>,
    levels: HashMap<String, Vec<usize>>,
    calibrators: BTreeSet<usize>,
    /// Slots before the last landed one that have not landed, with the time at which they were overtaken.
    overtaken: BTreeMap<usize, Timestamp>,
    last_landed: Option<usize>,
    /// What landed first, and when.
    first_landing: Option<(usize, Timestamp)>,
    /// When the last landed slot landed first.
    furthest_at: Option<Timestamp>,
    /// What is drawn from and filled while it runs.
    containers: Vec<Container>,
    /// Its list is new since its budget was looked at.
    relisted: bool,
    unsettled: usize,
    pace: Pace,
    /// The next trace is late, as the last tick found.
    overdue: bool,
    time_scale: f64,
    alerts: Alerts,
    /// What conditions changed since the last judgement.
    pending: AlertChanges,
    ended: bool,
    just_ended: bool,
    dirty: BTreeSet<usize>,
    refit: bool,
    rebuilt: bool,
    /// Stem → the others of its family.
    kin: HashMap<String, Vec<Kin>>,
    /// Replicate groups to look at again, since a repeat changed.
    regroup: BTreeSet<usize>,
    rejoined: bool,
}

/// What every queue of a station is judged with.
#[derive(Debug, Clone)]
pub struct Terms {
    /// The method.
    pub method: Arc<Method>,
    /// The station's stored calibration.
    pub stored: Option<Named>,
    /// 1 in life; a rehearsal runs its cycle times faster.
    pub time_scale: f64,
}

impl Queue {
    /// An empty queue without a list; slots are added as traces land.
    pub fn unlisted(name: &str, terms: &Terms) -> Queue {
        Queue::build(name, terms, Vec::new(), false)
    }

    /// A queue as its run list plans it.
    pub fn planned(name: &str, terms: &Terms, list: &RunList) -> Queue {
        let mut queue = Queue::build(
            name,
            terms,
            list.injections
                .iter()
                .map(|i| Slot::new(i.clone(), true))
                .collect(),
            true,
        );
        queue.notes = list.notes.clone();
        queue.extra = list.extra.clone();
        queue
    }

    fn build(name: &str, terms: &Terms, slots: Vec<Slot>, listed: bool) -> Queue {
        let method = Arc::clone(&terms.method);
        let pace = Pace::new(
            method.cycle_s() * terms.time_scale,
            method.limits.late_trace_min * 60.0 * terms.time_scale,
        );
        let mut queue = Queue {
            name: name.to_owned(),
            listed,
            notes: Vec::new(),
            extra: Vec::new(),
            pressure: None,
            made: super::made::Made::default(),
            dated: None,
            serving: Serving::stored(terms.stored.clone()),
            stored: terms.stored.clone(),
            method,
            calibration_failures: Vec::new(),
            calibration_alerts: Vec::new(),
            slots,
            by_stem: HashMap::new(),
            checkpoints: Vec::new(),
            groups: Vec::new(),
            by_group: HashMap::new(),
            levels: HashMap::new(),
            calibrators: BTreeSet::new(),
            overtaken: BTreeMap::new(),
            last_landed: None,
            first_landing: None,
            furthest_at: None,
            containers: budget::containers(&terms.method),
            relisted: true,
            unsettled: 0,
            pace,
            overdue: false,
            time_scale: terms.time_scale,
            alerts: Alerts::default(),
            pending: AlertChanges::default(),
            ended: false,
            just_ended: false,
            dirty: BTreeSet::new(),
            refit: false,
            rebuilt: true,
            kin: HashMap::new(),
            regroup: BTreeSet::new(),
            rejoined: false,
        };
        queue.index();
        queue
    }

    /// Takes over the alerts that the ledger remembers, before the first call to [`Queue::judge`].
    pub fn remember(&mut self, alerts: Alerts) {
        self.alerts = alerts;
    }

    /// Its alerts so far: what a rebuilt queue goes on with.
    pub fn take_alerts(&mut self) -> Alerts {
        std::mem::take(&mut self.alerts)
    }

    /// Raises a condition that no slot knows of; `None` where it is open already.
    pub fn raise(&mut self, alert: &Alert) -> Option<AlertChanges> {
        if self.alerts.is_open(&alert.key) {
            return None;
        }
        let (_, changes) = self
            .alerts
            .settle(&[], vec![alert.clone()], alert.raised_at);
        Some(changes)
    }

    /// Clears a condition; `None` where it is not open.
    pub fn clear(&mut self, key: &str, now: Timestamp) -> Option<AlertChanges> {
        let cleared = self.alerts.clear(key, now)?;
        Some(AlertChanges {
            raised: Vec::new(),
            cleared: vec![cleared],
        })
    }

    /// What conditions changed since the last judgement.
    pub(super) fn pending_alerts(&mut self) -> &mut AlertChanges {
        &mut self.pending
    }

    /// A condition changed and [`Queue::judge`] has not said so yet.
    pub fn has_pending(&self) -> bool {
        !self.pending.is_empty()
    }

    /// Everything that is derived from the slots' order.
    fn index(&mut self) {
        self.by_stem = self
            .slots
            .iter()
            .enumerate()
            .map(|(k, s)| (s.plan.stem.clone(), k))
            .collect();
        let kind = |k: usize| self.slots.get(k).map(|s| s.plan.kind);
        self.checkpoints = super::bracket::checkpoints(
            self.slots.len(),
            |k| kind(k) == Some(Kind::Standard),
            |k| kind(k) == Some(Kind::Sample),
        );
        self.groups.clear();
        self.regroup.clear();
        self.by_group.clear();
        self.levels.clear();
        self.calibrators.clear();
        for k in 0..self.slots.len() {
            self.enrol(k);
        }
        self.last_landed = self.slots.iter().rposition(|s| s.landing.is_some());
        self.unsettled = self.slots.iter().filter(|s| !s.is_settled()).count();
        self.dirty.extend(
            (0..self.slots.len()).filter(|k| self.slots.get(*k).is_some_and(Slot::is_settled)),
        );
        self.refit = !self.calibrators.is_empty();
        self.rebuilt = true;
    }

    /// Notes the slot in its replicate group, its level, the calibrators.
    fn enrol(&mut self, k: usize) {
        let analytes = self.method.analytes.len();
        let Some(slot) = self.slots.get_mut(k) else {
            return;
        };
        slot.group = None;
        match slot.plan.kind {
            Kind::Sample if !slot.plan.series.is_empty() => {
                let key = (slot.plan.series.clone(), slot.plan.time_h.map(f64::to_bits));
                let group = *self.by_group.entry(key).or_insert_with(|| {
                    self.groups.push(Group {
                        series: slot.plan.series.clone(),
                        time_h: slot.plan.time_h,
                        members: Vec::new(),
                        disagree: vec![None; analytes],
                    });
                    self.groups.len() - 1
                });
                slot.group = Some(group);
                if let Some(g) = self.groups.get_mut(group) {
                    g.members.push(k);
                }
            }
            Kind::Standard => self
                .levels
                .entry(slot.plan.level.clone())
                .or_default()
                .push(k),
            Kind::Calibrator => {
                self.calibrators.insert(k);
            }
            _ => {}
        }
    }

    /// A listed injection after the last landed one is still to come.
    fn is_waiting(&self) -> bool {
        self.listed && !self.ended && self.last_landed.is_some_and(|l| l + 1 < self.slots.len())
    }

    /// How far it has come; `None` before anything has landed.
    pub(super) fn course(&self) -> Option<Course> {
        Some(Course {
            injections: self.slots.len(),
            first: self.first_landing?,
            last: (self.last_landed?, self.furthest_at?),
            planned_cycle_s: self.method.cycle_s() * self.time_scale,
            cycle_s: self.budgeted_cycle_s(),
            time_scale: self.time_scale,
        })
    }

    /// The cycle time that bottles are reckoned with, s: as learnt once a few intervals are known, since one pause is no pace.
    fn budgeted_cycle_s(&self) -> f64 {
        let planned_s = self.method.cycle_s() * self.time_scale;
        match self.pace.spread_s() {
            Some(_) => self.pace.cycle_s().max(planned_s),
            None => planned_s,
        }
    }

    /// It has begun, and every injection of its list is accounted for, or it has been silent for too long.
    pub(super) fn is_over(&self, now: Timestamp) -> bool {
        let done = self.listed && self.unsettled == 0;
        let quiet = self.given_up_at().is_some_and(|t| t <= now);
        self.pace.last().is_some() && (done || quiet)
    }

    /// Bottles and waste container.
    pub(super) fn containers(&self) -> &[Container] {
        &self.containers
    }

    /// True the first time after its list was taken up.
    pub(super) fn take_relisted(&mut self) -> bool {
        std::mem::take(&mut self.relisted)
    }

    /// Seconds of the clock for one second of the instrument.
    pub(super) fn time_scale(&self) -> f64 {
        self.time_scale
    }

    /// The slots in order.
    pub fn slots(&self) -> &[Slot] {
        &self.slots
    }

    /// The slot of a stem.
    pub fn slot_of(&self, stem: &str) -> Option<&Slot> {
        self.slots.get(*self.by_stem.get(stem)?)
    }

    /// The replicate groups in the order of their first member.
    pub fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// The checkpoints in order.
    pub fn checkpoints(&self) -> &[Checkpoint] {
        &self.checkpoints
    }

    /// The method it is judged by.
    pub fn method(&self) -> &Method {
        &self.method
    }

    /// What serves as calibration.
    pub fn serving(&self) -> &Serving {
        &self.serving
    }

    /// Its alerts.
    pub fn alerts(&self) -> &Alerts {
        &self.alerts
    }

    /// Its pace.
    pub fn pace(&self) -> &Pace {
        &self.pace
    }

    /// No further injection is expected.
    pub fn is_ended(&self) -> bool {
        self.ended
    }

    /// Something has landed.
    pub fn has_begun(&self) -> bool {
        self.last_landed.is_some()
    }

    /// Takes everything that has landed out of it, in slot order.
    pub fn take_landings(&mut self) -> Vec<Arc<Landing>> {
        self.slots
            .iter_mut()
            .filter_map(|s| s.landing.take())
            .collect()
    }

    /// A result must be run again, or a check that is told at once has failed and still does. Nothing is left to do where
    /// repeats have taken the place of everything that failed.
    pub fn needs_attention(&self) -> bool {
        let again = |s: &Slot| match join::can_join(s.plan.kind) {
            true => (0..s.rows.len()).any(|a| {
                let verdict = s.rows.get(a).and_then(|r| r.verdict);
                verdict == Some(Verdict::Rerun) && !self.is_covered(s, a)
            }),
            false => s.is_rerun(),
        };
        !self.is_repaired() && (self.slots.iter().any(again) || self.alerts.open().any(|a| a.now))
    }
}

#[cfg(test)]
mod tests;
