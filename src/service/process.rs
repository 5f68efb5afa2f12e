//! The same work once, without the daemon.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;

use super::desk::{Desk, DeskError, stem_of};
use super::evaluate::{Outcome, evaluate_all};
use super::lists;
use crate::config::error::FileError;
use crate::config::{Config, Station};
use crate::intake::filter::Role;
use crate::intake::{Seen, scan};
use crate::ledger::Ledger;
use crate::outside;
use crate::report::whole::WriteError;

/// Traces that share a commit: fsync once for so many …
const BATCH: usize = 64;
/// … or after so long.
const BATCH_TIME: Duration = Duration::from_millis(250);

/// What a run of `process` came to.
#[derive(Debug, Default)]
pub struct Processed {
    /// Traces that landed now.
    pub landed: usize,
    /// Files that were known already.
    pub known: usize,
    /// Files that could not be read: path and reason.
    pub unread: Vec<(PathBuf, std::io::Error)>,
    /// Results that could not be written.
    pub unwritten: Vec<WriteError>,
    /// Folders of the queues concerned.
    pub folders: Vec<PathBuf>,
    /// A result must be injected again, or a check that is told at once failed.
    pub attention: bool,
}

/// Processes files and folders of one station. `progress` hears how many of how many traces are done.
///
/// # Errors
/// When the configuration's files or the ledger cannot be used.
pub fn process(
    config: &Config,
    station: &Station,
    paths: &[PathBuf],
    ledger: &mut Ledger,
    progress: &mut dyn FnMut(usize, usize),
) -> Result<Processed, DeskError> {
    let _station = tracing::info_span!("station", name = %station.name).entered();
    let results = config.results_dir.join(&station.name);
    outside::disk("make the folder", &results)
        .and_then(|()| std::fs::create_dir_all(&results))
        .map_err(|e| FileError::whole(&results, format!("cannot be made: {e}")))
        .map_err(DeskError::Results)?;
    let mut desk = Desk::open(config, station, ledger, 1.0)?;
    desk.leave_emptied_before(ledger)?;
    let mut out = Processed::default();
    let now = outside::wall();
    let (lists, traces) = collect(&desk, paths, &mut out);
    for seen in lists {
        match outside::disk("read", &seen.path).and_then(|()| lists::bytes(&seen.path)) {
            Ok(bytes) => desk.take_list(ledger, &seen, bytes, now)?,
            Err(error) => out.unread.push((seen.path, error)),
        }
    }
    let traces = fresh(&mut desk, ledger, traces, &mut out)?;
    land(&mut desk, ledger, traces, &mut out, progress)?;
    out.unread.extend(desk.judge_whole_log(ledger)?);
    desk.end();
    desk.settle(ledger, outside::wall())?;
    desk.restore_messages(ledger, Timestamp::UNIX_EPOCH)?;
    out.unwritten = desk.flush(true);
    desk.finish(ledger, outside::wall())?;
    out.attention = desk.needs_attention();
    out.folders = desk
        .queues()
        .iter()
        .filter(|(_, q)| q.has_begun())
        .map(|(name, _)| desk.folder(name))
        .collect();
    Ok(out)
}

/// Run lists (the station's, and those among the paths) and traces, each oldest first.
fn collect(desk: &Desk, paths: &[PathBuf], out: &mut Processed) -> (Vec<Seen>, Vec<Seen>) {
    let filter = &desk.setup.filter;
    let (found, failed) = lists::look(&desk.station, filter);
    let mut lists: BTreeSet<Seen> = found.into_iter().collect();
    out.unread.extend(failed);
    let mut traces = BTreeSet::new();
    for path in paths {
        if path.is_dir() {
            let filter = filter.naming(path);
            let look = scan::scan(path, &|p| filter.role_anywhere(p).is_some(), &|p| {
                filter.skips(p)
            });
            for (path, error) in look.failed {
                // The folder of the lists may be the same.
                if out.unread.iter().all(|(known, _)| *known != path) {
                    out.unread.push((path, error));
                }
            }
            for seen in look.files {
                match filter.role_anywhere(&seen.path) {
                    Some(Role::RunList) => lists.insert(seen),
                    _ => traces.insert(seen),
                };
            }
        } else {
            match scan::look_at(path) {
                Some(seen) if filter.role_anywhere(path) == Some(Role::RunList) => {
                    lists.insert(seen);
                }
                // A file that is named is meant, whatever its name.
                Some(seen) => {
                    traces.insert(seen);
                }
                None => out.unread.push((path.clone(), not_a_file(path))),
            }
        }
    }
    (lists.into_iter().collect(), traces.into_iter().collect())
}

fn not_a_file(path: &Path) -> std::io::Error {
    match std::fs::symlink_metadata(path) {
        Err(error) => error,
        Ok(_) => std::io::Error::new(
            std::io::ErrorKind::InvalidInput,
            "found a link or a device, expected a file or a folder",
        ),
    }
}

/// Leaves out what is known; the queues of known traces are taken up all the same.
fn fresh(
    desk: &mut Desk,
    ledger: &mut Ledger,
    traces: Vec<Seen>,
    out: &mut Processed,
) -> Result<Vec<Seen>, DeskError> {
    let mut fresh = Vec::new();
    for seen in traces {
        if desk.is_known(ledger, &seen)? {
            out.known += 1;
            desk.load_stem(ledger, &stem_of(&seen.path))?;
        } else {
            fresh.push(seen);
        }
    }
    Ok(fresh)
}

fn land(
    desk: &mut Desk,
    ledger: &mut Ledger,
    traces: Vec<Seen>,
    out: &mut Processed,
    progress: &mut dyn FnMut(usize, usize),
) -> Result<(), DeskError> {
    let total = traces.len();
    let (settings, method) = (
        desk.station.trace.clone(),
        std::sync::Arc::clone(&desk.setup.method),
    );
    let bench = super::evaluate::Bench {
        settings: &settings,
        method: &method,
    };
    let (mut batch, mut since, mut done) = (Vec::new(), outside::steady(), 0);
    let mut failed: Result<(), DeskError> = Ok(());
    evaluate_all(traces, bench, |outcome| {
        done += 1;
        match outcome {
            Outcome::Taken(taken) => batch.push(*taken),
            Outcome::Changed(seen) => out.unread.push((seen.path, changed())),
            Outcome::Unread(seen, error) => out.unread.push((seen.path, error)),
        }
        if failed.is_ok() && (batch.len() >= BATCH || outside::since(since) >= BATCH_TIME) {
            out.landed += batch.len();
            failed = desk.land(ledger, std::mem::take(&mut batch), outside::wall());
            since = outside::steady();
        }
        progress(done, total);
    });
    failed?;
    out.landed += batch.len();
    desk.land(ledger, batch, outside::wall())
}

fn changed() -> std::io::Error {
    std::io::Error::new(
        std::io::ErrorKind::ResourceBusy,
        "it is still being written; process it again when it is whole",
    )
}
