//! The pressure log of a station: read on as it grows, judged for the queue that runs.

use std::collections::{BTreeSet, VecDeque};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Desk, DeskError};
use crate::check::Check;
use crate::config::Station;
use crate::ledger::{Ledger, LedgerError};
use crate::night::condition::Condition;
use crate::night::pace::{QUIET_CYCLES, later};
use crate::night::queue::{Queue, Slot};
use crate::outside;
use crate::pressure::Reading;
use crate::pressure::course::{Change, Course, Plan, Terms};
use crate::pressure::digest::Record;
use crate::pressure::log::{Log, OfInjection};
use crate::pressure::unit::Unit;
use crate::service::tail::Tail;
use crate::text::significant;

/// How often the log is looked at, s.
const LOOK_S: f64 = 5.0;
/// But not more often than this: a rehearsal runs its cycle times faster.
const LEAST_LOOK: Duration = Duration::from_millis(100);
/// Readings that are kept for a queue that has not begun.
const RECENT: usize = 20_000;
/// Values of injections whose traces have not landed.
const PENDING: usize = 2_000;
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

/// The log and the queue that is watched.
pub(super) struct Gauge {
    tail: Option<Tail>,
    log: Log,
    unit: Option<Unit>,
    zone: TimeZone,
    every: Duration,
    next_look: Instant,
    /// The log could not be read last time.
    blind: bool,
    recent: VecDeque<Reading>,
    last_at: Option<Timestamp>,
    pending: VecDeque<OfInjection>,
    tracked: Option<Tracked>,
    /// Queues that were watched or ended before: none of them is waiting to begin.
    past: BTreeSet<String>,
    past_known: bool,
}

/// The queue that is watched.
struct Tracked {
    name: String,
    course: Course,
    /// Stems whose landing the course knows.
    landed: BTreeSet<String>,
    /// Landings that are to be told to the course, by time.
    landings: VecDeque<(Timestamp, usize)>,
    /// Stems whose own value has been taken.
    valued: BTreeSet<String>,
    /// Readings up to here were judged before.
    until: Option<Timestamp>,
    /// The same for the upper limit, judged while the queue waited to begin.
    high_until: Option<Timestamp>,
    judged: Option<Timestamp>,
    /// The course knows the first landing, and with it the phases of the cycle.
    begun: bool,
    /// Nothing has landed yet.
    waiting: bool,
    saved: Option<Instant>,
    slots: usize,
}

impl Gauge {
    pub(super) fn new(station: &Station, zone: &TimeZone, time_scale: f64) -> Gauge {
        let unit = station.pressure.as_ref().and_then(|p| p.unit);
        let every = Duration::try_from_secs_f64(LOOK_S * time_scale).unwrap_or(LEAST_LOOK);
        Gauge {
            tail: station.pressure.as_ref().map(|p| Tail::new(&p.file)),
            log: Log::new(unit, zone.clone()),
            unit,
            zone: zone.clone(),
            every: every.max(LEAST_LOOK),
            next_look: outside::steady(),
            blind: false,
            recent: VecDeque::new(),
            last_at: None,
            pending: VecDeque::new(),
            tracked: None,
            past: BTreeSet::new(),
            past_known: false,
        }
    }

    /// Reads what the log has got since the last look.
    fn read(&mut self) -> Vec<Reading> {
        self.next_look = outside::steady() + self.every;
        let mut out = Vec::new();
        let Some(tail) = &mut self.tail else {
            return out;
        };
        let (mut written, mut anew) = (None, false);
        loop {
            match tail.look(self.log.is_wide()) {
                Ok(None) => break,
                Ok(Some(piece)) => {
                    if piece.anew {
                        tracing::info!(path = %tail.path().display(), "the pressure log begins anew");
                        self.log = Log::new(self.unit, self.zone.clone());
                        anew = true;
                    }
                    self.log.feed(&piece.bytes);
                    written = Some(piece.written);
                    if !piece.more {
                        break;
                    }
                }
                Err(error) => {
                    if !std::mem::replace(&mut self.blind, true) {
                        tracing::error!(path = %tail.path().display(), %error, "the pressure log cannot be read; trying again");
                    }
                    return out;
                }
            }
        }
        if std::mem::take(&mut self.blind) {
            tracing::info!(path = %tail.path().display(), "the pressure log can be read again");
        }
        if let Some(written) = written {
            let taken = self.log.take(written);
            for note in taken.notes {
                tracing::warn!(path = %tail.path().display(), "pressure log: {note}");
            }
            out = taken.readings;
            self.pending.extend(taken.injections);
            while self.pending.len() > PENDING {
                self.pending.pop_front();
            }
        }
        // A log that was copied in its own place says the same again.
        if let Some(last) = self.last_at.filter(|_| anew) {
            out.retain(|r| r.at > last);
        }
        self.last_at = out.last().map(|r| r.at).or(self.last_at);
        out
    }

    fn keep(&mut self, readings: &[Reading]) {
        self.recent.extend(readings);
        while self.recent.len() > RECENT {
            self.recent.pop_front();
        }
    }
}

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

    /// How the pressure log is read, for `check`; `None` before its columns are known.
    pub fn pressure_layout(&mut self) -> Option<String> {
        let gauge = self.gauge.as_mut()?;
        gauge.read();
        gauge.log.layout().map(|l| l.words.clone())
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
        let name = self.watched_queue(gauge, ledger, now)?;
        let news = name.as_deref() != gauge.tracked.as_ref().map(|t| t.name.as_str())
            || self.has_landing_news(gauge);
        if !news && (gauge.tail.is_none() || outside::steady() < gauge.next_look) {
            return Ok(());
        }
        let is = name.and_then(|n| {
            let begun = self.queues().get(&n)?.has_begun();
            Some((n, !begun))
        });
        let mut readings = Vec::new();
        if gauge.tracked.as_ref().map(|t| (t.name.clone(), t.waiting)) != is {
            let judged = self.finish_tracked(gauge, ledger)?;
            if let Some((name, waiting)) = is {
                gauge.tracked = self.tracked(ledger, &name, now)?;
                if !waiting {
                    // What was read since a cycle before its first landing is judged now.
                    readings = std::mem::take(&mut gauge.recent).into();
                    gauge.past.insert(name.clone());
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
        self.save(&mut tracked, ledger, told || news)?;
        gauge.tracked = Some(tracked);
        Ok(())
    }

    /// The queue that runs: one with a list before one without, the latest landing first. Where none runs, the newest list of
    /// tonight waits to begin.
    fn watched_queue(
        &self,
        gauge: &mut Gauge,
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
        if !std::mem::replace(&mut gauge.past_known, true) {
            let known = ledger.queues(&self.station.name)?;
            gauge.past.extend(known.into_iter().map(|(q, _)| q));
        }
        let tonight = later(now, -TONIGHT_S);
        let waits = |(name, q): &(&String, &Queue)| {
            q.listed && !q.has_begun() && !gauge.past.contains(*name)
        };
        let waiting = self.queues().iter().filter(waits).filter_map(|(name, _)| {
            let since = self.night.list_modified(name)?;
            tonight.is_none_or(|t| since >= t).then_some((since, name))
        });
        Ok(waiting.max().map(|(_, name)| name.clone()))
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
        let record = ledger.pressure(&self.station.name, name)?;
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

    /// Takes over what the summary says, and keeps it where that is due.
    fn save(
        &mut self,
        tracked: &mut Tracked,
        ledger: &mut Ledger,
        at_once: bool,
    ) -> Result<(), LedgerError> {
        if tracked.waiting || tracked.judged.is_none() {
            return Ok(());
        }
        let due = tracked.saved.is_none_or(|s| outside::since(s) >= SAVE);
        if !(due || at_once) {
            return Ok(());
        }
        let Some(queue) = self.night.queue_mut(&tracked.name) else {
            return Ok(());
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
        ledger.keep_pressure(&self.station.name, &tracked.name, &record)?;
        tracked.saved = Some(outside::steady());
        Ok(())
    }

    /// The watched queue has ended, or another one runs. Gives the name of one that was waiting, and up to when it was judged.
    fn finish_tracked(
        &mut self,
        gauge: &mut Gauge,
        ledger: &mut Ledger,
    ) -> Result<Option<(String, Timestamp)>, LedgerError> {
        let Some(mut tracked) = gauge.tracked.take() else {
            return Ok(None);
        };
        if tracked.waiting {
            return Ok(tracked.judged.map(|at| (tracked.name, at)));
        }
        let mut changes = self.advance(gauge, &mut tracked, Vec::new());
        if let Some(judged) = tracked.judged {
            changes.extend(tracked.course.end(judged));
            self.clear_stale(&tracked, judged);
        }
        self.apply(&tracked.name, &changes);
        self.save(&mut tracked, ledger, true)?;
        Ok(None)
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

    /// Judges the whole log for every queue that has begun: what `process` does, by the log's times and those of the traces.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn judge_whole_log(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        let Some(mut gauge) = self.gauge.take() else {
            return Ok(());
        };
        let readings = gauge.read();
        let mut spans: Vec<(Timestamp, Timestamp, bool, String)> = self
            .queues()
            .iter()
            .filter_map(|(name, q)| {
                let first = landed_slots(q).map(|(_, _, at)| at).min()?;
                let last = landed_slots(q).map(|(_, _, at)| at).max()?;
                let cycle_s = self.pressure_terms().cycle_s;
                let end = later(last, QUIET_CYCLES * cycle_s)?;
                Some((later(first, -cycle_s)?, end, q.listed, name.clone()))
            })
            .collect();
        spans.sort();
        for (k, (from, to, listed, name)) in spans.iter().enumerate() {
            let others: Vec<_> = spans.iter().enumerate().filter(|(j, _)| *j != k).collect();
            let over = |s: &(Timestamp, Timestamp, bool, String)| s.0 < *to && *from < s.1;
            // Strays beside a listed queue: its conditions stand there already.
            if !listed && others.iter().any(|(_, s)| s.2 && over(s)) {
                continue;
            }
            let next = others.iter().map(|(_, s)| s.0).filter(|s| s > from).min();
            let end = next.map_or(*to, |n| n.min(*to));
            let mine = readings.iter().filter(|r| (*from..=end).contains(&r.at));
            let mine: Vec<Reading> = mine.copied().collect();
            self.judge_queue(&mut gauge, ledger, name, mine)?;
        }
        self.gauge = Some(gauge);
        Ok(())
    }

    fn judge_queue(
        &mut self,
        gauge: &mut Gauge,
        ledger: &mut Ledger,
        name: &str,
        readings: Vec<Reading>,
    ) -> Result<(), LedgerError> {
        let Some(mut tracked) = self.tracked(ledger, name, outside::wall())? else {
            return Ok(());
        };
        let mut changes = self.advance(gauge, &mut tracked, readings);
        let Some(judged) = tracked.judged else {
            return Ok(());
        };
        if tracked.until.is_none_or(|until| judged >= until) {
            changes.extend(tracked.course.end(judged));
            self.apply(name, &changes);
            self.clear_stale(&tracked, judged);
        }
        self.save(&mut tracked, ledger, true)
    }
}

impl Tracked {
    /// Landings that the course does not know yet.
    fn learn_landings(&mut self, queue: &Queue) {
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

fn plan(queue: &Queue) -> Plan {
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
fn landed_slots(queue: &Queue) -> impl Iterator<Item = (usize, &Slot, Timestamp)> {
    let slots = queue.slots().iter().enumerate();
    slots.filter_map(|(k, s)| Some((k, s, s.landing.as_ref()?.modified)))
}

/// Values that stand for whole injections: rows of the log that name a trace, and a column of the run list that is named
/// after the pressure. Each counts once, at the time of its trace.
fn values_of_injections(gauge: &mut Gauge, tracked: &mut Tracked, queue: &Queue) -> Vec<Reading> {
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
