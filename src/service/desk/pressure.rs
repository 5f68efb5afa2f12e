//! The pressure log of a station: read on as it grows, judged for the queue that runs.

mod gauge;
mod tracked;
mod whole;

use std::collections::{BTreeSet, VecDeque};
use std::time::{Duration, Instant};

use jiff::Timestamp;

pub(super) use self::gauge::Gauge;
use self::tracked::{Tracked, landed_slots, plan, values_of_injections};
use super::{Desk, DeskError};
use crate::check::Check;
use crate::ledger::{Ledger, LedgerError};
use crate::night::condition::Condition;
use crate::night::pace::later;
use crate::night::queue::Queue;
use crate::outside;
use crate::pressure::Reading;
use crate::pressure::course::{Change, Course, Terms};
use crate::pressure::digest::Record;
use crate::text::significant;

/// A list counts as that of tonight for so long, s.
const TONIGHT_S: f64 = 24.0 * 3600.0;
/// What has been judged is kept in the ledger this often at most.
const SAVE: Duration = Duration::from_secs(60);
const CHECKS: [Check; 4] = [
    Check::PressureHigh,
    Check::PressureLow,
    Check::PressureRise,
    Check::PressureRipple,
];

impl Desk {
    pub(super) fn next_pressure_look(&self) -> Option<Instant> {
        let gauge = self.gauge.as_ref()?;
        gauge.tail.as_ref().map(|_| gauge.next_look)
    }

    /// The pressure log can be read, or is not there.
    pub(super) fn can_read_pressure(&self) -> bool {
        self.gauge.as_ref().is_none_or(|g| !g.blind)
    }

    /// What the ledger knows of a queue's pressure.
    pub(super) fn load_pressure(
        &mut self,
        ledger: &Ledger,
        queue: &str,
    ) -> Result<(), LedgerError> {
        if let Some(record) = ledger.pressure(&self.station.name, queue)?
            && let Some(queue) = self.night.queue_mut(queue)
        {
            queue.pressure = record.digest;
        }
        Ok(())
    }

    /// Looks at the pressure log where that is due or a trace has landed, and sets the conditions of the queue that runs.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn look_at_pressure(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let Some(mut gauge) = self.gauge.take() else {
            return Ok(());
        };
        let done = self.pressure_turn(&mut gauge, ledger, now);
        self.gauge = Some(gauge);
        Ok(done?)
    }

    fn pressure_turn(
        &mut self,
        gauge: &mut Gauge,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        if gauge.tail.is_none() {
            return Ok(());
        }
        let name = self.watched_queue(ledger, now)?;
        let news = name.as_deref() != gauge.tracked.as_ref().map(|t| t.name.as_str())
            || self.has_landing_news(gauge);
        if !news && outside::steady() < gauge.next_look {
            return Ok(());
        }
        let is = name.and_then(|n| {
            let begun = self.queues().get(&n)?.has_begun();
            Some((n, !begun))
        });
        let mut readings = Vec::new();
        if gauge.tracked.as_ref().map(|t| (t.name.clone(), t.waiting)) != is {
            let judged = self.finish_tracked(gauge);
            if let Some((name, waiting)) = is {
                gauge.tracked = self.tracked(ledger, &name, now)?;
                if !waiting {
                    // What was read since a cycle before its first landing is judged now.
                    readings = std::mem::take(&mut gauge.recent).into();
                }
                if let Some(tracked) = &mut gauge.tracked {
                    tracked.high_until = judged.filter(|(n, _)| *n == name).map(|(_, at)| at);
                }
            }
        }
        let fresh = gauge.read();
        if gauge.tracked.as_ref().is_none_or(|t| t.waiting) {
            gauge.keep(&fresh);
        }
        readings.extend(fresh);
        let Some(mut tracked) = gauge.tracked.take() else {
            return Ok(());
        };
        let changes = self.advance(gauge, &mut tracked, readings);
        let told = self.apply(&tracked.name, &changes);
        self.save(&mut tracked, told || news);
        gauge.tracked = Some(tracked);
        Ok(())
    }

    /// The queue that runs: one with a list before one without, the latest landing first. Where none runs, the newest list of
    /// tonight waits to begin.
    fn watched_queue(
        &self,
        ledger: &Ledger,
        now: Timestamp,
    ) -> Result<Option<String>, LedgerError> {
        let runs = |q: &&Queue| q.has_begun() && !q.is_ended();
        let running = self
            .queues()
            .values()
            .filter(runs)
            .max_by_key(|q| (q.listed, q.pace().last()));
        if let Some(queue) = running {
            return Ok(Some(queue.name.clone()));
        }
        let tonight = later(now, -TONIGHT_S);
        let waits = |(_, q): &(&String, &Queue)| q.listed && !q.has_begun();
        let waiting = self.queues().iter().filter(waits).filter_map(|(name, _)| {
            let since = self.night.list_modified(name)?;
            tonight.is_none_or(|t| since >= t).then_some((since, name))
        });
        let mut waiting: Vec<_> = waiting.collect();
        waiting.sort_unstable();
        while let Some((_, name)) = waiting.pop() {
            // Something landed in it once: it is not waiting to begin.
            if ledger.has_ended(&self.station.name, name)?.is_none() {
                return Ok(Some(name.clone()));
            }
        }
        Ok(None)
    }

    fn has_landing_news(&self, gauge: &Gauge) -> bool {
        let tracked = gauge.tracked.as_ref();
        tracked.is_some_and(|t| {
            self.queues().get(&t.name).is_some_and(|q| {
                q.slots().len() != t.slots || landed_slots(q).count() != t.landed.len()
            })
        })
    }

    fn pressure_terms(&self) -> Terms {
        let method = &self.setup.method;
        let scale = self.night.terms().time_scale;
        Terms {
            max_mpa: method.limits.pressure_max_mpa,
            min_mpa: method.limits.pressure_min_mpa,
            normal_mpa: method.limits.pressure_normal_mpa,
            cycle_s: method.cycle_s() * scale,
            late_s: method.limits.late_trace_min * 60.0 * scale,
            time_scale: scale,
            zone: self.zone.clone(),
        }
    }

    /// A queue that is to be watched from now on.
    fn tracked(
        &self,
        ledger: &Ledger,
        name: &str,
        now: Timestamp,
    ) -> Result<Option<Tracked>, LedgerError> {
        let Some(queue) = self.queues().get(name) else {
            return Ok(None);
        };
        let terms = self.pressure_terms();
        let first = landed_slots(queue).map(|(_, _, at)| at).min();
        let start = first.and_then(|f| later(f, -terms.cycle_s)).unwrap_or(now);
        let record = match self.pressure_unkept.get(name) {
            Some(record) => Some(record.clone()),
            None => ledger.pressure(&self.station.name, name)?,
        };
        Ok(Some(Tracked {
            name: name.to_owned(),
            course: Course::new(terms, plan(queue), start),
            landed: BTreeSet::new(),
            landings: VecDeque::new(),
            valued: BTreeSet::new(),
            until: record.and_then(|r| r.until),
            high_until: None,
            judged: None,
            begun: false,
            waiting: first.is_none(),
            saved: None,
            slots: queue.slots().len(),
        }))
    }

    /// Gives readings and landings to the course in the order of time; what they changed and was not told before.
    fn advance(
        &self,
        gauge: &mut Gauge,
        tracked: &mut Tracked,
        readings: Vec<Reading>,
    ) -> Vec<Change> {
        let Some(queue) = self.queues().get(&tracked.name) else {
            return Vec::new();
        };
        tracked.learn_landings(queue);
        let mut readings = readings;
        readings.extend(values_of_injections(gauge, tracked, queue));
        readings.sort_by_key(|r| r.at);
        let start = tracked.course.start();
        let mut changes = Vec::new();
        if !tracked.begun
            && let Some((at, index)) = tracked.landings.pop_front()
        {
            tracked.begun = true;
            changes.extend(tracked.course.landed(at, index));
        }
        for reading in readings.into_iter().filter(|r| r.at >= start) {
            while let Some((at, index)) = tracked.landings.pop_front_if(|(at, _)| *at <= reading.at)
            {
                changes.extend(tracked.course.landed(at, index));
            }
            changes.extend(tracked.course.add(reading));
            tracked.judged = Some(reading.at);
        }
        let still = std::mem::take(&mut tracked.landings);
        for (at, index) in still {
            changes.extend(tracked.course.landed(at, index));
        }
        let known = |c: &Change, until: Option<Timestamp>| until.is_some_and(|u| c.at <= u);
        changes.retain(|c| {
            let high = c.check == Check::PressureHigh && known(c, tracked.high_until);
            !high && !known(c, tracked.until)
        });
        changes
    }

    /// Sets conditions of a queue; true where there were any.
    fn apply(&mut self, name: &str, changes: &[Change]) -> bool {
        let Some(queue) = self.night.queue_mut(name) else {
            return false;
        };
        for change in changes {
            let condition = change.finding.clone().map(|f| Condition {
                position: f.running.as_ref().map(|(p, _)| *p),
                name: f.running.map(|(_, n)| n).unwrap_or_default(),
                measured: Some(f.measured_mpa),
                limit: significant(f.limit_mpa, 4),
                unit: "MPa".to_owned(),
                affected: f.affected,
                message: f.message,
            });
            queue.set_condition(change.check, condition, change.at);
        }
        !changes.is_empty()
    }

    /// Takes over what the summary says, and lays it ready for the ledger where that is due: what says up to where the
    /// pressure was judged is kept together with what was raised by it, or a kill between the two would lose an alert.
    fn save(&mut self, tracked: &mut Tracked, at_once: bool) {
        if tracked.waiting || tracked.judged.is_none() {
            return;
        }
        let due = tracked.saved.is_none_or(|s| outside::since(s) >= SAVE);
        if !(due || at_once) {
            return;
        }
        let Some(queue) = self.night.queue_mut(&tracked.name) else {
            return;
        };
        let digest = tracked.course.digest();
        let fuller = |old: u64| digest.as_ref().is_some_and(|d| d.readings >= old);
        if queue
            .pressure
            .as_ref()
            .is_none_or(|old| fuller(old.readings))
        {
            queue.pressure = digest;
        }
        let record = Record {
            until: tracked.judged.max(tracked.until),
            digest: queue.pressure.clone(),
        };
        self.pressure_unkept.insert(tracked.name.clone(), record);
        tracked.saved = Some(outside::steady());
    }

    /// Keeps what was not kept together with an alert.
    pub(super) fn keep_pressures(&mut self, ledger: &mut Ledger) -> Result<(), LedgerError> {
        while let Some((queue, record)) = self.pressure_unkept.first_key_value() {
            ledger.keep_pressure(&self.station.name, queue, record)?;
            self.pressure_unkept.pop_first();
        }
        Ok(())
    }

    /// The watched queue has ended, or another one runs. Gives the name of one that was waiting, and up to when it was judged.
    fn finish_tracked(&mut self, gauge: &mut Gauge) -> Option<(String, Timestamp)> {
        let mut tracked = gauge.tracked.take()?;
        if tracked.waiting {
            return tracked.judged.map(|at| (tracked.name, at));
        }
        let mut changes = self.advance(gauge, &mut tracked, Vec::new());
        if let Some(judged) = tracked.judged {
            changes.extend(tracked.course.end(judged));
            self.clear_stale(&tracked, judged);
        }
        self.apply(&tracked.name, &changes);
        self.save(&mut tracked, true);
        None
    }

    /// A condition that the ledger remembers as open and that the log, judged anew, does not show.
    fn clear_stale(&mut self, tracked: &Tracked, at: Timestamp) {
        if let Some(queue) = self.night.queue_mut(&tracked.name) {
            for check in CHECKS {
                if queue.has_condition(check) && !tracked.course.is_open(check) {
                    queue.set_condition(check, None, at);
                }
            }
        }
    }
}
