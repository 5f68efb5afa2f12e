//! The desk of one station: what has been read lands in the ledger, is judged, and what changed is written.
//!
//! The order is always the same: memory, ledger, alert files, sheet, the files beside it. A failure of the ledger gives
//! the desk up ([`DeskError::Ledger`]); a result file that cannot be written is told and tried again.

mod joining;
mod landing;
mod letters;
mod made;
mod pressure;
mod results;
mod run_lists;
mod shelf;
mod standing;
mod strays;
mod telling;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use self::pressure::Gauge;
use super::evaluate::{Bench, hex};
use super::outputs::Outputs;
use super::setup::Setup;
use crate::config::error::FileError;
use crate::config::{Config, Station};
use crate::intake::Seen;
use crate::ledger::{FileSeen, Ledger, LedgerError};
use crate::night;
use crate::night::alarm::{Alert, Alerts};
use crate::night::made::Change;
use crate::night::queue::Queue;
use crate::outside;
use crate::pressure::digest::Record;

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
    /// A letter is on its way, or would be where mail is configured.
    Posted(Box<crate::post::Letter>),
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
    /// Those of them that are not there any more, and since when that is known.
    gone_files: BTreeMap<PathBuf, Timestamp>,
    /// Alert files that could not be written yet.
    unwritten: BTreeMap<PathBuf, String>,
    joins: joining::Joins,
    shelf: shelf::Shelf,
    listener: Option<Listener>,
    /// What is needed to send letters; `None`: files alone.
    postbox: Option<letters::Postbox>,
    gauge: Option<Gauge>,
    /// Changes of the method or the calibration so far.
    changes: Vec<Change>,
    /// What the ledger is to know of the pressure of queues.
    pressure_unkept: BTreeMap<String, Record>,
    /// Queues that have ended while a result of theirs could not be written.
    unended: BTreeSet<String>,
    /// Queues that had ended before, whose results are not up to date, as the ledger knows.
    owed: BTreeSet<String>,
    standing: standing::Standing,
    /// It was told that results cannot be written.
    told_unwritable: bool,
    /// It was told that files cannot be read, and they still cannot.
    told_unread: bool,
    /// Queues that lost everything, whose results are to be removed.
    forsaken: BTreeMap<String, strays::Forsaken>,
    /// Those of them whose results are removed, as the ledger does not know yet.
    gone: Vec<String>,
}

impl Desk {
    /// Takes up a station. Lists and queues come back from the ledger as they are needed.
    ///
    /// # Errors
    /// When method, calibration or ledger cannot be used.
    pub fn open(
        config: &Config,
        station: &Station,
        ledger: &mut Ledger,
        time_scale: f64,
    ) -> Result<Desk, DeskError> {
        let setup = Setup::load(config, station)?;
        let zone = outside::zone();
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
            gone_files: BTreeMap::new(),
            unwritten: BTreeMap::new(),
            joins: joining::Joins::default(),
            shelf: shelf::Shelf::default(),
            listener: None,
            postbox: None,
            gauge: None,
            changes: Vec::new(),
            pressure_unkept: BTreeMap::new(),
            unended: BTreeSet::new(),
            owed: BTreeSet::new(),
            standing: standing::Standing::default(),
            told_unwritable: false,
            told_unread: false,
            forsaken: BTreeMap::new(),
            gone: Vec::new(),
        };
        desk.gauge = Some(Gauge::new(&desk.station, &desk.zone, time_scale));
        desk.keep_documents(ledger)?;
        desk.changes = ledger.changes(&desk.station.name)?;
        desk.open_shelf(ledger)?;
        Ok(desk)
    }

    /// Who hears of landings and alerts while they happen.
    pub fn listen(&mut self, listener: Listener) {
        self.listener = Some(listener);
    }

    fn keep_documents(&mut self, ledger: &mut Ledger) -> Result<(), LedgerError> {
        let now = outside::wall();
        ledger.keep_document(
            &self.station.name,
            "method",
            &self.station.method,
            &self.setup.method.sha256,
            &self.setup.method_text,
            now,
        )?;
        if let (Some(calibration), Some(path)) =
            (&self.setup.calibration, &self.station.calibration)
        {
            ledger.keep_document(
                &self.station.name,
                "calibration",
                path,
                &hex(calibration.text.as_bytes()),
                &calibration.text,
                now,
            )?;
        }
        Ok(())
    }

    /// What is needed to evaluate this station's files.
    pub fn bench(&self) -> Bench<'_> {
        Bench {
            settings: &self.station.trace,
            method: &self.setup.method,
        }
    }

    /// The queues in memory.
    pub fn queues(&self) -> &BTreeMap<String, Queue> {
        self.night.queues()
    }

    /// The results' folder of a queue.
    pub fn folder(&self, queue: &str) -> PathBuf {
        self.results.join(safe_folder(queue))
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
        self.take_up_list(ledger, queue)?;
        let alerts = ledger.alerts(&self.station.name, queue)?;
        if !alerts.is_empty() {
            self.night.remember(queue, Alerts::remembered(alerts));
        }
        let mut moves = Vec::new();
        for stored in ledger.landings(&self.station.name, queue)? {
            let (id, stem) = (stored.landing.id, stored.landing.stem.clone());
            self.home_of(ledger, &stem, stored.landing.modified)?;
            let now_in = self.night.land(Arc::new(stored.landing));
            if now_in != queue {
                self.load(ledger, &now_in)?;
                moves.push((id, stem, now_in));
            }
        }
        let moved = !moves.is_empty();
        if moved {
            ledger.move_landings(&self.station.name, &moves)?;
        }
        if self.is_bare(queue) && (moved || ledger.has_ended(&self.station.name, queue)?.is_some())
        {
            // Its list cannot be used any more, or another one has taken all of it.
            self.night.leave_if_empty(queue);
            return self.leave_emptied(ledger);
        }
        self.load_pressure(ledger, queue)?;
        self.look_up_made(ledger, queue)?;
        self.introduce(ledger, queue)
    }

    /// Nothing lies in this queue, and no list says what should.
    fn is_bare(&self, queue: &str) -> bool {
        let state = self.night.queues().get(queue);
        self.night.list(queue).is_none() && state.is_none_or(|q| !q.has_begun())
    }

    /// True where this content of the file has been taken with this method already.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn is_known(&self, ledger: &Ledger, seen: &Seen) -> Result<bool, LedgerError> {
        if self.bad_files.get(&seen.path) == Some(seen) {
            return Ok(true);
        }
        ledger.is_known(&self.station.name, &seen.path, &self.file_seen(seen))
    }

    fn file_seen(&self, seen: &Seen) -> FileSeen {
        FileSeen {
            size: seen.size,
            modified: seen.modified,
            method_sha256: self.setup.method.sha256.clone(),
        }
    }

    /// Lets time pass.
    pub fn tick(&mut self, now: Timestamp) {
        self.night.tick(now);
        self.forget(now);
    }

    /// This machine's clock was set, or it slept: see [`Queue::clock_moved`].
    pub fn clock_moved(&mut self, by: SignedDuration) {
        self.night.clock_moved(by);
    }

    /// No further trace will come.
    pub fn end(&mut self) {
        self.night.end();
    }

    /// The next time at which [`Desk::tick`] has something to do.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        let night = self.night.next_deadline();
        night.into_iter().chain(self.next_letter()).min()
    }

    /// When a result file, or a look at the pressure log, is due.
    pub fn next_due(&self) -> Option<Instant> {
        let outputs = self.outputs.values().filter_map(Outputs::next_due);
        let removal = self.next_removal();
        let amiss = self.is_amiss().then(outside::steady);
        outputs
            .chain(self.next_pressure_look())
            .chain(removal)
            .chain(amiss)
            .min()
    }

    /// Judges what is touched; keeps and tells alerts; brings the sheets up to date.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn settle(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), DeskError> {
        self.forget_gone(ledger)?;
        let all = self.judged(ledger, now)?;
        for (queue, changes) in &all {
            let _queue = tracing::info_span!("queue", name = %queue).entered();
            if !changes.ended {
                self.owe(ledger, queue)?;
            }
            // Told before it is kept as raised: a kill between the two repeats a message, and never loses one.
            self.tell(ledger, queue, &changes.alerts, now)?;
            self.keep_and_post(ledger, queue, &changes.alerts, now)?;
            self.update(queue, changes);
        }
        self.keep_pressures(ledger)?;
        if !self.bad_lists.is_empty() {
            self.drop_gone_lists(ledger, now)?;
            self.place_bad_lists(ledger)?;
        }
        self.note_made(ledger)?;
        let ended = |name: &str| all.iter().any(|(queue, c)| c.ended && queue == name);
        self.owe_due(ledger, &ended)?;
        for (queue, _) in all.iter().filter(|(_, c)| c.ended) {
            let written = self.flush_queue(queue) && self.stand(ledger, queue, now)?;
            self.keep_end(ledger, queue, written, now)?;
            tracing::info!(queue, "the queue has ended");
            if let Some(listener) = &mut self.listener {
                listener(&Event::Ended {
                    queue: queue.clone(),
                });
            }
        }
        self.keep_late_ends(ledger, now)?;
        self.post_due(ledger, now)
    }

    /// The results of all queues in memory need attention: something must be injected again, or was told at once.
    pub fn needs_attention(&self) -> bool {
        !self.bad_lists.is_empty()
            || self
                .night
                .queues()
                .values()
                .filter(|q| q.has_begun())
                .any(Queue::needs_attention)
    }
}

/// Stem of a file's name, as run lists spell it.
pub fn stem_of(path: &Path) -> String {
    crate::runlist::stem(&file_name(path)).to_owned()
}

/// A file's name as text. A byte of it that is no UTF-8 is shown as `{E4}`, so that two names that differ stay two.
pub(super) fn file_name(path: &Path) -> String {
    let mut out = String::new();
    let name = path.file_name().unwrap_or_default();
    for chunk in name.as_encoded_bytes().utf8_chunks() {
        out.push_str(chunk.valid());
        for byte in chunk.invalid() {
            out.push_str(&format!("{{{byte:02X}}}"));
        }
    }
    out
}

/// What ends like a checksum might be the folder of another queue. A date of eight digits does not: no checksum is written so.
fn ends_like_a_checksum(name: &str) -> bool {
    let end = name.rsplit_once('_').map_or("", |(_, end)| end);
    let hex = |c: char| matches!(c, '0'..='9' | 'a'..='f');
    let digits = |text: &str| text.len() == 8 && text.chars().all(|c| c.is_ascii_digit());
    let in_letters = end.len() == 8 && end.chars().all(hex) && !digits(end);
    in_letters || end.strip_suffix('h').is_some_and(digits)
}

/// In eight characters; where all of them are digits a letter follows.
fn checksum_of(queue: &str) -> String {
    let mut sum = format!("{:08x}", crate::tell::name::checksum(queue));
    if sum.chars().all(|c| c.is_ascii_digit()) {
        sum.push('h');
    }
    sum
}

/// A queue's name as a folder: what no file system takes is replaced, and what had to be changed gets a short checksum of
/// the name, so that no two queues share a folder.
pub fn safe_folder(queue: &str) -> String {
    let mut out: String = queue
        .chars()
        .map(|c| {
            if c.is_control()
                || crate::text::is_hidden(c)
                || matches!(c, '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|')
            {
                '_'
            } else {
                c
            }
        })
        .collect();
    while out.len() > 200 {
        out.pop();
    }
    let trimmed = out.trim_end_matches(['.', ' ']);
    let plain = trimmed == queue && trimmed != "alerts" && !trimmed.is_empty();
    if plain && !ends_like_a_checksum(trimmed) {
        return trimmed.to_owned();
    }
    format!("{trimmed}_{}", checksum_of(queue))
}

#[cfg(test)]
mod tests {
    use super::safe_folder;

    #[test]
    fn no_two_queues_share_a_folder() {
        assert_eq!(safe_folder("crocks"), "crocks");
        assert_eq!(safe_folder("crocks_20260921"), "crocks_20260921");
        // Checksums with letters, and such as are digits alone.
        for k in 0..200 {
            let foul = safe_folder(&format!("a?{k}"));
            assert!(foul.starts_with("a_"), "{foul}");
            assert_ne!(safe_folder(&foul), foul, "a list may be called so");
        }
    }
}
