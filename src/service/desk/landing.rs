//! Landing what was read.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::Timestamp;

use super::{Desk, DeskError, Event, file_name, stem_of};
use crate::intake::{Seen, scan};
use crate::ledger::{FileSeen, Ledger, LedgerError, NewLanding};
use crate::night::Landing;
use crate::night::station::UNLISTED;
use crate::reading::Evaluation;
use crate::service::evaluate::Taken;

impl Desk {
    /// Lands a batch of files that were read: all of them are committed, or none has landed.
    ///
    /// # Errors
    /// When the ledger cannot be read or written: the desk must be taken up anew.
    pub fn land(
        &mut self,
        ledger: &mut Ledger,
        batch: Vec<Taken>,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let mut fresh: Vec<(Seen, String, Arc<Landing>)> = Vec::new();
        let mut unchanged: Vec<(PathBuf, FileSeen)> = Vec::new();
        for taken in batch {
            let stem = stem_of(&taken.seen.path);
            let queue = self.home_of(ledger, &stem, taken.seen.modified)?;
            self.load(ledger, &queue)?;
            let before = self
                .night
                .queues()
                .get(&queue)
                .and_then(|q| q.slot_of(&stem))
                .and_then(|s| s.landing.clone());
            let same = before
                .as_ref()
                .is_some_and(|b| b.sha256 == taken.sha256 && b.evaluation == taken.evaluation);
            let copied = before.is_none()
                && queue.starts_with(UNLISTED)
                && self.is_copy(ledger, &stem, &taken, &fresh)?;
            let outrun = match &before {
                Some(b) if !same => self.is_outrun(ledger, &taken, b, &fresh)?,
                _ => false,
            };
            if same || copied || outrun {
                let seen = self.file_seen(&taken.seen);
                unchanged.push((taken.seen.path, seen));
                continue;
            }
            let revision = match &before {
                Some(b) if b.sha256 == taken.sha256 => b.revision,
                Some(b) => b.revision + 1,
                None => 1,
            };
            let landing = Arc::new(Landing {
                id: ledger.take_landing_id(),
                file_name: file_name(&taken.seen.path),
                stem,
                sha256: taken.sha256,
                modified: taken.seen.modified,
                landed_at: now,
                revision,
                evaluation: taken.evaluation,
            });
            let queue = self.night.land(Arc::clone(&landing));
            self.loaded.insert(queue.clone());
            fresh.push((taken.seen, queue, landing));
        }
        let records: Vec<NewLanding<'_>> = fresh
            .iter()
            .map(|(seen, queue, landing)| NewLanding {
                path: &seen.path,
                size: seen.size,
                queue,
                landing,
                method_sha256: &self.setup.method.sha256,
            })
            .collect();
        ledger.land(&self.station.name, &records, &unchanged)?;
        for (_, queue, landing) in &fresh {
            self.say_landed(queue, landing);
        }
        self.part_nights(ledger)
    }

    /// This content has landed already, in another night: a copy made later, or a file that was touched. Where it cannot be read
    /// and lies where it lay, it is a new failure.
    fn is_copy(
        &self,
        ledger: &Ledger,
        stem: &str,
        taken: &Taken,
        fresh: &[(Seen, String, Arc<Landing>)],
    ) -> Result<bool, LedgerError> {
        let content = taken.sha256.as_str();
        if content.is_empty() {
            return Ok(false);
        }
        let mut fresh = fresh.iter().map(|(_, _, landing)| landing);
        if fresh.any(|l| l.stem == stem && l.sha256 == content) {
            return Ok(true);
        }
        let here = match taken.evaluation {
            Evaluation::Read(_) => None,
            Evaluation::Unreadable(_) => Some(taken.seen.path.as_path()),
        };
        ledger.has_unlisted(&self.station.name, stem, content, here)
    }

    /// What counts stays, whatever lands first:
    ///
    /// - What cannot be read replaces nothing that was written after it. A torn file is waited for, so a whole one of its name
    ///   that was written later may land before it. And it replaces nothing that lies elsewhere: one bad file affects only itself.
    /// - Of two that lie in two places the one that was written last counts.
    fn is_outrun(
        &self,
        ledger: &Ledger,
        taken: &Taken,
        before: &Landing,
        fresh: &[(Seen, String, Arc<Landing>)],
    ) -> Result<bool, LedgerError> {
        if !matches!(before.evaluation, Evaluation::Read(_)) {
            return Ok(false);
        }
        let older = taken.seen.modified < before.modified;
        let unreadable = matches!(taken.evaluation, Evaluation::Unreadable(_));
        if older && unreadable {
            return Ok(true);
        }
        if !older && !unreadable {
            return Ok(false);
        }
        let at = match fresh.iter().find(|(_, _, l)| l.id == before.id) {
            Some((seen, _, _)) => Some(seen.path.clone()),
            None => ledger.path_of(before.id)?,
        };
        let Some(at) = at.filter(|at| *at != taken.seen.path) else {
            return Ok(false);
        };
        let outrun = unreadable || scan::look_at(&at).is_some();
        if outrun {
            let (path, counts) = (taken.seen.path.display(), at.display());
            tracing::warn!(%path, %counts, "a file is passed over for another one of its name");
        }
        Ok(outrun)
    }

    fn say_landed(&mut self, queue: &str, landing: &Landing) {
        let Some(state) = self.night.queues().get(queue) else {
            return;
        };
        let position = state.slot_of(&landing.stem).map_or(0, |s| s.plan.position);
        let of = state.slots().len();
        let _queue = tracing::info_span!("queue", name = %queue).entered();
        let _trace =
            tracing::info_span!("trace", name = %crate::text::one_line(&landing.file_name))
                .entered();
        match &landing.evaluation {
            Evaluation::Read(_) => tracing::info!(position, revision = landing.revision, "landed"),
            Evaluation::Unreadable(why) => tracing::warn!(
                position,
                line = why.line,
                "no usable trace: {}",
                why.message
            ),
        }
        if let Some(listener) = &mut self.listener {
            listener(&Event::Landed {
                queue: queue.to_owned(),
                position,
                of,
                file_name: landing.file_name.clone(),
            });
        }
    }
}
