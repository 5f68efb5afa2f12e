//! The desk of one station: what has been read lands in the ledger, is judged, and what changed is written.
//!
//! The order is always the same: memory, ledger, alert files, sheet, the files beside it. A failure of the ledger gives
//! the desk up ([`DeskError::Ledger`]); a result file that cannot be written is told and tried again.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::evaluate::{Bench, Taken, hex};
use super::lists;
use super::outputs::Outputs;
use super::setup::Setup;
use crate::check::Check;
use crate::config::error::FileError;
use crate::config::{Config, Station};
use crate::intake::Seen;
use crate::ledger::{FileSeen, Ledger, LedgerError, ListRecord, NewLanding};
use crate::night;
use crate::night::alarm::{Alert, AlertChanges, Alerts};
use crate::night::queue::{Changes, Queue};
use crate::night::{Landing, calibrate};
use crate::report::whole::keep;
use crate::tell;

/// What gives a desk up.
#[derive(Debug, thiserror::Error)]
pub enum DeskError {
    /// The ledger cannot be read or written.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// A file that people write cannot be used.
    #[error(transparent)]
    File(#[from] FileError),
    /// The results' folder cannot be made.
    #[error(transparent)]
    Results(FileError),
}

/// What is written for people to see while it happens.
#[derive(Debug, Clone)]
pub enum Event {
    /// A trace has landed.
    Landed {
        /// Its queue.
        queue: String,
        /// Its position.
        position: u64,
        /// Injections in the queue.
        of: usize,
        /// The file's name.
        file_name: String,
    },
    /// A message was written.
    Told {
        /// Its file.
        path: PathBuf,
        /// Its text.
        body: String,
    },
    /// A queue has ended.
    Ended {
        /// Its name.
        queue: String,
    },
}

/// Where events go.
pub type Listener = Box<dyn FnMut(&Event) + Send>;

/// One station at work.
pub struct Desk {
    /// The station's configuration.
    pub station: Station,
    /// Its method, calibration and patterns.
    pub setup: Setup,
    results: PathBuf,
    zone: TimeZone,
    night: night::station::Station,
    outputs: BTreeMap<String, Outputs>,
    loaded: BTreeSet<String>,
    /// Run lists that cannot be used now: queue → alert.
    bad_lists: BTreeMap<String, Alert>,
    /// Their files as they were read: they are not read again until they change.
    bad_files: BTreeMap<PathBuf, Seen>,
    /// Alert files that could not be written yet.
    unwritten: BTreeMap<PathBuf, String>,
    next_id: i64,
    listener: Option<Listener>,
}

impl Desk {
    /// Takes up a station: lists and open queues come back from the ledger.
    ///
    /// # Errors
    /// When method, calibration or ledger cannot be used.
    pub fn open(config: &Config, station: &Station, ledger: &mut Ledger, time_scale: f64) -> Result<Desk, DeskError> {
        let setup = Setup::load(config, station)?;
        let zone = TimeZone::system();
        let mut desk = Desk {
            results: config.results_dir.join(&station.name),
            night: setup.night(time_scale, zone.clone()),
            station: station.clone(),
            setup,
            zone,
            outputs: BTreeMap::new(),
            loaded: BTreeSet::new(),
            bad_lists: BTreeMap::new(),
            bad_files: BTreeMap::new(),
            unwritten: BTreeMap::new(),
            next_id: ledger.next_landing_id()?,
            listener: None,
        };
        desk.keep_documents(ledger)?;
        for record in ledger.lists(&desk.station.name)? {
            match lists::read(&record.content, &record.path, &desk.setup.method) {
                Ok(list) => desk.night.set_list(&record.queue, Arc::new(list), record.modified),
                // A level that a changed method no longer has: its file is told when it is looked at.
                Err(error) => tracing::warn!(%error, "a run list of the ledger cannot be used with this method"),
            }
        }
        Ok(desk)
    }

    /// Who hears of landings and alerts while they happen.
    pub fn listen(&mut self, listener: Listener) {
        self.listener = Some(listener);
    }

    fn keep_documents(&mut self, ledger: &mut Ledger) -> Result<(), LedgerError> {
        let now = Timestamp::now();
        ledger.keep_document("method", &self.station.method, &self.setup.method.sha256, &self.setup.method_text, now)?;
        if let (Some(calibration), Some(path)) = (&self.setup.calibration, &self.station.calibration) {
            ledger.keep_document("calibration", path, &hex(calibration.text.as_bytes()), &calibration.text, now)?;
        }
        Ok(())
    }

    /// What is needed to evaluate this station's files.
    pub fn bench(&self) -> Bench<'_> {
        Bench { settings: &self.station.trace, method: &self.setup.method }
    }

    /// The queues in memory.
    pub fn queues(&self) -> &BTreeMap<String, Queue> {
        self.night.queues()
    }

    /// The results' folder of a queue.
    pub fn folder(&self, queue: &str) -> PathBuf {
        self.results.join(safe_folder(queue))
    }

    /// Takes up all queues that had not ended.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn load_open(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for (queue, ended) in ledger.queues(&self.station.name)? {
            if !ended {
                self.load(ledger, &queue)?;
            }
        }
        Ok(())
    }

    /// Takes up the queues in which a trace of this name lies.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn load_stem(&mut self, ledger: &mut Ledger, stem: &str) -> Result<(), DeskError> {
        for queue in ledger.queues_of_stem(&self.station.name, stem)? {
            self.load(ledger, &queue)?;
        }
        Ok(())
    }

    /// Takes up one queue from the ledger, once.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn load(&mut self, ledger: &mut Ledger, queue: &str) -> Result<(), DeskError> {
        if !self.loaded.insert(queue.to_owned()) {
            return Ok(());
        }
        let alerts = ledger.alerts(&self.station.name, queue)?;
        if !alerts.is_empty() {
            self.night.remember(queue, Alerts::remembered(alerts));
        }
        let mut moves = Vec::new();
        for stored in ledger.landings(&self.station.name, queue)? {
            let (id, stem) = (stored.landing.id, stored.landing.stem.clone());
            let now_in = self.night.land(Arc::new(stored.landing));
            if now_in != queue {
                self.load(ledger, &now_in)?;
                moves.push((id, stem, now_in));
            }
        }
        ledger.move_landings(&self.station.name, &moves)?;
        Ok(())
    }

    /// True where this content of the file has been taken with this method already.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn is_known(&self, ledger: &Ledger, seen: &Seen) -> Result<bool, LedgerError> {
        if self.bad_files.get(&seen.path) == Some(seen) {
            return Ok(true);
        }
        let known = ledger.file(&self.station.name, &seen.path)?;
        Ok(known.is_some_and(|k| {
            k.size == seen.size && k.modified == seen.modified && k.method_sha256 == self.setup.method.sha256
        }))
    }

    fn file_seen(&self, seen: &Seen) -> FileSeen {
        FileSeen { size: seen.size, modified: seen.modified, method_sha256: self.setup.method.sha256.clone() }
    }

    /// A run list that has settled. One that cannot be used is told; an earlier usable version stays in use.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn take_list(&mut self, ledger: &mut Ledger, seen: &Seen, bytes: Vec<u8>, now: Timestamp) -> Result<(), DeskError> {
        let queue = lists::queue_of(&seen.path);
        match lists::read(&bytes, &seen.path, &self.setup.method) {
            Ok(list) => {
                self.bad_files.remove(&seen.path);
                self.clear_bad_list(ledger, &queue, now)?;
                self.use_list(ledger, queue, list, seen, bytes, now)?;
                Ok(ledger.land(&self.station.name, &[], &[(seen.path.clone(), self.file_seen(seen))])?)
            }
            Err(error) => {
                tracing::warn!(%error, "a run list cannot be used");
                self.bad_files.insert(seen.path.clone(), seen.clone());
                let name = seen.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                let kept = self.night.list(&queue).is_some();
                let alert = run_list_alert(&name, &queue, &error, kept, now);
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
        let record = ListRecord { queue: queue.clone(), sha256: hex(&bytes), content: bytes, modified: seen.modified, path: seen.path.clone() };
        let same = self.night.list(&queue).is_some_and(|l| *l == list);
        if same {
            ledger.keep_list(&self.station.name, &record, now)?;
            return Ok(());
        }
        self.load(ledger, &queue)?;
        for injection in &list.injections {
            self.load_stem(ledger, &injection.stem)?;
        }
        tracing::info!(queue, injections = list.injections.len(), "run list in use");
        self.night.set_list(&queue, Arc::new(list), seen.modified);
        self.loaded.insert(queue.clone());
        let moves = self.whereabouts();
        ledger.move_landings(&self.station.name, &moves)?;
        ledger.keep_list(&self.station.name, &record, now)?;
        for name in self.night.take_emptied() {
            ledger.drop_queue(&self.station.name, &name)?;
            self.loaded.remove(&name);
            let outputs = self.outputs.remove(&name).unwrap_or_else(|| self.outputs_of(&name));
            if let Err(error) = outputs.remove() {
                tracing::warn!(%error, "results of a queue that a late list emptied stay behind");
            }
        }
        Ok(())
    }

    /// Every landing in memory with the queue where it lies now.
    fn whereabouts(&self) -> Vec<(i64, String, String)> {
        let of = |name: &String, queue: &Queue| -> Vec<(i64, String, String)> {
            let landings = queue.slots().iter().filter_map(|s| s.landing.as_ref());
            landings.map(|l| (l.id, l.stem.clone(), name.clone())).collect()
        };
        self.night.queues().iter().flat_map(|(name, queue)| of(name, queue)).collect()
    }

    fn tell_bad_list(&mut self, ledger: &mut Ledger, queue: String, alert: Alert, now: Timestamp) -> Result<(), DeskError> {
        let known = self.bad_lists.get(&queue).is_some_and(|a| a.message == alert.message);
        if known {
            return Ok(());
        }
        let message = tell::of_condition(&queue, &[&alert], &self.zone);
        self.write_message(ledger, &message, now)?;
        self.bad_lists.insert(queue, alert);
        Ok(())
    }

    fn clear_bad_list(&mut self, ledger: &mut Ledger, queue: &str, now: Timestamp) -> Result<(), DeskError> {
        if let Some(alert) = self.bad_lists.remove(queue) {
            for (name, changes) in self.night.clear_condition(&alert.key, now) {
                ledger.keep_alerts(&self.station.name, &name, &changes)?;
                self.mark(&name);
            }
        }
        Ok(())
    }

    /// Puts the alert of every unusable list where its traces are: in the queue that goes on with an earlier version,
    /// else in the newest unlisted queue.
    fn place_bad_lists(&mut self, ledger: &mut Ledger) -> Result<(), DeskError> {
        for (queue, alert) in &self.bad_lists {
            let target = if self.night.list(queue).is_some() { Some(queue.clone()) } else { self.night.newest_unlisted() };
            let Some(target) = target else { continue };
            if let Some(changes) = self.night.raise_condition(&target, alert) {
                ledger.keep_alerts(&self.station.name, &target, &changes)?;
                let now = Instant::now();
                let outputs = self.outputs.entry(target.clone()).or_insert_with(|| {
                    Outputs::new(self.results.join(safe_folder(&target)), self.zone.clone(), now)
                });
                outputs.mark(now);
            }
        }
        Ok(())
    }

    /// Lands a batch of files that were read: all of them are committed, or none has landed.
    ///
    /// # Errors
    /// When the ledger cannot be read or written: the desk must be taken up anew.
    pub fn land(&mut self, ledger: &mut Ledger, batch: Vec<Taken>, now: Timestamp) -> Result<(), DeskError> {
        let mut fresh: Vec<(Seen, String, Arc<Landing>)> = Vec::new();
        let mut unchanged: Vec<(PathBuf, FileSeen)> = Vec::new();
        for taken in batch {
            let stem = stem_of(&taken.seen.path);
            let queue = self.night.queue_of(&stem, taken.seen.modified);
            self.load(ledger, &queue)?;
            let before = self.night.queues().get(&queue).and_then(|q| q.slot_of(&stem)).and_then(|s| s.landing.clone());
            let same = before.as_ref().is_some_and(|b| b.sha256 == taken.sha256 && b.evaluation == taken.evaluation);
            if same {
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
                id: self.next_id,
                file_name: taken.seen.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
                stem,
                sha256: taken.sha256,
                modified: taken.seen.modified,
                landed_at: now,
                revision,
                evaluation: taken.evaluation,
            });
            self.next_id += 1;
            let queue = self.night.land(Arc::clone(&landing));
            self.loaded.insert(queue.clone());
            fresh.push((taken.seen, queue, landing));
        }
        let records: Vec<NewLanding<'_>> = fresh
            .iter()
            .map(|(seen, queue, landing)| NewLanding { path: &seen.path, size: seen.size, queue, landing, method_sha256: &self.setup.method.sha256 })
            .collect();
        ledger.land(&self.station.name, &records, &unchanged)?;
        for (_, queue, landing) in &fresh {
            self.say_landed(queue, landing);
        }
        Ok(())
    }

    fn say_landed(&mut self, queue: &str, landing: &Landing) {
        let Some(state) = self.night.queues().get(queue) else { return };
        let position = state.slot_of(&landing.stem).map_or(0, |s| s.plan.position);
        let of = state.slots().len();
        tracing::info!(queue, position, trace = %crate::text::one_line(&landing.file_name), "landed");
        if let Some(listener) = &mut self.listener {
            listener(&Event::Landed { queue: queue.to_owned(), position, of, file_name: landing.file_name.clone() });
        }
    }

    /// Lets time pass.
    pub fn tick(&mut self, now: Timestamp) {
        self.night.tick(now);
    }

    /// No further trace will come.
    pub fn end(&mut self) {
        self.night.end();
    }

    /// The next time at which [`Desk::tick`] has something to do.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        self.night.next_deadline()
    }

    /// When a result file is due.
    pub fn next_due(&self) -> Option<Instant> {
        self.outputs.values().filter_map(Outputs::next_due).min()
    }

    /// Judges what is touched; keeps and tells alerts; brings the sheets up to date.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn settle(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), DeskError> {
        let all = self.night.judge(now);
        for (queue, changes) in &all {
            ledger.keep_alerts(&self.station.name, queue, &changes.alerts)?;
            self.tell(ledger, queue, &changes.alerts, now)?;
            self.update(queue, changes);
        }
        if !self.bad_lists.is_empty() {
            self.place_bad_lists(ledger)?;
        }
        for (queue, _) in all.iter().filter(|(_, c)| c.ended) {
            ledger.set_queue(&self.station.name, queue, Some(now))?;
            tracing::info!(queue, "the queue has ended");
            if let Some(listener) = &mut self.listener {
                listener(&Event::Ended { queue: queue.clone() });
            }
        }
        Ok(())
    }

    fn outputs_of(&self, queue: &str) -> Outputs {
        Outputs::new(self.folder(queue), self.zone.clone(), Instant::now())
    }

    fn mark(&mut self, queue: &str) {
        let outputs = self.outputs_of(queue);
        self.outputs.entry(queue.to_owned()).or_insert(outputs).mark(Instant::now());
    }

    fn update(&mut self, name: &str, changes: &Changes) {
        if !self.outputs.contains_key(name) {
            let outputs = self.outputs_of(name);
            self.outputs.insert(name.to_owned(), outputs);
        }
        let (Some(outputs), Some(queue)) = (self.outputs.get_mut(name), self.night.queues().get(name)) else { return };
        if let Err(error) = outputs.update(queue, changes, Instant::now()) {
            if outputs.tell_once() {
                tracing::error!(%error, queue = name, "a result cannot be written now; it is kept in the ledger and written when it can be");
            }
        }
    }

    /// Writes the result files that are due; with `all` everything that is not up to date.
    ///
    /// Gives the errors of files that could not be written; they are tried again.
    pub fn flush(&mut self, all: bool) -> Vec<crate::report::whole::WriteError> {
        let now = Instant::now();
        let mut failed = Vec::new();
        for (name, outputs) in &mut self.outputs {
            let Some(queue) = self.night.queues().get(name) else { continue };
            if let Err(error) = outputs.flush(queue, now, all) {
                if outputs.tell_once() {
                    tracing::error!(%error, queue = %name, "a result cannot be written now; it is kept in the ledger and written when it can be");
                }
                failed.push(error);
            }
        }
        self.unwritten.retain(|path, body| match keep(path, body.as_bytes()) {
            Ok(_) => false,
            Err(error) => {
                failed.push(error);
                true
            }
        });
        failed
    }

    /// One message for each trace with something to tell at once, however many checks it fails.
    fn tell(&mut self, ledger: &mut Ledger, queue: &str, changes: &AlertChanges, now: Timestamp) -> Result<(), DeskError> {
        let Some(state) = self.night.queues().get(queue) else { return Ok(()) };
        for message in tell::messages(state, changes, &self.zone) {
            self.write_message(ledger, &message, now)?;
        }
        Ok(())
    }

    fn write_message(&mut self, ledger: &mut Ledger, message: &tell::Message, now: Timestamp) -> Result<(), DeskError> {
        let tell::Message { file_name, subject, body } = message;
        let path = self.results.join("alerts").join(file_name);
        ledger.keep_message(&self.station.name, file_name, body, now)?;
        if let Err(error) = keep(&path, body.as_bytes()) {
            tracing::error!(%error, "an alert cannot be written now; it is kept in the ledger and written when it can be");
            self.unwritten.insert(path.clone(), body.clone());
        }
        tracing::warn!(file = %path.display(), "{subject}");
        if let Some(listener) = &mut self.listener {
            listener(&Event::Told { path, body: body.clone() });
        }
        Ok(())
    }

    /// Writes alert files that are no longer there again.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn restore_messages(&mut self, ledger: &Ledger) -> Result<(), DeskError> {
        for (file_name, body) in ledger.messages(&self.station.name)? {
            let path = self.results.join("alerts").join(file_name);
            if !path.exists() {
                self.unwritten.insert(path, body);
            }
        }
        Ok(())
    }

    /// The results of all queues in memory need attention: something must be injected again, or was told at once.
    pub fn needs_attention(&self) -> bool {
        !self.bad_lists.is_empty() || self.night.queues().values().filter(|q| q.has_begun()).any(Queue::needs_attention)
    }

    /// The curves that serve a queue, for those who want to show them.
    pub fn serving(&self, queue: &str) -> Option<&calibrate::Serving> {
        self.night.queues().get(queue).map(Queue::serving)
    }
}

/// `run-list`: which file, which line, and what is done instead.
fn run_list_alert(file_name: &str, queue: &str, error: &FileError, kept: bool, now: Timestamp) -> Alert {
    let instead = if kept { "its last usable version stays in use" } else { "its traces are processed as unlisted" };
    let line = error.line.map(|l| format!("line {l}: ")).unwrap_or_default();
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
        message: format!("the run list cannot be used: {line}{}; {instead}", error.message),
    }
}

/// Stem of a file's name, as run lists spell it.
pub fn stem_of(path: &Path) -> String {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    crate::runlist::stem(&name).to_owned()
}

/// A queue's name as a folder: what no file system takes is replaced.
pub fn safe_folder(queue: &str) -> String {
    let mut out: String = queue
        .chars()
        .map(|c| if c.is_control() || matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|') { '_' } else { c })
        .collect();
    while out.len() > 200 {
        out.pop();
    }
    let trimmed = out.trim_end_matches(['.', ' ']);
    if trimmed.is_empty() || trimmed == "alerts" { format!("_{trimmed}") } else { trimmed.to_owned() }
}
