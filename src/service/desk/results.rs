//! Result files: brought up to date, or tried again.

use super::Desk;
use crate::night::queue::Changes;
use crate::outside;
use crate::report::whole::{WriteError, keep};
use crate::service::outputs::Outputs;

impl Desk {
    pub(super) fn outputs_of(&self, queue: &str) -> Outputs {
        Outputs::new(self.folder(queue), self.zone.clone(), outside::steady())
    }

    pub(super) fn mark(&mut self, queue: &str) {
        let outputs = self.outputs_of(queue);
        self.outputs
            .entry(queue.to_owned())
            .or_insert(outputs)
            .mark(outside::steady());
    }

    pub(super) fn update(&mut self, name: &str, changes: &Changes) {
        if !self.outputs.contains_key(name) {
            let outputs = self.outputs_of(name);
            self.outputs.insert(name.to_owned(), outputs);
        }
        let (Some(outputs), Some(queue)) =
            (self.outputs.get_mut(name), self.night.queues().get(name))
        else {
            return;
        };
        if let Err(error) = outputs.update(queue, changes, outside::steady())
            && outputs.tell_once()
        {
            tracing::error!(%error, queue = name, "a result cannot be written now; it is kept in the ledger and written when it can be");
        }
    }

    /// Writes all result files of a queue that has ended, before anybody is told that they are there; false where one of
    /// them cannot be written now.
    pub(super) fn flush_queue(&mut self, name: &str) -> bool {
        let (Some(outputs), Some(queue)) =
            (self.outputs.get_mut(name), self.night.queues().get(name))
        else {
            return true;
        };
        let flushed = outputs.flush(queue, outside::steady(), true);
        if let Err(error) = &flushed
            && outputs.tell_once()
        {
            tracing::error!(%error, queue = name, "a result cannot be written now; it is kept in the ledger and written when it can be");
        }
        flushed.is_ok()
    }

    /// Everything that was to be written has been written, and what is to be read can be.
    pub fn is_well(&self) -> bool {
        let outputs = self.outputs.values().any(Outputs::is_failing);
        !outputs
            && !self.is_amiss()
            && !self.cannot_remove()
            && self.unwritten.is_empty()
            && self.can_read_pressure()
    }

    /// The folder of the station's results.
    pub fn results_folder(&self) -> &std::path::Path {
        &self.results
    }

    /// Writes the result files that are due; with `all` everything that is not up to date.
    ///
    /// Gives the errors of files that could not be written; they are tried again.
    pub fn flush(&mut self, all: bool) -> Vec<WriteError> {
        let now = outside::steady();
        let mut failed = self.remove_forsaken(now, all);
        for (name, outputs) in &mut self.outputs {
            let Some(queue) = self.night.queues().get(name) else {
                continue;
            };
            if let Err(error) = outputs.flush(queue, now, all) {
                if outputs.tell_once() {
                    tracing::error!(%error, queue = %name, "a result cannot be written now; it is kept in the ledger and written when it can be");
                }
                failed.push(error);
            }
        }
        self.unwritten
            .retain(|path, body| match keep(path, body.as_bytes()) {
                Ok(_) => false,
                Err(error) => {
                    failed.push(error);
                    true
                }
            });
        failed
    }
}
