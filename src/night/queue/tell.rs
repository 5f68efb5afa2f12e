//! From failures to alerts: where they stand, whom they touch.

use jiff::Timestamp;

use super::{Changes, Queue, Slot};
use crate::check::{Check, Failure, Told};
use crate::night::alarm::{Alert, AlertChanges};
use crate::runlist::Kind;
use crate::text::{fixed, significant};

/// Key of the one `late-trace` alert of a queue.
pub(super) const LATE: &str = "late-trace|queue|";

impl Queue {
    /// The open alerts of one slot become those of its failures.
    pub(super) fn tell_slot(&mut self, k: usize, now: Timestamp, changes: &mut AlertChanges) {
        let Some(slot) = self.slots.get(k) else {
            return;
        };
        let place = format!("slot:{}", slot.plan.stem);
        let wanted: Vec<Alert> = slot
            .assessment
            .failures
            .iter()
            .map(|f| self.alert(&place, Some((k, slot)), slot.plan.kind, f, now))
            .collect();
        let mut before = slot.alerts.clone();
        // After a restart the slot knows nothing of what was open: what is no longer wanted must be cleared all the same.
        if before.is_empty() {
            before = Check::ALL
                .iter()
                .flat_map(|c| self.alerts.open_keys(&format!("{c}|{place}|")))
                .collect();
        }
        let (keys, new) = self.alerts.settle(&before, wanted, now);
        if let Some(slot) = self.slots.get_mut(k) {
            slot.alerts = keys;
        }
        changes.extend(new);
    }

    /// Alerts of injections that a changed list no longer names are over.
    pub(super) fn tell_gone(&mut self, now: Timestamp, changes: &mut AlertChanges) {
        let gone = |key: &str| {
            let stem = key
                .split_once("|slot:")
                .and_then(|(_, rest)| rest.rsplit_once('|'));
            stem.is_some_and(|(stem, _)| !self.by_stem.contains_key(stem))
        };
        let keys: Vec<String> = self
            .alerts
            .open()
            .filter(|a| gone(&a.key))
            .map(|a| a.key.clone())
            .collect();
        for key in keys {
            changes.cleared.extend(self.alerts.clear(&key, now));
        }
    }

    fn alert(
        &self,
        place: &str,
        slot: Option<(usize, &Slot)>,
        kind: Kind,
        failure: &Failure,
        now: Timestamp,
    ) -> Alert {
        let analyte = failure.analyte.and_then(|a| self.method.analytes.get(a));
        Alert {
            key: format!(
                "{}|{place}|{}",
                failure.check,
                analyte.map_or("", |a| a.name.as_str())
            ),
            raised_at: now,
            cleared_at: None,
            now: failure.check.told(kind) == Told::Now,
            check: failure.check.name().to_owned(),
            position: slot.map(|(_, s)| s.plan.position),
            name: slot.map(|(_, s)| s.plan.name.clone()).unwrap_or_default(),
            trace: slot
                .and_then(|(_, s)| s.landing.as_ref())
                .map(|l| l.file_name.clone())
                .unwrap_or_default(),
            analyte: analyte.map(|a| a.name.clone()).unwrap_or_default(),
            measured: failure.measured,
            limit: failure.limit.clone(),
            unit: failure.unit.clone(),
            affected: slot
                .map(|(k, s)| self.positions(&self.affected(k, s, failure)))
                .unwrap_or_default(),
            message: failure.message.clone(),
        }
    }

    /// Slots that a failure touches: for a standard the samples of both brackets, for a blank the samples that ran
    /// between its neighbouring blanks, else the injection itself.
    fn affected(&self, k: usize, slot: &Slot, failure: &Failure) -> Vec<usize> {
        match slot.plan.kind {
            Kind::Standard if failure.check != Check::PeakShape => {
                let c = self
                    .checkpoints
                    .partition_point(|c| c.members.first().is_some_and(|m| *m <= k));
                c.checked_sub(1)
                    .map(|c| self.samples_beside(c))
                    .unwrap_or_default()
            }
            Kind::Blank => self.samples_near_blank(k),
            Kind::Sample => vec![k],
            _ => Vec::new(),
        }
    }

    /// Samples between the blank before and the blank after this one.
    pub fn samples_near_blank(&self, k: usize) -> Vec<usize> {
        let kind = |j: usize| self.slots.get(j).map(|s| s.plan.kind);
        let before = (0..k).rev().take_while(|j| kind(*j) != Some(Kind::Blank));
        let after = (k + 1..self.slots.len()).take_while(|j| kind(*j) != Some(Kind::Blank));
        let mut near: Vec<usize> = before
            .chain(after)
            .filter(|j| kind(*j) == Some(Kind::Sample))
            .collect();
        near.sort_unstable();
        near
    }

    fn positions(&self, slots: &[usize]) -> Vec<u64> {
        slots
            .iter()
            .filter_map(|k| self.slots.get(*k))
            .map(|s| s.plan.position)
            .collect()
    }

    /// `calibration` at its place: the last calibrator.
    pub(super) fn tell_calibration(&mut self, now: Timestamp, changes: &mut AlertChanges) {
        let last = self
            .calibrators
            .last()
            .copied()
            .and_then(|k| Some((k, self.slots.get(k)?)));
        let mut wanted: Vec<Alert> = Vec::new();
        for failure in &self.calibration_failures {
            let alert = self.alert("queue", last, Kind::Calibrator, failure, now);
            match wanted.iter_mut().find(|a| a.key == alert.key) {
                // Several limits missed by one analyte are one alert.
                Some(first) => first.message = format!("{}; {}", first.message, alert.message),
                None => wanted.push(alert),
            }
        }
        let affected = self.positions(
            &(0..self.slots.len())
                .filter(|k| {
                    self.slots
                        .get(*k)
                        .is_some_and(|s| s.plan.kind == Kind::Sample)
                })
                .collect::<Vec<_>>(),
        );
        for alert in &mut wanted {
            alert.affected = affected.clone();
            alert.message = format!("{}; {}", alert.message, self.in_its_place(&alert.analyte));
        }
        let mut before = std::mem::take(&mut self.calibration_alerts);
        if before.is_empty() {
            before = self.alerts.open_keys("calibration|queue|");
        }
        let (keys, new) = self.alerts.settle(&before, wanted, now);
        self.calibration_alerts = keys;
        changes.extend(new);
    }

    /// What serves an analyte whose own fit was refused.
    fn in_its_place(&self, analyte: &str) -> String {
        let k = self.method.analytes.iter().position(|a| a.name == analyte);
        match k.map_or("", |k| self.serving.label(&self.method, k)) {
            "" => "there is no stored calibration to serve instead: no concentrations".to_owned(),
            stored => format!("the stored calibration ({stored}) stays in use"),
        }
    }

    /// `replicates` of one group, at its first member.
    pub(super) fn tell_group(&mut self, g: usize, now: Timestamp, changes: &mut AlertChanges) {
        let Some(group) = self.groups.get(g) else {
            return;
        };
        let place = format!(
            "group:{}:{}",
            group.series,
            group.time_h.map(|t| t.to_string()).unwrap_or_default()
        );
        let limit = self.method.limits.replicate_rsd_percent;
        let first = group
            .members
            .first()
            .copied()
            .and_then(|k| Some((k, self.slots.get(k)?)));
        let mut wanted = Vec::new();
        for (a, rsd) in group
            .disagree
            .iter()
            .enumerate()
            .filter_map(|(a, d)| Some((a, (*d)?)))
        {
            let name = self.method.analytes.get(a).map_or("", |x| x.name.as_str());
            let failure = Failure {
                check: Check::Replicates,
                analyte: Some(a),
                measured: Some(rsd),
                limit: significant(limit, 4),
                unit: "%".to_owned(),
                message: format!(
                    "{name}: replicates of {}{} differ by {} % (relative standard deviation), limit {} %",
                    crate::text::one_line(&group.series),
                    group
                        .time_h
                        .map(|t| format!(" at {} h", significant(t, 6)))
                        .unwrap_or_default(),
                    fixed(rsd, 1),
                    significant(limit, 4)
                ),
                effect: Check::Replicates.effect(Kind::Sample),
            };
            let mut alert = self.alert(&place, first, Kind::Sample, &failure, now);
            alert.affected = self.positions(&group.members);
            wanted.push(alert);
        }
        let before = self
            .alerts
            .open_keys(&format!("{}|{place}|", Check::Replicates));
        if before.is_empty() && wanted.is_empty() {
            return;
        }
        let (_, new) = self.alerts.settle(&before, wanted, now);
        changes.extend(new);
    }

    /// `late-trace`: raised while the next trace is overdue, cleared when it lands.
    pub(super) fn tell_pace(&mut self, now: Timestamp, changes: &mut AlertChanges) {
        let open = self.alerts.is_open(LATE);
        if self.overdue {
            if !open {
                let alert = self.late(now);
                let (_, new) = self.alerts.settle(&[], vec![alert], now);
                changes.extend(new);
            }
            return;
        }
        let on_time = match self.pace.late_at().filter(|_| self.is_waiting()) {
            Some(due) => due > now,
            // The end of a stopped queue does not make it run again: only a landing clears.
            None => !self.ended,
        };
        if open && on_time {
            changes.cleared.extend(self.alerts.clear(LATE, now));
        }
    }

    fn late(&self, now: Timestamp) -> Alert {
        // A rehearsal's minutes are told as those of the night that it plays.
        let minute_s = 60.0 * self.time_scale;
        let waited_min = self
            .pace
            .last()
            .map_or(0.0, |l| now.duration_since(l).as_secs_f64() / minute_s);
        let due_min = self.pace.cycle_s() / minute_s;
        let limit_min = due_min + self.pace.allowance_s() / minute_s;
        let spread = self
            .pace
            .spread_s()
            .map(|s| fixed(s / minute_s, 1))
            .filter(|s| s != "0.0")
            .map(|s| format!(" give or take {s}"))
            .unwrap_or_default();
        let next = self.last_landed.and_then(|l| self.slots.get(l + 1));
        let missing: Vec<usize> =
            (self.last_landed.map_or(0, |l| l + 1)..self.slots.len()).collect();
        Alert {
            key: LATE.to_owned(),
            raised_at: now,
            cleared_at: None,
            now: true,
            check: Check::LateTrace.name().to_owned(),
            position: next.map(|s| s.plan.position),
            name: next.map(|s| s.plan.name.clone()).unwrap_or_default(),
            trace: String::new(),
            analyte: String::new(),
            measured: Some(waited_min),
            limit: significant(limit_min, 4),
            unit: "min".to_owned(),
            affected: self.positions(&missing),
            message: format!(
                "no trace for {} min (one every {} min{spread} was expected): the queue has stopped, {} of {} injections have not come",
                fixed(waited_min, 0),
                fixed(due_min, 1),
                missing.len(),
                self.slots.len()
            ),
        }
    }
}

impl Changes {
    /// True where neither a row nor an alert changed, nor what a repeat gave.
    pub fn is_empty(&self) -> bool {
        self.slots.is_empty()
            && !self.rebuilt
            && self.alerts.is_empty()
            && !self.ended
            && !self.rejoined
    }

    /// Adds what a further judgement of the same queue changed.
    pub fn extend(&mut self, more: Changes) {
        self.slots.extend(more.slots);
        self.slots.sort_unstable();
        self.slots.dedup();
        self.rebuilt |= more.rebuilt;
        self.alerts.extend(more.alerts);
        self.ended |= more.ended;
        self.rejoined |= more.rejoined;
    }
}
