//! Working off what a landing, a list or the clock has touched.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::{Changes, Queue, Row, Slot};
use crate::check::{self, Bench, Check, Effect};
use crate::night::bracket::{self, Bracket, State};
use crate::night::{Reason, Verdict, calibrate};
use crate::quant::curve::Curve;
use crate::quant::describe::rsd_percent;
use crate::reading::Evaluation;
use crate::runlist::Kind;

impl Queue {
    /// Judges whatever is touched. `now` dates the alerts.
    pub fn judge(&mut self, now: Timestamp) -> Changes {
        if self.just_ended {
            self.clear_budget(now);
        }
        let mut changes = Changes {
            rebuilt: std::mem::take(&mut self.rebuilt),
            ended: std::mem::take(&mut self.just_ended),
            alerts: std::mem::take(&mut self.pending),
            rejoined: std::mem::take(&mut self.rejoined),
            ..Changes::default()
        };
        if self.refit && self.calibrators_are_in() {
            self.refit = false;
            self.fit_calibrators(now, &mut changes);
        }
        let dirty = std::mem::take(&mut self.dirty);
        let touched = self.with_samples_beside(dirty);
        let verdicts = self.assess_all(&touched);
        let mut before = BTreeMap::new();
        let mut groups = self.verdicts(&verdicts, &mut before);
        groups.extend(std::mem::take(&mut self.regroup));
        self.replicates(&groups, now, &mut changes, &mut before);
        for k in &touched {
            self.tell_slot(*k, now, &mut changes.alerts);
        }
        if changes.rebuilt {
            self.tell_gone(now, &mut changes.alerts);
        }
        self.tell_pace(now, &mut changes.alerts);
        let differs = |k: &usize, old: &Vec<Row>| {
            touched.contains(k) || self.slots.get(*k).is_some_and(|s| s.rows != *old)
        };
        changes.slots = before
            .iter()
            .filter(|(k, old)| differs(k, old))
            .map(|(k, _)| *k)
            .collect();
        changes
    }

    /// All calibrators have landed or are known not to come. Without a list nobody knows which is the last one: then
    /// the first injection of another kind after them, or the end, settles it.
    fn calibrators_are_in(&self) -> bool {
        let settled = self
            .calibrators
            .iter()
            .all(|k| self.slots.get(*k).is_some_and(Slot::is_settled));
        let followed = self
            .calibrators
            .last()
            .is_some_and(|last| last + 1 < self.slots.len());
        settled && (self.listed || followed || self.ended)
    }

    fn fit_calibrators(&mut self, now: Timestamp, changes: &mut Changes) {
        let points = calibrate::points(
            self.calibrators.iter().filter_map(|k| self.slots.get(*k)),
            &self.method,
        );
        let last = self
            .calibrators
            .iter()
            .filter_map(|k| self.slots.get(*k)?.landing.as_ref())
            .map(|l| l.landed_at)
            .max();
        let created = last.map(|t| t.to_string()).unwrap_or_default();
        let outcome = calibrate::fit(
            &self.name,
            points,
            &self.method,
            self.stored.clone(),
            created,
        );
        self.serving = outcome.serving;
        self.calibration_failures = outcome.failures;
        self.dirty.extend(
            (0..self.slots.len()).filter(|k| self.slots.get(*k).is_some_and(Slot::is_settled)),
        );
        self.tell_calibration(now, &mut changes.alerts);
    }

    /// Assesses the touched slots, standards before samples; gives the slots whose verdict may change, the touched ones
    /// among them.
    fn assess_all(&mut self, touched: &BTreeSet<usize>) -> BTreeSet<usize> {
        let mut verdicts = touched.clone();
        let mut hit = BTreeSet::new();
        for samples in [false, true] {
            for &k in touched {
                let Some(slot) = self.slots.get(k).filter(|s| s.is_settled()) else {
                    continue;
                };
                if (slot.plan.kind == Kind::Sample) != samples {
                    continue;
                }
                let assessment = self.assess(k, slot);
                if slot.plan.kind == Kind::Standard {
                    hit.extend(self.checkpoint_of(k));
                }
                if let Some(slot) = self.slots.get_mut(k) {
                    slot.assessment = assessment;
                }
            }
        }
        for c in hit {
            verdicts.extend(self.samples_beside(c));
        }
        verdicts
    }

    fn assess(&self, k: usize, slot: &Slot) -> check::Assessment {
        let curves: Vec<Option<&Curve>> = self.serving.curves(&self.method);
        let first = self.first_areas(k, slot);
        let repeats = self.repeats(k, slot, &curves);
        let factors = self.factors(k, slot, &curves);
        let bench = Bench {
            method: &self.method,
            curves: &curves,
            repeats: &repeats,
            factors: &factors,
            first_areas: first.as_deref(),
        };
        check::assess(
            &slot.plan,
            slot.listed,
            slot.landing.as_ref().map(|l| &l.evaluation),
            bench,
        )
    }

    /// Areas, for the method's injection volume, of the queue's first standard of this slot's level, if that is an earlier slot.
    fn first_areas(&self, k: usize, slot: &Slot) -> Option<Vec<Option<f64>>> {
        if slot.plan.kind != Kind::Standard {
            return None;
        }
        let first = self
            .levels
            .get(&slot.plan.level)?
            .iter()
            .filter_map(|j| Some((*j, self.slots.get(*j)?)))
            .find_map(|(j, s)| match &s.landing.as_ref()?.evaluation {
                Evaluation::Read(reading) if reading.air.is_none() => Some((j, s, reading)),
                _ => None,
            });
        let (j, first, reading) = first?;
        let correction = check::volume_correction(&first.plan, &self.method);
        (j < k).then(|| {
            reading
                .analytes
                .iter()
                .map(|f| f.as_ref().map(|f| f.area_mau_s * correction))
                .collect()
        })
    }

    pub(super) fn checkpoint_of(&self, k: usize) -> Option<usize> {
        let after = self
            .checkpoints
            .partition_point(|c| c.members.first().is_some_and(|m| *m <= k));
        after.checked_sub(1)
    }

    /// The slots of samples between a checkpoint and its two neighbours.
    pub(super) fn samples_beside(&self, c: usize) -> Vec<usize> {
        let start = c
            .checked_sub(1)
            .and_then(|b| self.checkpoints.get(b))
            .and_then(|b| b.members.last())
            .map_or(0, |m| m + 1);
        let end = self
            .checkpoints
            .get(c + 1)
            .and_then(|b| b.members.first())
            .copied()
            .unwrap_or(self.slots.len());
        (start..end)
            .filter(|k| {
                self.slots
                    .get(*k)
                    .is_some_and(|s| s.plan.kind == Kind::Sample)
            })
            .collect()
    }

    /// What is known of a checkpoint.
    pub fn checkpoint_state(&self, c: usize) -> State {
        let Some(checkpoint) = self.checkpoints.get(c) else {
            return State::Open;
        };
        let mut open = false;
        for slot in checkpoint.members.iter().filter_map(|m| self.slots.get(*m)) {
            if slot
                .assessment
                .failures
                .iter()
                .any(|f| f.effect == Effect::FailsBracket)
            {
                return State::Failed;
            }
            open |= !slot.is_settled() || !self.can_be_judged(slot);
        }
        if open { State::Open } else { State::Passed }
    }

    /// A standard whose recovery is known for at least one analyte: without a calibration nothing can be said.
    fn can_be_judged(&self, slot: &Slot) -> bool {
        slot.assessment
            .lines
            .iter()
            .any(|l| l.recovery_percent.is_some())
    }

    /// Rows of the slots anew, the old ones kept in `before`; gives the replicate groups to look at again.
    fn verdicts(
        &mut self,
        slots: &BTreeSet<usize>,
        before: &mut BTreeMap<usize, Vec<Row>>,
    ) -> BTreeSet<usize> {
        let mut groups = BTreeSet::new();
        for &k in slots {
            let Some(slot) = self.slots.get(k) else {
                continue;
            };
            if !slot.is_shown() {
                continue;
            }
            let rows = self.rows(k, slot);
            groups.extend(slot.group);
            if let Some(slot) = self.slots.get_mut(k) {
                before.insert(k, std::mem::replace(&mut slot.rows, rows));
            }
        }
        groups
    }

    fn rows(&self, k: usize, slot: &Slot) -> Vec<Row> {
        let analytes = self.method.analytes.len();
        if slot.plan.kind == Kind::Conditioning {
            return vec![Row::default(); analytes];
        }
        let bracket = (slot.plan.kind == Kind::Sample).then(|| self.bracket_of(k));
        let injection_fails = slot.plan.kind != Kind::Sample
            && slot
                .assessment
                .failures
                .iter()
                .any(|f| f.effect != Effect::None);
        (0..analytes)
            .map(|a| self.row(slot, a, bracket, injection_fails))
            .collect()
    }

    /// The bracket around a sample.
    pub fn bracket_of(&self, k: usize) -> Bracket {
        let (before, after) = bracket::neighbours(&self.checkpoints, k);
        bracket::bracket(
            before.map(|c| self.checkpoint_state(c)),
            after.map(|c| self.checkpoint_state(c)),
            self.ended,
        )
    }

    fn row(
        &self,
        slot: &Slot,
        analyte: usize,
        bracket: Option<Bracket>,
        injection_fails: bool,
    ) -> Row {
        let mut reasons = BTreeSet::new();
        let mut rerun = injection_fails;
        for failure in &slot.assessment.failures {
            if failure.check.whole_injection() || failure.analyte == Some(analyte) {
                reasons.insert(Reason::Check(failure.check));
                rerun |= failure.effect != Effect::None;
            }
        }
        if slot.plan.kind == Kind::Calibrator
            && self
                .calibration_failures
                .iter()
                .any(|f| f.analyte == Some(analyte))
        {
            reasons.insert(Reason::Check(Check::Calibration));
        }
        let verdict = match bracket {
            None => Verdict::Accepted,
            Some(Bracket::Closed) => Verdict::Accepted,
            Some(Bracket::Waiting) => Verdict::Provisional,
            Some(Bracket::Open) => {
                reasons.insert(Reason::BracketOpen);
                Verdict::Provisional
            }
            Some(Bracket::Failed) => {
                reasons.insert(Reason::BracketFailed);
                Verdict::Rerun
            }
        };
        Row {
            verdict: Some(if rerun { Verdict::Rerun } else { verdict }),
            reasons: reasons.into_iter().collect(),
        }
    }

    /// Judges whole groups of replicates and puts the reason on all their rows.
    fn replicates(
        &mut self,
        groups: &BTreeSet<usize>,
        now: Timestamp,
        changes: &mut Changes,
        before: &mut BTreeMap<usize, Vec<Row>>,
    ) {
        for &g in groups {
            let Some(group) = self.groups.get(g) else {
                continue;
            };
            let whole = self.ended
                || self.listed
                    && group
                        .members
                        .iter()
                        .all(|m| self.slots.get(*m).is_some_and(Slot::is_settled));
            let limit = self.method.limits.replicate_rsd_percent;
            let disagree: Vec<Option<f64>> = (0..self.method.analytes.len())
                .map(|a| rsd_percent(&self.averaged(g, a)).filter(|rsd| whole && *rsd > limit))
                .collect();
            let members = group.members.clone();
            for k in members {
                self.mark_replicates(k, &disagree, before);
            }
            if let Some(group) = self.groups.get_mut(g) {
                group.disagree = disagree;
            }
            self.tell_group(g, now, &mut changes.alerts);
        }
    }

    fn mark_replicates(
        &mut self,
        k: usize,
        disagree: &[Option<f64>],
        before: &mut BTreeMap<usize, Vec<Row>>,
    ) {
        let Some(slot) = self.slots.get_mut(k).filter(|s| s.is_shown()) else {
            return;
        };
        let mark = Reason::Check(Check::Replicates);
        before.entry(k).or_insert_with(|| slot.rows.clone());
        for (row, disagree) in slot.rows.iter_mut().zip(disagree) {
            let stands = row.reasons.binary_search(&mark);
            match (stands, disagree.is_some()) {
                (Err(at), true) => row.reasons.insert(at, mark),
                (Ok(at), false) => {
                    row.reasons.remove(at);
                }
                _ => {}
            }
        }
    }
}
