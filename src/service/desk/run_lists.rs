//! Run lists: taken up, late, changed, or of no use.

use std::collections::BTreeSet;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::{Desk, DeskError};
use crate::check::Check;
use crate::config::error::FileError;
use crate::intake::Seen;
use crate::ledger::{Ledger, ListRecord};
use crate::night::alarm::Alert;
use crate::night::queue::Queue;
use crate::outside;
use crate::service::evaluate::hex;
use crate::service::lists;
use crate::tell;

/// A file that is not there for so long was taken away: one that is saved anew is away for a moment, too.
const GONE: SignedDuration = SignedDuration::from_mins(10);

impl Desk {
    /// A run list that has settled. One that cannot be used is told; an earlier usable version stays in use.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn take_list(
        &mut self,
        ledger: &mut Ledger,
        seen: &Seen,
        bytes: Vec<u8>,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let queue = lists::queue_of(&seen.path);
        match lists::read(&bytes, &seen.path, &self.setup.method) {
            Ok(list) => {
                self.bad_files.remove(&seen.path);
                self.clear_bad_list(ledger, &queue, now)?;
                self.use_list(ledger, queue, list, seen, bytes, now)?;
                Ok(ledger.land(
                    &self.station.name,
                    &[],
                    &[(seen.path.clone(), self.file_seen(seen))],
                )?)
            }
            Err(error) => {
                tracing::warn!(%error, "a run list cannot be used");
                self.bad_files.insert(seen.path.clone(), seen.clone());
                let name = seen
                    .path
                    .file_name()
                    .map(|n| n.to_string_lossy().into_owned())
                    .unwrap_or_default();
                let kept = self.take_up_list(ledger, &queue)?;
                self.take_up_queue(ledger, &queue)?;
                let mut alert = run_list_alert(&name, &queue, &error, kept, now);
                if let Some(since) = self.list_told_since(ledger, &queue, &alert)? {
                    // Told before a restart: the same message, and the same file.
                    alert.raised_at = since;
                }
                self.tell_bad_list(ledger, queue, alert, now)
            }
        }
    }

    fn use_list(
        &mut self,
        ledger: &mut Ledger,
        queue: String,
        list: crate::runlist::RunList,
        seen: &Seen,
        bytes: Vec<u8>,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let record = ListRecord {
            queue: queue.clone(),
            sha256: hex(&bytes),
            content: bytes,
            modified: seen.modified,
            path: seen.path.clone(),
        };
        if self.is_same_list(ledger, &record, &list)? {
            // It keeps its date: a file that is saved again as it was moves no trace to another queue. But what was unlisted
            // while the method did not fit it comes back.
            for injection in &list.injections {
                self.load_unlisted(ledger, &injection.stem)?;
            }
            return Ok(());
        }
        self.load(ledger, &queue)?;
        self.take_up_rivals(ledger, &queue, &list, seen.modified)?;
        for injection in &list.injections {
            self.load_unlisted(ledger, &injection.stem)?;
        }
        tracing::info!(queue, injections = list.injections.len(), "run list in use");
        self.night.set_list(&queue, Arc::new(list), seen.modified);
        self.loaded.insert(queue.clone());
        self.shelve_no_more(&queue, now);
        self.night.plan_budget(&queue, now);
        let moves = self.whereabouts();
        ledger.move_landings(&self.station.name, &moves)?;
        ledger.keep_list(&self.station.name, &record, now)?;
        self.note_lists(ledger)?;
        self.leave_emptied(ledger)?;
        self.part_nights(ledger)
    }

    /// A list that says what the one in use says, or what the one that is kept says where none is in memory.
    fn is_same_list(
        &mut self,
        ledger: &Ledger,
        record: &ListRecord,
        list: &crate::runlist::RunList,
    ) -> Result<bool, DeskError> {
        let queue = record.queue.as_str();
        if self.night.list(queue).is_none() {
            let kept = ledger.list(&self.station.name, queue)?;
            if kept.is_some_and(|k| k.sha256 == record.sha256) {
                return Ok(true);
            }
            self.take_up_list(ledger, queue)?;
        }
        Ok(self.night.list(queue).is_some_and(|l| l == list))
    }

    /// Every landing in memory with the queue where it lies now.
    pub(super) fn whereabouts(&self) -> Vec<(i64, String, String)> {
        let of = |name: &String, queue: &Queue| -> Vec<(i64, String, String)> {
            let landings = queue.slots().iter().filter_map(|s| s.landing.as_ref());
            landings
                .map(|l| (l.id, l.stem.clone(), name.clone()))
                .collect()
        };
        self.night
            .queues()
            .iter()
            .flat_map(|(name, queue)| of(name, queue))
            .collect()
    }

    fn tell_bad_list(
        &mut self,
        ledger: &mut Ledger,
        queue: String,
        alert: Alert,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let known = self
            .bad_lists
            .get(&queue)
            .is_some_and(|a| a.message == alert.message);
        if known {
            return Ok(());
        }
        let message = tell::of_condition(&queue, &[&alert], &self.zone);
        self.write_message(ledger, &message, now)?;
        self.bad_lists.insert(queue, alert);
        Ok(())
    }

    fn clear_bad_list(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        if let Some(alert) = self.bad_lists.remove(queue) {
            for (name, changes) in self.night.clear_condition(&alert.key, now) {
                self.owe(ledger, &name)?;
                ledger.keep_alerts(&self.station.name, &name, &changes)?;
                self.mark(&name);
            }
        }
        Ok(())
    }

    /// A list that could not be used and was taken away is no longer told of.
    pub(super) fn drop_gone_lists(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let gone: BTreeSet<PathBuf> = self
            .bad_files
            .keys()
            .filter(|p| is_gone(p))
            .cloned()
            .collect();
        self.gone_files.retain(|path, _| gone.contains(path));
        for path in gone {
            let since = *self.gone_files.entry(path.clone()).or_insert(now);
            if now.duration_since(since).abs() < GONE {
                continue;
            }
            self.gone_files.remove(&path);
            self.bad_files.remove(&path);
            let queue = lists::queue_of(&path);
            if !self.bad_files.keys().any(|p| lists::queue_of(p) == queue) {
                tracing::info!(path = %path.display(), "a run list that could not be used was taken away");
                self.clear_bad_list(ledger, &queue, now)?;
            }
        }
        Ok(())
    }

    /// Puts the alert of every unusable list where its traces are: in the queue that goes on with an earlier version,
    /// else in the newest unlisted queue.
    pub(super) fn place_bad_lists(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for (queue, alert) in self.bad_lists.clone() {
            let target = if self.night.list(&queue).is_some() {
                Some(queue)
            } else {
                self.night.newest_unlisted()
            };
            let Some(target) = target else { continue };
            if let Some(changes) = self.night.raise_condition(&target, &alert) {
                self.owe(ledger, &target)?;
                ledger.keep_alerts(&self.station.name, &target, &changes)?;
                self.mark(&target);
            }
        }
        Ok(())
    }
}

/// The file is not there, and that is not because its folder is away.
fn is_gone(path: &Path) -> bool {
    let looked = outside::disk("look at", path).and_then(|()| std::fs::symlink_metadata(path));
    looked.is_err_and(|e| e.kind() == ErrorKind::NotFound)
        && path.parent().is_some_and(Path::is_dir)
}

/// `run-list`: which file, which line, and what is done instead.
fn run_list_alert(
    file_name: &str,
    queue: &str,
    error: &FileError,
    kept: bool,
    now: Timestamp,
) -> Alert {
    let instead = if kept {
        "its last usable version stays in use"
    } else {
        "its traces are processed as unlisted"
    };
    let line = error
        .line
        .map(|l| format!("line {l}: "))
        .unwrap_or_default();
    Alert {
        key: format!("{}|list:{queue}|", Check::RunList),
        raised_at: now,
        cleared_at: None,
        now: true,
        check: Check::RunList.name().to_owned(),
        position: None,
        name: file_name.to_owned(),
        trace: String::new(),
        analyte: String::new(),
        measured: None,
        limit: String::new(),
        unit: String::new(),
        affected: Vec::new(),
        message: format!(
            "the run list cannot be used: {line}{}; {instead}",
            error.message
        ),
    }
}
