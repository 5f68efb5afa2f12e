//! Carries out the actions of an [`Exporter`] in a folder, from a plain thread.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use super::export::{Deed, Event, Exporter};

/// What kept the instrument from writing.
#[derive(Debug, thiserror::Error)]
#[error("{doing} {}: {source}", path.display())]
pub struct RehearsalError {
    /// What was being done.
    pub doing: &'static str,
    /// To which file or folder.
    pub path: PathBuf,
    /// What the system said.
    pub source: io::Error,
}

/// How a play ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finish {
    /// Every action was carried out.
    Whole,
    /// The stop flag was set.
    Stopped,
}

impl RehearsalError {
    /// Makes an error of what the system said, for `map_err`.
    pub(super) fn while_doing(
        doing: &'static str,
        path: &Path,
    ) -> impl FnOnce(io::Error) -> RehearsalError {
        let path = path.to_owned();
        move |source| RehearsalError {
            doing,
            path,
            source,
        }
    }
}

impl Exporter {
    /// Carries out every action in `folder`, which is made if it is missing. `sleep_until` returns when so many seconds
    /// have passed since the start ([`wall_clock`] is one; a test may return at once). `stop` is looked at before each
    /// action; `tell` hears of each trace that has landed.
    ///
    /// # Errors
    /// The first action that fails, with the path of its file.
    pub fn run(
        &self,
        folder: &Path,
        sleep_until: &dyn Fn(f64),
        stop: &AtomicBool,
        tell: &mut dyn FnMut(Event),
    ) -> Result<Finish, RehearsalError> {
        fs::create_dir_all(folder).map_err(RehearsalError::while_doing(
            "cannot make the folder",
            folder,
        ))?;
        for action in &self.actions {
            sleep_until(action.at_s);
            if stop.load(Ordering::Relaxed) {
                return Ok(Finish::Stopped);
            }
            carry_out(&action.deed, folder)?;
            if let Some(event) = action.event {
                tell(event);
            }
        }
        Ok(Finish::Whole)
    }
}

/// A `sleep_until` on the wall clock from now on; it returns early when `stop` is set.
pub fn wall_clock(stop: &AtomicBool) -> impl Fn(f64) {
    const SLICE: Duration = Duration::from_millis(50);
    let start = Instant::now();
    move |at_s| {
        let due = Duration::try_from_secs_f64(at_s).unwrap_or(Duration::ZERO);
        while !stop.load(Ordering::Relaxed) {
            let left = due.saturating_sub(start.elapsed());
            if left.is_zero() {
                return;
            }
            thread::sleep(left.min(SLICE));
        }
    }
}

/// One deed.
fn carry_out(deed: &Deed, folder: &Path) -> Result<(), RehearsalError> {
    match deed {
        Deed::Write { file, bytes } => {
            let path = folder.join(file);
            fs::write(&path, bytes).map_err(RehearsalError::while_doing("cannot write", &path))
        }
        Deed::Append { file, bytes } => {
            let path = folder.join(file);
            let appended = OpenOptions::new()
                .append(true)
                .open(&path)
                .and_then(|mut f| f.write_all(bytes));
            appended.map_err(RehearsalError::while_doing("cannot append to", &path))
        }
        Deed::Rename { from, to } => {
            let path = folder.join(to);
            fs::rename(folder.join(from), &path)
                .map_err(RehearsalError::while_doing("cannot rename to", &path))
        }
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::super::{Night, Pace, Scenario};
    use super::*;

    fn exporter() -> (Night, Exporter) {
        let night = Night::build(Scenario::Stalled, 3);
        let exporter = Exporter::new(&night, &Pace::new(0.0, Timestamp::UNIX_EPOCH));
        (night, exporter)
    }

    #[test]
    fn a_played_night_leaves_its_files() {
        let folder = tempfile::tempdir().unwrap();
        let (night, exporter) = exporter();
        let mut told = Vec::new();
        let finish = exporter
            .run(folder.path(), &|_| {}, &AtomicBool::new(false), &mut |e| {
                told.push(e)
            })
            .unwrap();
        assert_eq!(finish, Finish::Whole);
        assert_eq!(told.len(), 18, "17 traces and one of them twice");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 19);
        let text = fs::read_to_string(folder.path().join("crocks-17.csv")).unwrap();
        assert_eq!(text, night.chromatograms[16].text(0.0));
    }

    #[test]
    fn a_set_flag_stops_it() {
        let folder = tempfile::tempdir().unwrap();
        let stop = AtomicBool::new(false);
        let (_, exporter) = exporter();
        let finish = exporter
            .run(folder.path(), &|_| {}, &stop, &mut |_| {
                stop.store(true, Ordering::Relaxed)
            })
            .unwrap();
        assert_eq!(finish, Finish::Stopped);
        assert!(!folder.path().join("crocks-17.csv").exists());
        // A clock that is stopped does not wait.
        let started = Instant::now();
        wall_clock(&stop)(60.0);
        assert!(started.elapsed() < Duration::from_secs(5));
    }

    #[test]
    fn an_error_names_the_path() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("taken");
        fs::write(&file, "x").unwrap();
        let error = exporter()
            .1
            .run(&file, &|_| {}, &AtomicBool::new(false), &mut |_| {})
            .unwrap_err();
        assert!(
            error.to_string().starts_with("cannot make the folder ")
                && error.to_string().contains("taken"),
            "{error}"
        );
    }

    #[test]
    fn the_wall_clock_waits() {
        let started = Instant::now();
        let stop = AtomicBool::new(false);
        wall_clock(&stop)(0.08);
        assert!(started.elapsed() >= Duration::from_millis(80));
        wall_clock(&stop)(f64::NAN);
    }
}
