//! The outbox at work: what is due goes to the worker, what became of it comes back and is kept.
//!
//! The loop alone writes the ledger. The worker's thread is started when the first letter is due, and never where neither
//! mail nor webhook is configured.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::mpsc::Sender;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Signal;
use crate::ledger::{Fate, Ledger, LedgerError, Waiting};
use crate::post::age::aged;
use crate::post::worker::{Courier, Job, Report, Worker};
use crate::post::{Carrier, Refusal, backoff};

/// After so long a letter is given up, h.
const LONGEST_H: i64 = 24;
/// Letters that are with the worker at a time, for each carrier: what comes later may be more urgent.
const WITH_WORKER: usize = 8;
/// Letters that are taken from the ledger at once.
const AT_ONCE: usize = 64;
/// Without a thread for the worker it is tried again after so long, s.
const NO_THREAD_S: i64 = 60;

/// A letter that did not arrive and is not tried again.
#[derive(Debug, Clone, PartialEq)]
pub struct Lost {
    /// The letter.
    pub waiting: Waiting,
    /// Why.
    pub why: String,
    /// What becomes of it, once that was told.
    pub fate: Fate,
}

/// Finds somebody who carries letters and reports what became of them as [`Signal::Post`].
pub type Hire = Box<
    dyn FnMut(Vec<Arc<dyn Carrier>>, Sender<Signal>) -> std::io::Result<Box<dyn Courier>> + Send,
>;

/// In life: a thread of its own.
pub fn start_worker(
    carriers: Vec<Arc<dyn Carrier>>,
    signals: Sender<Signal>,
) -> std::io::Result<Box<dyn Courier>> {
    // The loop has ended when nobody listens any more.
    let report = move |r| drop(signals.send(Signal::Post(r)));
    Ok(Box::new(Worker::start(carriers, report)?))
}

/// Between outbox and worker.
pub struct Dispatch {
    carriers: Vec<Arc<dyn Carrier>>,
    worker: Option<Box<dyn Courier>>,
    hire: Hire,
    signals: Sender<Signal>,
    with_worker: Vec<Waiting>,
    /// When the next letter is due; `None`: none waits.
    next: Option<Timestamp>,
    /// The system gave no thread for the worker: it is asked again then.
    no_thread_until: Option<Timestamp>,
    /// When old letters were forgotten last.
    pruned: Timestamp,
    /// 1 in life; a rehearsal waits so much shorter.
    time_scale: f64,
    zone: TimeZone,
}

impl Dispatch {
    /// For these carriers; letters of carriers that are no longer configured are given up.
    pub fn new(
        carriers: Vec<Arc<dyn Carrier>>,
        signals: Sender<Signal>,
        time_scale: f64,
    ) -> Dispatch {
        Dispatch {
            carriers,
            worker: None,
            hire: Box::new(start_worker),
            signals,
            with_worker: Vec::new(),
            next: Some(Timestamp::MIN),
            no_thread_until: None,
            pruned: Timestamp::MIN,
            time_scale,
            zone: crate::outside::zone(),
        }
    }

    /// Letters go to whom this finds.
    pub fn hire_by(&mut self, hire: Hire) {
        self.hire = hire;
    }

    /// Names of the carriers.
    pub fn names(&self) -> Vec<String> {
        self.carriers.iter().map(|c| c.name().to_owned()).collect()
    }

    /// Letters that wait from before the start are due at once: the reason to wait may be gone.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn start(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), LedgerError> {
        self.prune(ledger, now)?;
        ledger.mind_the_clock(now)?;
        for name in self.names() {
            ledger.hurry_letters(&name, now)?;
        }
        Ok(())
    }

    /// The clock was set back: what waits is not to wait until it has caught up.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn clock_set_back(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        ledger.mind_the_clock(now)?;
        self.no_thread_until = None;
        self.look_again(ledger)
    }

    /// Forgets old letters, once a day: a daemon may run for months.
    fn prune(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), LedgerError> {
        // A clock that was set back counts as time that has passed.
        if now.duration_since(self.pruned).abs() >= SignedDuration::from_hours(24) {
            ledger.prune_letters(now)?;
            self.pruned = now;
        }
        Ok(())
    }

    /// Something may have been queued.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn look_again(&mut self, ledger: &Ledger) -> Result<(), LedgerError> {
        if !self.carriers.is_empty() {
            self.next = self.next_free(ledger)?;
        }
        Ok(())
    }

    /// When [`Dispatch::send_due`] has something to do.
    pub fn next(&self) -> Option<Timestamp> {
        self.next.filter(|_| !self.carriers.is_empty())
    }

    /// Hands what is due to the worker; gives letters that nobody can carry any more.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn send_due(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<Vec<Lost>, LedgerError> {
        if self.next().is_none_or(|n| n > now) {
            return Ok(Vec::new());
        }
        self.prune(ledger, now)?;
        let mut lost = Vec::new();
        let busy: BTreeSet<i64> = self.with_worker.iter().map(|w| w.id).collect();
        let mut room: BTreeMap<&str, usize> = BTreeMap::new();
        for carrier in &self.carriers {
            room.insert(carrier.name(), self.room(carrier.name()));
        }
        // Letters for ways that are not configured any more are given up, a few at each turn.
        let due = ledger.due_letters(now, AT_ONCE, |id, carrier| {
            !busy.contains(&id)
                && room.get_mut(carrier).is_none_or(|left| {
                    let free = *left > 0;
                    *left = left.saturating_sub(1);
                    free
                })
        })?;
        for waiting in due {
            if !self.carriers.iter().any(|c| c.name() == waiting.carrier) {
                let why = format!("{} is not configured any more", waiting.carrier);
                let fate = Fate::Refused;
                lost.push(Lost { waiting, why, fate });
            } else if !self.hand_over(waiting, now) {
                break;
            }
        }
        self.next = self.next_free(ledger)?;
        Ok(lost)
    }

    /// When the next letter is due that the worker has not got; while it is full, its next report is waited for.
    fn next_free(&self, ledger: &Ledger) -> Result<Option<Timestamp>, LedgerError> {
        let busy: BTreeSet<i64> = self.with_worker.iter().map(|w| w.id).collect();
        let next =
            ledger.first_waiting(|id, carrier| !busy.contains(&id) && self.room(carrier) > 0)?;
        Ok(next.map(|n| self.no_thread_until.map_or(n, |t| n.max(t))))
    }

    /// How many letters more the worker may have for this carrier.
    fn room(&self, carrier: &str) -> usize {
        let with = self.with_worker.iter().filter(|w| w.carrier == carrier);
        WITH_WORKER.saturating_sub(with.count())
    }

    /// False where there is no worker now.
    fn hand_over(&mut self, waiting: Waiting, now: Timestamp) -> bool {
        if self.worker.is_none() {
            match (self.hire)(self.carriers.clone(), self.signals.clone()) {
                Ok(worker) => (self.worker, self.no_thread_until) = (Some(worker), None),
                Err(error) => {
                    let later = now.checked_add(SignedDuration::from_secs(NO_THREAD_S));
                    self.no_thread_until = later.ok();
                    tracing::error!(%error, "letters cannot be sent now; they wait");
                    return false;
                }
            }
        }
        // A rehearsal tells ages in the time of the night that it plays.
        let age = now
            .duration_since(waiting.queued_at)
            .div_f64(self.time_scale);
        let as_of = waiting.queued_at.checked_add(age).unwrap_or(now);
        let letter = aged(&waiting.letter, waiting.queued_at, as_of, &self.zone);
        let job = Job {
            id: waiting.id,
            letter,
        };
        let sent = self
            .worker
            .as_ref()
            .is_some_and(|w| w.send(&waiting.carrier, job));
        if sent {
            self.with_worker.push(waiting);
        } else {
            self.worker = None;
        }
        sent
    }

    /// A lost letter waits no more. To be called once its loss was told: a kill between the two tells it twice, and not never.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn give_up(
        &mut self,
        ledger: &mut Ledger,
        lost: &Lost,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        ledger.finish_letter(lost.waiting.id, lost.fate, Some(&lost.why), now)?;
        self.look_again(ledger)
    }

    /// Keeps what became of a letter; gives it back where it did not arrive and is not tried again. It waits until it is
    /// [given up](Dispatch::give_up).
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn hear(
        &mut self,
        ledger: &mut Ledger,
        report: Report,
        now: Timestamp,
    ) -> Result<Option<Lost>, LedgerError> {
        let Some(k) = self.with_worker.iter().position(|w| w.id == report.id) else {
            return Ok(None);
        };
        let waiting = self.with_worker.swap_remove(k);
        let (key, carrier) = (waiting.letter.key.clone(), report.carrier);
        let mut lost = None;
        match report.result {
            Ok(()) => {
                ledger.finish_letter(waiting.id, Fate::Sent, None, now)?;
                ledger.hurry_letters(&carrier, now)?;
                tracing::info!(
                    carrier,
                    key,
                    repeat = waiting.letter.repeat,
                    tries = waiting.tries + 1,
                    "letter sent"
                );
            }
            Err(Refusal::Permanent(why)) => {
                tracing::error!(carrier, key, why, "a letter was refused for good");
                let fate = Fate::Refused;
                lost = Some(Lost { waiting, why, fate });
            }
            Err(Refusal::Transient(why)) if is_old(waiting.queued_at, now) => {
                tracing::error!(
                    carrier,
                    key,
                    why,
                    "a letter could not be sent for {LONGEST_H} h and is given up"
                );
                let fate = Fate::Expired;
                lost = Some(Lost { waiting, why, fate });
            }
            Err(Refusal::Transient(why)) => {
                let tries = waiting.tries.saturating_add(1);
                let next = self.next_try(tries, waiting.id, now);
                ledger.try_again(waiting.id, next, &why)?;
                tracing::warn!(carrier, key, why, tries, next = %next, "a letter could not be sent now; it is tried again");
            }
        }
        self.next = self.next_free(ledger)?;
        Ok(lost)
    }

    fn next_try(&self, tries: u32, id: i64, now: Timestamp) -> Timestamp {
        let wait = backoff::wait(tries, id).mul_f64(self.time_scale.clamp(0.0, 1.0));
        now.checked_add(wait).unwrap_or(now)
    }

    /// Nothing waits and nothing is on its way.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn is_idle(&self, ledger: &Ledger) -> Result<bool, LedgerError> {
        Ok(self.with_worker.is_empty()
            && (self.carriers.is_empty() || ledger.next_letter()?.is_none()))
    }
}

fn is_old(queued_at: Timestamp, now: Timestamp) -> bool {
    now.duration_since(queued_at) >= SignedDuration::from_hours(LONGEST_H)
}

#[cfg(test)]
mod tests;
