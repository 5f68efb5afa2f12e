//! Queues that lost everything to a late list.

use super::{Desk, DeskError};
use crate::ledger::Ledger;

impl Desk {
    /// Removes the results of a queue that a list emptied. What the ledger has of it goes last: after a kill on the way
    /// [`Desk::clear_emptied`] does it again.
    pub(super) fn clear(&mut self, ledger: &mut Ledger, name: &str) -> Result<(), DeskError> {
        self.bereave(ledger, name)?;
        self.loaded.remove(name);
        self.forget_letters(name);
        let outputs = self
            .outputs
            .remove(name)
            .unwrap_or_else(|| self.outputs_of(name));
        match outputs.remove() {
            Ok(()) => ledger.drop_queue(&self.station.name, name)?,
            Err(error) => {
                tracing::warn!(%error, "results of a queue that a late list emptied stay until the next start");
            }
        }
        Ok(())
    }

    /// Clears what was emptied before a kill and not cleared any more.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn clear_emptied(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for name in ledger.emptied_queues(&self.station.name)? {
            self.clear(ledger, &name)?;
        }
        Ok(())
    }
}
