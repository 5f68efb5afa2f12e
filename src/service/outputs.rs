//! The result files of one queue. All of them can be made again from the ledger, so a file that cannot be written now
//! (a spreadsheet program holds it, the share is gone) is written later and nothing is lost.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::night::queue::{Changes, Queue};
use crate::outside;
use crate::report::sheet::file::SheetFile;
use crate::report::whole::{WriteError, keep, sweep};
use crate::report::{alerts, rerun, summary, time_course};

/// The files beside the sheet are written anew as a whole. So that a queue of thousands does not spend the night on
/// that, they may take so many bytes a second; a usual night's few kilobytes are written within the second.
const BYTES_PER_SECOND: u64 = 64 * 1024;
/// But not more often than this.
const LEAST_PAUSE: Duration = Duration::from_millis(500);
/// A file that could not be written is tried again after so long.
const TRY_AGAIN: Duration = Duration::from_secs(5);

/// The files of a queue: the sheet, and those beside it in the order of their bodies.
const FILES: [&str; 6] = [
    "sheet.csv",
    "time-course.csv",
    "replicates.csv",
    "rerun.csv",
    "alerts.csv",
    "summary.txt",
];
/// Times of one file that lie so near are the same: shares round them, ns.
const SAME_TIME_NS: i64 = 2_000_000_000;

/// Keeps the files of one queue up to date.
#[derive(Debug)]
pub struct Outputs {
    folder: PathBuf,
    sheet: SheetFile,
    zone: TimeZone,
    /// When the files beside the sheet are due; `None`: they are up to date.
    due: Option<Instant>,
    /// Not before this moment.
    not_before: Instant,
    /// Slots whose rows are not in the sheet yet.
    behind: bool,
    /// The sheet may not be what was written last.
    unsure: bool,
    told: bool,
    /// A file beside the sheet could not be written last time.
    failed: bool,
}

impl Outputs {
    /// The files in this folder; nothing is touched yet.
    pub fn new(folder: PathBuf, zone: TimeZone, now: Instant) -> Outputs {
        // A kill may have left a file half-written beside its name.
        sweep(&folder);
        let sheet = SheetFile::new(folder.join("sheet.csv"));
        Outputs {
            folder,
            sheet,
            zone,
            due: None,
            not_before: now,
            behind: false,
            unsure: false,
            told: false,
            failed: false,
        }
    }

    /// Where they lie.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Brings the sheet up to date, and marks the other files.
    ///
    /// # Errors
    /// When the sheet cannot be written: it is behind and [`Outputs::next_due`] says when to call [`Outputs::flush`].
    pub fn update(
        &mut self,
        queue: &Queue,
        changes: &Changes,
        now: Instant,
    ) -> Result<(), WriteError> {
        self.due = Some(self.due.unwrap_or(now).max(self.not_before));
        self.write_sheet(queue, &changes.slots, changes.rebuilt, now)
    }

    fn write_sheet(
        &mut self,
        queue: &Queue,
        slots: &[usize],
        rebuilt: bool,
        now: Instant,
    ) -> Result<(), WriteError> {
        let written = outside::disk("make the folder", &self.folder)
            .and_then(|()| std::fs::create_dir_all(&self.folder))
            .map_err(WriteError::of(&self.folder, "make the folder"))
            .and_then(|()| {
                self.sheet.update(
                    queue,
                    slots,
                    rebuilt || self.behind || self.unsure,
                    &self.zone,
                )
            });
        match written {
            Ok(_) => {
                self.unsure = false;
                if std::mem::take(&mut self.behind) {
                    tracing::info!(file = %self.sheet.path().display(), "the sheet could be written again");
                }
                self.told = false;
                Ok(())
            }
            Err(error) => {
                self.behind = true;
                self.due = Some(now + TRY_AGAIN);
                Err(error)
            }
        }
    }

    /// Something beside the sheet has changed.
    pub fn mark(&mut self, now: Instant) {
        self.due = Some(self.due.unwrap_or(now).max(self.not_before));
    }

    /// The folder may be another one: all files are due, and the sheet is compared as a whole.
    pub fn look_again(&mut self, now: Instant) {
        self.unsure = true;
        self.due = Some(now);
    }

    /// Looks whether the files are there, where all of them were written: what somebody removed is due.
    pub fn look_for(&mut self, now: Instant) {
        // What cannot be looked at is compared, and shows there.
        let gone = |name: &str| !matches!(look_at(&self.folder.join(name)), Ok(Some(_)));
        if self.is_written()
            && let Some(name) = FILES.into_iter().find(|name| gone(name))
        {
            tracing::warn!(file = %self.folder.join(name).display(), "a result is not there any more: it is written again");
            self.look_again(now);
        }
    }

    /// Everything is written.
    pub fn is_written(&self) -> bool {
        self.due.is_none() && !self.is_failing()
    }

    /// Everything is written: it outlasts a power cut from now on. Gives how the files lie there, for [`stands`].
    ///
    /// # Errors
    /// When the sheet cannot be synced or a file not be looked at: all files are due again.
    pub fn close(&mut self, now: Instant) -> Result<String, WriteError> {
        let closed = self.sheet.sync().and_then(|()| self.stamp());
        if closed.is_err() {
            self.failed = true;
            self.due = Some(now + TRY_AGAIN);
        }
        closed
    }

    /// Length and time of each file, `-` for one that is not there.
    fn stamp(&self) -> Result<String, WriteError> {
        outside::disk("sync", &self.folder).map_err(WriteError::of(&self.folder, "sync"))?;
        if let Ok(folder) = std::fs::File::open(&self.folder) {
            // The names of the files. Not every file system can do that to a folder; a start looks whether they are there.
            let _ = folder.sync_all();
        }
        let mut words = Vec::new();
        for name in FILES {
            let path = self.folder.join(name);
            let found = look_at(&path).map_err(WriteError::of(&path, "look at"))?;
            words.push(found.map_or("-".to_owned(), |(length, at)| format!("{length}@{at}")));
        }
        Ok(words.join(" "))
    }

    /// When a file is due to be written.
    pub fn next_due(&self) -> Option<Instant> {
        self.due
    }

    /// Writes what is due; with `all` everything that is not up to date, at once.
    ///
    /// # Errors
    /// The first file that cannot be written; the others are written all the same, and it is tried again later.
    pub fn flush(&mut self, queue: &Queue, now: Instant, all: bool) -> Result<(), WriteError> {
        let Some(due) = self.due else { return Ok(()) };
        if due > now && !all {
            return Ok(());
        }
        let done = self.write_due(queue, now);
        self.failed = done.is_err();
        if self.failed {
            self.due = Some(now + TRY_AGAIN);
        }
        done
    }

    /// A file could not be written last time and is tried again.
    pub fn is_failing(&self) -> bool {
        self.behind || self.failed
    }

    fn write_due(&mut self, queue: &Queue, now: Instant) -> Result<(), WriteError> {
        if self.behind || self.unsure {
            self.write_sheet(queue, &[], true, now)?;
        }
        outside::disk("make the folder", &self.folder)
            .and_then(|()| std::fs::create_dir_all(&self.folder))
            .map_err(WriteError::of(&self.folder, "make the folder"))?;
        let bodies = [
            time_course::csv(queue),
            time_course::replicates::csv(queue),
            rerun::csv(queue, &queue.extra),
            alerts::csv(queue.alerts(), &self.zone),
            summary::text(queue, &self.zone),
        ];
        let mut bytes = 0;
        let mut first = Ok(());
        for (name, body) in FILES.iter().skip(1).zip(&bodies) {
            bytes += body.len() as u64;
            if let Err(error) = keep(&self.folder.join(name), body.as_bytes()) {
                first = first.and(Err(error));
            }
        }
        let pause = Duration::from_millis(bytes * 1000 / BYTES_PER_SECOND).max(LEAST_PAUSE);
        self.not_before = now + pause;
        self.due = first.is_err().then_some(now + TRY_AGAIN);
        first
    }

    /// True the first time that a file of this queue could not be written, until it can be again.
    pub fn tell_once(&mut self) -> bool {
        !std::mem::replace(&mut self.told, true)
    }

    /// Removes the files of a queue that lost everything to a late list, and its folder where nothing else lies in it.
    ///
    /// # Errors
    /// When a file cannot be removed.
    pub fn remove(&self) -> Result<(), WriteError> {
        for name in FILES {
            let path = self.folder.join(name);
            match outside::disk("remove", &path).and_then(|()| std::fs::remove_file(&path)) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(WriteError::of(&path, "remove the file")(error));
                }
                _ => {}
            }
        }
        // Somebody's own files may lie there: then it stays.
        let _ = std::fs::remove_dir(&self.folder);
        Ok(())
    }
}

/// Length and time of a file, ns since 1970; `None` where there is none.
fn look_at(path: &Path) -> io::Result<Option<(u64, i64)>> {
    outside::disk("look at", path)?;
    let meta = match std::fs::metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other?,
    };
    let at = Timestamp::try_from(meta.modified()?).unwrap_or(Timestamp::UNIX_EPOCH);
    let at = i64::try_from(at.as_nanosecond()).unwrap_or(0);
    Ok(meta.is_file().then_some((meta.len(), at)))
}

/// The files lie there as [`Outputs::close`] said once, or were saved by somebody since. One that is missing, older, or as old and of
/// another length, is not what was written.
pub fn stands(folder: &Path, stamp: &str) -> bool {
    let mut words = stamp.split(' ');
    FILES.iter().all(|name| {
        let kept = words.next().and_then(|w| w.split_once('@'));
        let kept = kept.and_then(|(l, at)| Some((l.parse::<u64>().ok()?, at.parse::<i64>().ok()?)));
        let there = look_at(&folder.join(name)).ok().flatten();
        let (Some((length, at)), Some((found, found_at))) = (kept, there) else {
            return false;
        };
        let later = found_at.saturating_sub(at);
        later > SAME_TIME_NS || later >= -SAME_TIME_NS && found == length
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_stands_until_it_is_gone_older_or_shorter() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        for name in FILES {
            std::fs::write(folder.join(name), name).unwrap();
        }
        let outputs =
            |folder: &Path| Outputs::new(folder.to_owned(), TimeZone::UTC, Instant::now());
        let kept = outputs(folder).close(Instant::now()).unwrap();
        assert!(stands(folder, &kept), "{kept}");
        assert!(!stands(folder, "") && !stands(folder, "1@x") && !stands(folder, "- -"));
        let path = folder.join("rerun.csv");
        let was = std::fs::metadata(&path).unwrap().modified().unwrap();
        let write = |text: &str, by_s: f64| {
            std::fs::write(&path, text).unwrap();
            let by = Duration::from_secs_f64(by_s.abs());
            let at = if by_s < 0.0 { was - by } else { was + by };
            let file = std::fs::File::options().write(true).open(&path).unwrap();
            file.set_modified(at).unwrap();
            stands(folder, &kept)
        };
        assert!(write("rerun.csv", -1.9) && write("rerun.csv", 1.9));
        assert!(!write("rerun.csv", -2.1), "older");
        assert!(!write("shorter", 0.0), "cut off");
        assert!(write("shorter", 2.1), "somebody saved it");
        std::fs::remove_file(&path).unwrap();
        assert!(!stands(folder, &kept));
        let without = outputs(folder).close(Instant::now()).unwrap();
        assert!(without.contains(" - ") && !stands(folder, &without));
    }
}
