//! What stands behind the results of a queue, as the ledger knows it.

use super::{Desk, DeskError};
use crate::ledger::Ledger;
use crate::night::made::Made;
use crate::outside;

impl Desk {
    /// Looks up what stands behind queues that have new records, before their summaries are written.
    pub(super) fn note_made(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for queue in ledger.take_touched(&self.station.name) {
            if self.look_up_made(ledger, &queue)?
                && let Some(outputs) = self.outputs.get_mut(&queue)
            {
                outputs.mark(outside::steady());
            }
        }
        Ok(())
    }

    /// Looks up what stands behind a queue; true where that has changed.
    pub(super) fn look_up_made(&mut self, ledger: &Ledger, name: &str) -> Result<bool, DeskError> {
        if !self.night.queues().contains_key(name) {
            return Ok(false);
        }
        let station = &self.station.name;
        let mut made = Made {
            head: ledger.head(station, name)?,
            changes: Vec::new(),
        };
        if !self.changes.is_empty()
            && let Some(first) = ledger.first_landing(station, name)?
        {
            let later = self.changes.iter().filter(|c| c.at >= first);
            made.changes = later.cloned().collect();
        }
        Ok(self.night.queue_mut(name).is_some_and(|queue| {
            let changed = queue.made != made;
            queue.made = made;
            changed
        }))
    }
}
