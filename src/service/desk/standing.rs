//! Results stand in their folder as they were written: what is missing, older, or in a folder that took another's place, is
//! made again.
//!
//! The ledger keeps with each queue that ended how long its files were and when they were written. A look at that costs a
//! few calls of the disk, so a start looks at the queues of a month and takes up those alone of which something is amiss.
//! A file that is younger than that was saved by somebody: it is left alone. Whatever changes the results of a queue that
//! has ended is noted as owed before it is kept, and struck out when it is written.

use std::path::Path;

use jiff::Timestamp;

use super::{Desk, DeskError};
use crate::ledger::{Ledger, LedgerError};
use crate::night::pace::later;
use crate::night::queue::Queue;
use crate::outside;
use crate::service::outputs::{self, Outputs};

/// Results and alert files of so long are looked for and written again where they are missing, s: a month.
const RESTORED_S: f64 = 30.0 * 24.0 * 3600.0;
/// So many queues are taken up at a time.
const AT_ONCE: usize = 16;

/// Device and number of a folder; where the system has none, all are one.
type Identity = (u64, u64);

/// What is known of the folder of the results.
#[derive(Debug, Default)]
pub(super) struct Standing {
    /// The folder as it was found last.
    folder: Option<Identity>,
    /// Queues that ended and of which something is amiss; they are taken up one after the other.
    amiss: Vec<String>,
}

impl Desk {
    /// Looks whether the folder of the results is the one that it was, and takes up queues of which something is amiss there. At
    /// the first look those are all that ended in the last month. A folder that is not there is made.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn mind_results(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), DeskError> {
        // What cannot be looked at shows when something is written there, or is to be proved.
        if let Ok(found) = identity(&self.results)
            && self.standing.folder != Some(found)
        {
            let since = later(now, -RESTORED_S).unwrap_or(Timestamp::UNIX_EPOCH);
            if self.standing.folder.replace(found).is_some() {
                tracing::warn!(folder = %self.results.display(), "the folder of the results is another one than before: was a share away, or was it removed? what belongs in it is written again where it is missing or old");
                for outputs in self.outputs.values_mut() {
                    outputs.look_again(outside::steady());
                }
            }
            self.restore_messages(ledger, since)?;
            self.look_at_ended(ledger, since)?;
        }
        self.take_up_amiss(ledger)
    }

    /// Files that somebody removed while their queue is in memory are written again.
    pub fn look_for_results(&mut self) {
        for outputs in self.outputs.values_mut() {
            outputs.look_for(outside::steady());
        }
    }

    fn look_at_ended(&mut self, ledger: &Ledger, since: Timestamp) -> Result<(), LedgerError> {
        for (queue, files) in ledger.written_since(&self.station.name, since)? {
            if !outputs::stands(&self.folder(&queue), &files)
                && !self.standing.amiss.contains(&queue)
            {
                self.standing.amiss.push(queue);
            }
        }
        Ok(())
    }

    fn take_up_amiss(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        let first = self.standing.amiss.len().saturating_sub(AT_ONCE);
        for queue in self.standing.amiss.split_off(first) {
            if self.outputs.contains_key(&queue)
                || self.forsaken.contains_key(&queue)
                || ledger.has_ended(&self.station.name, &queue)? != Some(true)
            {
                continue;
            }
            tracing::info!(
                queue,
                "results of a queue that has ended are missing or old: they are looked at again"
            );
            self.take_up_as_it_was(ledger, &queue)?;
            if self.night.queues().contains_key(&queue) {
                // Some of its files may look new before the last of them is written.
                ledger.owe_results(&self.station.name, &queue)?;
                self.owed.insert(queue);
            }
        }
        Ok(())
    }

    /// Queues wait to be taken up.
    pub(super) fn is_amiss(&self) -> bool {
        !self.standing.amiss.is_empty()
    }

    /// What is kept next changes the results of a queue that has ended, if it has: a start after a kill makes them again.
    pub(super) fn owe(&mut self, ledger: &mut Ledger, queue: &str) -> Result<(), LedgerError> {
        if self.owed.contains(queue)
            || self.unended.contains(queue)
            || !self.night.queues().get(queue).is_some_and(Queue::is_ended)
        {
            return Ok(());
        }
        ledger.owe_results(&self.station.name, queue)?;
        self.owed.insert(queue.to_owned());
        Ok(())
    }

    /// Notes every queue whose results are due though it had ended; `now_ended`: those that end only now.
    pub(super) fn owe_due(
        &mut self,
        ledger: &mut Ledger,
        now_ended: &dyn Fn(&str) -> bool,
    ) -> Result<(), LedgerError> {
        let due: Vec<String> = self
            .outputs
            .iter()
            .filter(|(name, outputs)| outputs.next_due().is_some() && !now_ended(name))
            .map(|(name, _)| name.clone())
            .collect();
        for queue in due {
            self.owe(ledger, &queue)?;
        }
        Ok(())
    }

    /// The results of a queue that has ended are written: they outlast a power cut from now on, and the ledger knows them. False
    /// where that has to be tried again.
    pub(super) fn stand(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        now: Timestamp,
    ) -> Result<bool, LedgerError> {
        let steady = outside::steady();
        let closed = match self.outputs.get_mut(queue) {
            Some(outputs) => outputs.close(steady),
            None => self.outputs_of(queue).close(steady),
        };
        let files = match closed {
            Ok(files) => files,
            Err(error) => {
                tracing::error!(%error, queue, "results cannot be kept safe from a power cut now; it is tried again");
                return Ok(false);
            }
        };
        ledger.keep_written(&self.station.name, queue, &files, now)?;
        self.owed.remove(queue);
        Ok(true)
    }

    /// After the last flush: the ledger hears what was written late, and what was removed.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn finish(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), LedgerError> {
        self.forget_gone(ledger)?;
        self.keep_late_ends(ledger, now)
    }

    /// Queues that had ended, whose results were written late.
    pub(super) fn keep_late_ends(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        let written = |name: &String| {
            let outputs = self.outputs.get(name);
            outputs.is_none_or(Outputs::is_written)
        };
        let late = self.unended.iter().chain(&self.owed);
        let over: Vec<String> = late.filter(|n| written(n)).cloned().collect();
        for name in over {
            if !self.night.queues().get(&name).is_none_or(Queue::is_ended) {
                // It goes on, and ends once more.
                self.owed.remove(&name);
                self.unended.remove(&name);
            } else if self.stand(ledger, &name, now)? && self.unended.remove(&name) {
                // A queue counts as ended only when its results are written: until then a start takes it up again.
                ledger.set_queue(&self.station.name, &name, Some(now))?;
            }
        }
        Ok(())
    }
}

/// Device and number of the folder, which is made where it is not there.
fn identity(folder: &Path) -> std::io::Result<Identity> {
    outside::disk("look at", folder)?;
    let meta = match std::fs::metadata(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            outside::disk("make the folder", folder)?;
            std::fs::create_dir_all(folder)?;
            std::fs::metadata(folder)?
        }
        other => other?,
    };
    if !meta.is_dir() {
        return Err(std::io::ErrorKind::NotADirectory.into());
    }
    Ok(outside::identity(&meta))
}
