//! Traces without a list: to which night each belongs, and what is left of a queue that lost all of them.

use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::{Desk, DeskError};
use crate::ledger::{Ledger, LedgerError};
use crate::night::station::UNLISTED;
use crate::outside;
use crate::report::whole::WriteError;
use crate::service::outputs::Outputs;

/// So many traces of the ledger are looked at together.
const CHUNK: usize = 256;
/// Results that could not be removed are tried again after so long.
const TRY_AGAIN: Duration = Duration::from_secs(5);

/// Results of a queue that is empty again.
pub(super) struct Forsaken {
    outputs: Outputs,
    due: Instant,
    failed: bool,
}

impl Desk {
    /// The queue to which a file of this stem, written at this time, belongs, with all that the ledger knows of that night.
    pub(super) fn home_of(
        &mut self,
        ledger: &Ledger,
        stem: &str,
        modified: Timestamp,
    ) -> Result<String, LedgerError> {
        self.take_up_for(ledger, stem, modified)?;
        let queue = self.night.queue_of(stem, modified);
        if !queue.starts_with(UNLISTED) {
            return Ok(queue);
        }
        self.cover(ledger, modified)?;
        Ok(self.night.queue_of(stem, modified))
    }

    fn cover(&mut self, ledger: &Ledger, at: Timestamp) -> Result<(), LedgerError> {
        while let Some(before) = self.night.missing(at) {
            let found = ledger.written_before(&self.station.name, before, CHUNK)?;
            for (mark, unlisted) in &found {
                self.night.know(*mark, *unlisted);
            }
            let last = found.last().filter(|_| found.len() == CHUNK);
            self.night.known_from(last.map(|(mark, _)| *mark));
        }
        Ok(())
    }

    /// What no list names goes to the night to which it belongs now, after something landed out of turn, landed again, or was
    /// named by a list.
    pub(super) fn part_nights(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        while let Some((from, to)) = self.night.take_doubt() {
            for queue in ledger.unlisted_between(&self.station.name, from, to)? {
                self.take_up_queue(ledger, &queue)?;
            }
            for at in self.night.unlisted_times() {
                self.cover(ledger, at)?;
            }
            let misplaced = self.night.misplaced();
            for (_, home, _) in &misplaced {
                self.take_up_queue(ledger, home)?;
                self.loaded.insert(home.clone());
            }
            if !misplaced.is_empty() {
                self.night.part_nights();
                let moves = self.whereabouts();
                ledger.move_landings(&self.station.name, &moves)?;
                self.leave_emptied(ledger)?;
            }
        }
        self.night.trim();
        Ok(())
    }

    /// Queues that lost everything: their results are to be removed. The ledger forgets them when that is done, so that a start
    /// goes on with it.
    pub(super) fn leave_emptied(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for name in self.night.take_emptied() {
            self.forsake(ledger, &name)?;
        }
        Ok(())
    }

    /// Queues that had lost everything before the start, and whose results were not removed any more.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn leave_emptied_before(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for name in ledger.emptied_queues(&self.station.name)? {
            self.forsake(ledger, &name)?;
        }
        Ok(())
    }

    fn forsake(&mut self, ledger: &mut Ledger, name: &str) -> Result<(), DeskError> {
        self.bereave(ledger, name)?;
        self.loaded.remove(name);
        self.unended.remove(name);
        self.owed.remove(name);
        self.joins.forget(name);
        self.forget_letters(name);
        let outputs = self.outputs.remove(name);
        let forsaken = Forsaken {
            outputs: outputs.unwrap_or_else(|| self.outputs_of(name)),
            due: outside::steady(),
            failed: false,
        };
        self.forsaken.insert(name.to_owned(), forsaken);
        Ok(())
    }

    /// Removes the results of queues that are empty again, where it is time; with `all` at once.
    pub(super) fn remove_forsaken(&mut self, now: Instant, all: bool) -> Vec<WriteError> {
        let mut failed = Vec::new();
        let queues = self.night.queues();
        let (gone, told) = (&mut self.gone, &mut failed);
        self.forsaken.retain(|name, forsaken| {
            if queues.contains_key(name) {
                // Something landed in it since.
                return false;
            }
            if forsaken.due > now && !all {
                return true;
            }
            match forsaken.outputs.remove() {
                Ok(()) => {
                    gone.push(name.clone());
                    false
                }
                Err(error) => {
                    if !std::mem::replace(&mut forsaken.failed, true) {
                        tracing::error!(%error, queue = %name, "results of a queue that is empty again cannot be removed now; it is tried again");
                    }
                    forsaken.due = now + TRY_AGAIN;
                    told.push(error);
                    true
                }
            }
        });
        failed
    }

    /// The ledger forgets queues whose results are removed.
    pub(super) fn forget_gone(&mut self, ledger: &mut Ledger) -> Result<(), LedgerError> {
        for name in std::mem::take(&mut self.gone) {
            if !self.night.queues().contains_key(&name) {
                ledger.drop_queue(&self.station.name, &name)?;
            }
        }
        Ok(())
    }

    /// When results are to be removed.
    pub(super) fn next_removal(&self) -> Option<Instant> {
        self.forsaken.values().map(|f| f.due).min()
    }

    /// Results that should be gone cannot be removed.
    pub(super) fn cannot_remove(&self) -> bool {
        self.forsaken.values().any(|f| f.failed)
    }
}
