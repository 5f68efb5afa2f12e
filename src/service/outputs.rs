//! The result files of one queue. All of them can be made again from the ledger, so a file that cannot be written now
//! (a spreadsheet program holds it, the share is gone) is written later and nothing is lost.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

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

/// Names of the files beside the sheet.
const BESIDE: [&str; 5] = [
    "time-course.csv",
    "replicates.csv",
    "rerun.csv",
    "alerts.csv",
    "summary.txt",
];

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
                self.sheet
                    .update(queue, slots, rebuilt || self.behind, &self.zone)
            });
        match written {
            Ok(_) => {
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
        if self.behind {
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
        for (name, body) in BESIDE.iter().zip(&bodies) {
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
        for name in BESIDE.iter().chain(&["sheet.csv"]) {
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
