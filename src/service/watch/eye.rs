//! Looking at one station's folder, and taking what has settled.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::mpsc::Sender;
use std::time::{Duration, Instant};

use super::Signal;
use super::unread::Unread;
use crate::config::Station;
use crate::intake::filter::Role;
use crate::intake::settle::{Moment, Ready, Settle};
use crate::intake::watcher::{Hint, Watcher};
use crate::intake::{Seen, scan};
use crate::ledger::{Ledger, LedgerError, is_network_share};
use crate::outside;
use crate::service::desk::{Desk, DeskError};
use crate::service::evaluate::{Bench, Outcome, Taken, evaluate_all};
use crate::service::lists;

/// While events come, the folder is looked at all the same, in case one was lost.
const SLOW: Duration = Duration::from_secs(30);
/// How often a folder without events is looked at, where the configuration does not say.
const POLL: Duration = Duration::from_secs(10);
/// How often a folder that is not there is tried.
const RETRY: Duration = Duration::from_secs(5);
/// Traces that share a commit.
const BATCH: usize = 64;

/// The eye on one folder.
pub struct Eye {
    /// The watched folder, and that of the run lists where it lies elsewhere.
    folders: Vec<PathBuf>,
    /// Run lists may lie in folders below theirs.
    lists_lie_deeper: bool,
    poll: Option<Duration>,
    number: usize,
    hints: Sender<Signal>,
    watcher: Option<Watcher>,
    /// Identity of each folder when its watch was set.
    identity: Vec<Option<(u64, u64)>>,
    settle: Settle,
    /// Paths to look at.
    hinted: BTreeSet<PathBuf>,
    everywhere: bool,
    next_look: Moment,
    /// The folder could not be looked at last time.
    blind: bool,
    /// What lies in it and cannot be read.
    unread: Unread,
    /// The device of each folder: one that is empty and on another one is the place of a share that is not mounted.
    homes: Vec<Option<u64>>,
    /// Files that looks found before an event told of them.
    untold: u32,
    origin: Instant,
}

impl Eye {
    /// An eye that is still closed.
    pub fn new(station: &Station, number: usize, hints: Sender<Signal>, origin: Instant) -> Eye {
        let mut folders = vec![station.watch.clone()];
        let lists = lists::outside(station);
        let lists_lie_deeper = lists.as_ref().is_some_and(|l| l.depth != Some(0));
        folders.extend(lists.map(|l| l.folder));
        Eye {
            identity: vec![None; folders.len()],
            homes: vec![None; folders.len()],
            unread: Unread::new(Duration::from_secs_f64(station.settle_s)),
            folders,
            lists_lie_deeper,
            poll: station.poll_s.map(Duration::from_secs_f64),
            number,
            hints,
            watcher: None,
            settle: Settle::new(Duration::from_secs_f64(station.settle_s)),
            hinted: BTreeSet::new(),
            everywhere: true,
            next_look: Duration::ZERO,
            blind: false,
            untold: 0,
            origin,
        }
    }

    /// Asks the system for events, where polling is neither configured nor the only way.
    pub fn open(&mut self) {
        if self.poll.is_some() {
            return;
        }
        if let Some((folder, kind)) = self
            .folders
            .iter()
            .find_map(|f| Some((f, is_network_share(f)?)))
        {
            tracing::info!(folder = %folder.display(), kind, "a network share sends no events: the folder is polled");
            self.poll = Some(POLL);
            return;
        }
        let (number, hints) = (self.number, self.hints.clone());
        // The loop has ended when nobody listens any more.
        let tell = move |hint| drop(hints.send(Signal::Hint(number, hint)));
        match Watcher::new(tell) {
            Ok(watcher) => self.watcher = Some(watcher),
            Err(error) => self.poll_because(&error.to_string()),
        }
        self.arm();
    }

    fn poll_because(&mut self, why: &str) {
        tracing::warn!(why, "no file events: the folder is polled");
        self.watcher = None;
        self.poll = Some(POLL);
    }

    /// Sets the watch on folders that are new: at the start, and after one was replaced or came back. True where one is.
    fn arm(&mut self) -> bool {
        let Some(watcher) = &mut self.watcher else {
            return false;
        };
        let is: Vec<_> = self.folders.iter().map(|f| identity(f)).collect();
        if is == self.identity {
            return false;
        }
        // All of them anew: one may lie in another, and ending the watch of that ends its own.
        self.folders.iter().for_each(|f| watcher.unwatch(f));
        let mut refused = None;
        for ((k, folder), is) in self.folders.iter().enumerate().zip(&is) {
            if is.is_none() {
                continue;
            }
            match watcher.watch(folder, k == 0 || self.lists_lie_deeper) {
                Ok(()) => self.everywhere = true,
                Err(error) => refused = Some(error.to_string()),
            }
        }
        self.identity = is;
        if let Some(why) = refused {
            self.poll_because(&why);
        }
        true
    }

    /// Remembers a hint.
    pub fn hear(&mut self, hint: Hint) {
        match hint {
            Hint::LookEverywhere => self.everywhere = true,
            Hint::Look(path) => {
                self.hinted.insert(path);
            }
        }
    }

    /// Looks where hints point, and everywhere when it is time.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn look(
        &mut self,
        desk: &mut Desk,
        ledger: &mut Ledger,
        now: Moment,
    ) -> Result<(), LedgerError> {
        for path in std::mem::take(&mut self.hinted) {
            if path.is_dir() && !path.is_symlink() {
                self.everywhere = true;
            } else if desk.setup.filter.role(&path).is_some()
                && self.folders.iter().any(|f| scan::reaches(f, &path))
                && let Some(seen) = scan::look_at(&path)
            {
                // It was written, or got its name, just now: its content counts, also where size and time are as before.
                self.settle.observe(&seen, now);
            }
        }
        if !self.everywhere && now < self.next_look {
            return Ok(());
        }
        if self.arm() || self.blind || !desk.setup.filter.is_sure() {
            desk.setup.filter.look_again();
        }
        // A look that a hint asked for, or the first one after a watch was set, finds what no event could tell.
        let told = std::mem::take(&mut self.everywhere);
        let away = self.is_unmounted();
        let mut failed = away;
        let mut unread = Vec::new();
        for folder in self.folders.clone() {
            let filter = &desk.setup.filter;
            let of_lists = folder != desk.station.watch;
            // What is watched is looked at anyway.
            let skips = |p: &Path| match of_lists {
                true => p == desk.station.watch || filter.skips_for_lists(p),
                false => filter.skips(p),
            };
            let look = scan::scan(&folder, &|p| filter.role(p).is_some(), &skips);
            for (path, error) in &look.failed {
                failed |= *path == folder;
                // What is gone again meanwhile had nothing to be read; the watched folder itself may come later.
                if error.kind() != std::io::ErrorKind::NotFound {
                    unread.push((path.clone(), error.to_string()));
                } else if *path == folder && !self.blind {
                    tracing::error!(path = %path.display(), %error, "cannot look here; trying again");
                }
            }
            let _one_reading = ledger.reading()?;
            for seen in look.files {
                let new = self.observe(desk, ledger, seen, now)?;
                self.untold += u32::from(new && !told);
            }
        }
        for (path, error) in self.unread.look(&unread, now) {
            tracing::error!(path = %path.display(), error, "cannot look here; trying again");
        }
        if away && !self.blind {
            tracing::error!(
                "a watched folder is empty and lies on another disk than before: is its share mounted?"
            );
        }
        if self.blind && !failed {
            tracing::info!("the watched folder can be looked at again");
        }
        self.blind = failed;
        if self.untold > 1 && self.watcher.is_some() {
            self.poll_because("looks at the folder found files of which no event told");
        }
        self.next_look = now
            + if failed {
                RETRY
            } else {
                self.poll.unwrap_or(SLOW)
            };
        Ok(())
    }

    /// A file was seen; true where it is news.
    fn observe(
        &mut self,
        desk: &Desk,
        ledger: &Ledger,
        seen: Seen,
        now: Moment,
    ) -> Result<bool, LedgerError> {
        if self.settle.holds(&seen.path) {
            self.settle.observe(&seen, now);
            return Ok(false);
        }
        if desk.is_known(ledger, &seen)? {
            return Ok(false);
        }
        self.settle.observe(&seen, now);
        Ok(true)
    }

    /// Takes what has settled: run lists first, then traces in the order in which they were written.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn take(
        &mut self,
        desk: &mut Desk,
        ledger: &mut Ledger,
        started: Instant,
    ) -> Result<(), DeskError> {
        let ready = self
            .settle
            .ready(outside::since(started), &|p: &Path| scan::look_at(p));
        if ready.is_empty() {
            return Ok(());
        }
        let (lists, traces): (Vec<Ready>, Vec<Ready>) = ready
            .into_iter()
            .partition(|r| desk.setup.filter.role(&r.seen.path) == Some(Role::RunList));
        for ready in lists {
            self.take_list(desk, ledger, &ready.seen)?;
        }
        for chunk in traces.chunks(BATCH) {
            self.take_traces(desk, ledger, chunk)?;
        }
        Ok(())
    }

    fn take_list(
        &mut self,
        desk: &mut Desk,
        ledger: &mut Ledger,
        seen: &Seen,
    ) -> Result<(), DeskError> {
        match outside::disk("read", &seen.path).and_then(|()| lists::bytes(&seen.path)) {
            Ok(bytes) => {
                desk.take_list(ledger, seen, bytes, outside::wall())?;
                self.settle.taken(&seen.path);
            }
            Err(error) => {
                let now = outside::since(self.origin);
                if self.unread.file(&seen.path, &error.to_string(), now) {
                    tracing::warn!(path = %seen.path.display(), %error, "a run list cannot be read; trying again");
                }
                self.settle.unread(seen, now);
            }
        }
        Ok(())
    }

    fn take_traces(
        &mut self,
        desk: &mut Desk,
        ledger: &mut Ledger,
        chunk: &[Ready],
    ) -> Result<(), DeskError> {
        let last_call: BTreeSet<&Path> = chunk
            .iter()
            .filter(|r| r.last_call)
            .map(|r| r.seen.path.as_path())
            .collect();
        let (settings, method) = (
            desk.station.trace.clone(),
            std::sync::Arc::clone(&desk.setup.method),
        );
        let bench = Bench {
            settings: &settings,
            method: &method,
        };
        let mut batch: Vec<Taken> = Vec::new();
        let now = outside::since(self.origin);
        let (settle, unread) = (&mut self.settle, &mut self.unread);
        evaluate_all(
            chunk.iter().map(|r| r.seen.clone()).collect(),
            bench,
            |outcome| match outcome {
                Outcome::Taken(taken)
                    if taken.may_grow && !last_call.contains(taken.seen.path.as_path()) =>
                {
                    settle.torn(&taken.seen, now)
                }
                Outcome::Taken(taken) => batch.push(*taken),
                Outcome::Changed(seen) => {
                    settle.changed(&seen, now);
                    let why = "it is another one whenever it is read";
                    if scan::look_at(&seen.path).as_ref() == Some(&seen)
                        && unread.file(&seen.path, why, now)
                    {
                        tracing::warn!(path = %seen.path.display(), "a file changed while it was read; trying again");
                    }
                }
                Outcome::Unread(seen, error) => {
                    if unread.file(&seen.path, &error.to_string(), now) {
                        tracing::warn!(path = %seen.path.display(), %error, "a file cannot be read; trying again");
                    }
                    settle.unread(&seen, now);
                }
            },
        );
        for taken in &batch {
            self.settle.taken(&taken.seen.path);
        }
        desk.land(ledger, batch, outside::wall())?;
        desk.settle(ledger, outside::wall())
    }

    /// Every folder can be looked at now.
    pub fn can_see(&self) -> bool {
        !self.blind
            && !self.is_away()
            && self
                .folders
                .iter()
                .all(|f| outside::disk("list", f).is_ok() && std::fs::read_dir(f).is_ok())
    }

    /// Files and folders that should be read and have not been readable for a while: how many, and the first of them.
    pub fn unread(&mut self) -> Option<(usize, String)> {
        let settle = &self.settle;
        self.unread.keep(|path| settle.holds(path));
        self.unread.lasting(outside::since(self.origin))
    }

    /// A folder is empty and lies on another device than before: its share is not mounted any more.
    fn is_away(&self) -> bool {
        let homes = self.folders.iter().zip(&self.homes);
        homes.into_iter().any(|(folder, home)| {
            let device = identity(folder).map(|(device, _)| device);
            home.is_some() && device.is_some() && device != *home && is_empty(folder)
        })
    }

    /// The same, where folders that are no longer empty are at home where they are now.
    fn is_unmounted(&mut self) -> bool {
        let away = self.is_away();
        for (folder, home) in self.folders.iter().zip(&mut self.homes) {
            if let Some((device, _)) = identity(folder)
                && (home.is_none() || !is_empty(folder))
            {
                *home = Some(device);
            }
        }
        away
    }

    /// When the eye has something to do.
    pub fn next_due(&self) -> Option<Moment> {
        if self.everywhere || !self.hinted.is_empty() {
            return Some(Duration::ZERO);
        }
        let lasts = self.unread.next_due(outside::since(self.origin));
        [self.next_due_file(), lasts, Some(self.next_look)]
            .into_iter()
            .flatten()
            .min()
    }

    /// When a file that waits to settle is due.
    pub fn next_due_file(&self) -> Option<Moment> {
        self.settle.next_due()
    }
}

fn identity(folder: &Path) -> Option<(u64, u64)> {
    let meta = std::fs::metadata(folder).ok()?;
    Some(outside::identity(&meta))
}

fn is_empty(folder: &Path) -> bool {
    outside::disk("list", folder)
        .and_then(|()| std::fs::read_dir(folder))
        .is_ok_and(|mut entries| entries.next().is_none())
}
