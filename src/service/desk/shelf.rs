//! What a station keeps in memory: the queues that go on and those of the last night and day, with their run lists. Everything
//! else stays in the ledger, is found there by what it names, and comes back when one of its traces lands again. So neither
//! a start nor a landing costs more for every night that there ever was.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::Timestamp;

use super::{Desk, DeskError};
use crate::ledger::{Ledger, LedgerError, Names};
use crate::night::pace::later;
use crate::night::queue::Queue;
use crate::night::station::UNLISTED;
use crate::outside;
use crate::runlist::{self, RunList};
use crate::service::lists;

/// A queue stays in memory for so long after its last trace: a night and a day, s.
const FORGET_AFTER_S: f64 = 36.0 * 3600.0;
/// A list of which nothing lands is waited for so long, s: a month.
const AWAITED_S: f64 = 30.0 * 24.0 * 3600.0;
/// Moments at which files were written are remembered so long, s: a week.
const ACTIVITY_S: f64 = 7.0 * 24.0 * 3600.0;
/// Lists of a stem that are tried where the nearest one cannot be used with this method.
const TRIED: usize = 64;

/// What is not in memory.
#[derive(Debug, Default)]
pub(super) struct Shelf {
    /// The ledger may have lists that are not in memory.
    has_lists: bool,
    /// Queues whose list in the ledger cannot be used with this method.
    unusable: BTreeSet<String>,
}

impl Desk {
    /// Lists that were kept and of which it is not noted yet what they name: after an upgrade, or a kill between the two.
    pub(super) fn note_lists(&mut self, ledger: &mut Ledger) -> Result<(), LedgerError> {
        loop {
            let unnoted = ledger.unnoted_lists(&self.station.name)?;
            if unnoted.is_empty() {
                return Ok(());
            }
            let names = unnoted.into_iter().map(|(id, record)| Names {
                id,
                modified: record.modified,
                // Only usable lists are kept; one that a later program reads differently names nothing.
                stems: runlist::file::parse(&record.content, &record.path)
                    .map(|list| {
                        let injections = list.injections.into_iter();
                        injections.map(|i| (i.stem, i.kind.word())).collect()
                    })
                    .unwrap_or_default(),
            });
            let names: Vec<Names> = names.collect();
            ledger.note_lists(&self.station.name, &names)?;
        }
    }

    /// The ledger's lists are known to be there; none of them is in memory.
    pub(super) fn open_shelf(&mut self, ledger: &mut Ledger) -> Result<(), LedgerError> {
        self.note_lists(ledger)?;
        self.shelf.has_lists = ledger.has_lists(&self.station.name)?;
        Ok(())
    }

    /// Takes up the list of a queue from the ledger; true where it is in use then.
    pub(super) fn take_up_list(
        &mut self,
        ledger: &Ledger,
        queue: &str,
    ) -> Result<bool, LedgerError> {
        if self.night.list(queue).is_some() {
            return Ok(true);
        }
        if !self.shelf.has_lists || self.shelf.unusable.contains(queue) {
            return Ok(false);
        }
        let Some(record) = ledger.list(&self.station.name, queue)? else {
            return Ok(false);
        };
        match lists::read(&record.content, &record.path, &self.setup.method) {
            Ok(list) => {
                self.night.take_up(queue, Arc::new(list), record.modified);
                Ok(true)
            }
            // A level that a changed method no longer has: its file is told when it is looked at.
            Err(error) => {
                tracing::warn!(%error, "a run list of the ledger cannot be used with this method");
                self.shelf.unusable.insert(queue.to_owned());
                Ok(false)
            }
        }
    }

    /// Takes up the list that says where a file of this stem, written at this time, belongs. The rule is that of
    /// [`queue_of`](crate::night::station::Station::queue_of).
    pub(super) fn take_up_for(
        &mut self,
        ledger: &Ledger,
        stem: &str,
        at: Timestamp,
    ) -> Result<(), LedgerError> {
        if !self.shelf.has_lists {
            return Ok(());
        }
        for (at, most) in [(at, 1), (at, TRIED), (Timestamp::UNIX_EPOCH, TRIED)] {
            let found = ledger.listing(&self.station.name, stem, None, at, most)?;
            if found.is_empty() {
                return Ok(());
            }
            for (queue, _) in found {
                if self.take_up_list(ledger, &queue)? {
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// Takes up a queue as it was: one that had ended has ended.
    pub(super) fn take_up_queue(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
    ) -> Result<(), DeskError> {
        if self.loaded.contains(queue) {
            return Ok(());
        }
        if let Some(ended) = ledger.has_ended(&self.station.name, queue)? {
            self.load(ledger, queue)?;
            if ended {
                self.night.resume_ended(queue);
            }
        }
        Ok(())
    }

    /// Before a list comes into use: what lies in its queue and was written before it, or is not named by it, may belong to
    /// another one then.
    pub(super) fn take_up_rivals(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        list: &RunList,
        modified: Timestamp,
    ) -> Result<(), DeskError> {
        if !self.shelf.has_lists {
            return Ok(());
        }
        let Some(state) = self.night.queues().get(queue) else {
            return Ok(());
        };
        let named: BTreeSet<&str> = list.injections.iter().map(|i| i.stem.as_str()).collect();
        let landed = state.slots().iter().filter_map(|s| s.landing.as_ref());
        let loose: Vec<(String, Timestamp)> = landed
            .filter(|l| l.modified < modified || !named.contains(l.stem.as_str()))
            .map(|l| (l.stem.clone(), l.modified))
            .collect();
        for (stem, at) in loose {
            let found = ledger.listing(&self.station.name, &stem, None, at, 2)?;
            for (rival, _) in found.into_iter().filter(|(name, _)| name != queue) {
                if self.take_up_list(ledger, &rival)? {
                    self.take_up_queue(ledger, &rival)?;
                }
            }
        }
        Ok(())
    }

    /// Takes up all queues that had not ended, and the lists of which nothing has landed yet.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn load_open(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        self.load_open_at(ledger, outside::wall())
    }

    fn load_open_at(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), DeskError> {
        self.leave_emptied_before(ledger)?;
        for queue in ledger.open_queues(&self.station.name)? {
            if !self.forsaken.contains_key(&queue) {
                self.load(ledger, &queue)?;
            }
        }
        // A list of which nothing has landed yet may have been told of.
        let since = later(now, -AWAITED_S).unwrap_or(Timestamp::UNIX_EPOCH);
        for queue in ledger.awaited(&self.station.name, since)? {
            self.load(ledger, &queue)?;
            self.joins.need(&queue, now);
        }
        let mut over = BTreeSet::new();
        for queue in self.night.queues().keys() {
            if ledger.has_ended(&self.station.name, queue)? == Some(true) {
                over.insert(queue.clone());
            }
        }
        self.night.plan_budgets_again(&over, now);
        Ok(())
    }

    /// Takes up the unlisted queues in which a trace of this name lies: a list may claim it.
    pub(super) fn load_unlisted(
        &mut self,
        ledger: &mut Ledger,
        stem: &str,
    ) -> Result<(), DeskError> {
        for (queue, _) in ledger.landed_in(&self.station.name, stem, UNLISTED)? {
            self.load(ledger, &queue)?;
        }
        Ok(())
    }

    /// Queues that ended long ago leave the memory: their results stand, and the ledger brings them back when one of
    /// their traces lands again. So do lists of which nothing landed in a month.
    pub(super) fn forget(&mut self, now: Timestamp) {
        let long_ago = |q: &Queue| {
            let needed = self.joins.needed(&q.name);
            let (last, stay_s) = if q.has_begun() {
                (q.pace().last().max(needed), FORGET_AFTER_S)
            } else {
                (q.dated.max(needed), AWAITED_S)
            };
            let over = q.is_ended() || !q.has_begun() && !q.has_pending();
            over && last
                .and_then(|l| later(l, stay_s))
                .is_some_and(|t| t <= now)
        };
        let up_to_date = |name: &String| {
            self.outputs
                .get(name)
                .is_none_or(|o| o.next_due().is_none())
        };
        // Where its list cannot be used now its queue tells of it.
        let told_of = |name: &String| self.bad_lists.contains_key(name);
        let old: Vec<String> = self
            .night
            .queues()
            .iter()
            .filter(|(name, queue)| long_ago(queue) && up_to_date(name) && !told_of(name))
            .map(|(name, _)| name.clone())
            .collect();
        for name in old {
            self.shelf.has_lists |= self.night.forget(&name);
            self.joins.forget(&name);
            self.outputs.remove(&name);
            self.loaded.remove(&name);
            self.shelf.unusable.remove(&name);
            self.forget_letters(&name);
        }
        if let Some(before) = later(now, -ACTIVITY_S) {
            self.night.forget_activity(before);
        }
    }

    /// A new list of this queue is in use.
    pub(super) fn shelve_no_more(&mut self, queue: &str, now: Timestamp) {
        self.shelf.unusable.remove(queue);
        self.joins.need(queue, now);
    }
}

#[cfg(test)]
mod tests;
