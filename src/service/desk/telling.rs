//! Messages: kept in the ledger, written as files.

use jiff::Timestamp;

use super::{Desk, DeskError, Event};
use crate::ledger::Ledger;
use crate::night::alarm::AlertChanges;
use crate::report::whole::{keep, sweep};
use crate::tell;

impl Desk {
    /// One message for each trace with something to tell at once, however many checks it fails.
    pub(super) fn tell(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        changes: &AlertChanges,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let Some(state) = self.night.queues().get(queue) else {
            return Ok(());
        };
        for message in tell::messages(state, changes, &self.zone) {
            self.write_message(ledger, &message, now)?;
        }
        Ok(())
    }

    pub(super) fn write_message(
        &mut self,
        ledger: &mut Ledger,
        message: &tell::Message,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let tell::Message {
            file_name,
            subject,
            body,
            ..
        } = message;
        let path = self.results.join("alerts").join(file_name);
        ledger.keep_message(&self.station.name, file_name, body, now)?;
        if let Err(error) = keep(&path, body.as_bytes()) {
            tracing::error!(%error, "an alert cannot be written now; it is kept in the ledger and written when it can be");
            self.unwritten.insert(path.clone(), body.clone());
        } else {
            // What waited to be written there is older.
            self.unwritten.remove(&path);
        }
        tracing::warn!(file = %path.display(), "{subject}");
        if let Some(listener) = &mut self.listener {
            listener(&Event::Told {
                path,
                body: body.clone(),
            });
        }
        Ok(())
    }

    /// Writes alert files that are no longer there again: those whose text was kept since then.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn restore_messages(&mut self, ledger: &Ledger, since: Timestamp) -> Result<(), DeskError> {
        // A kill may have left a message half-written beside its name, or what showed that the folder can be written.
        sweep(&self.results);
        sweep(&self.results.join("alerts"));
        for (file_name, body) in ledger.messages_since(&self.station.name, since)? {
            let path = self.results.join("alerts").join(file_name);
            if !path.exists() {
                self.unwritten.insert(path, body);
            }
        }
        Ok(())
    }
}
