//! Run lists on the disk.

use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use crate::config::Station;
use crate::config::error::FileError;
use crate::config::pattern::{Reach, reach};
use crate::intake::Seen;
use crate::intake::filter::{Filter, Role};
use crate::intake::scan;
use crate::method::Method;
use crate::runlist::{self, RunList};

/// The queue that a run list names.
pub fn queue_of(path: &Path) -> String {
    runlist::queue_name(
        &path
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default(),
    )
}

/// The bytes of a run list of the watched folder, as [`some`] gives them.
///
/// # Errors
/// It cannot be opened or read, or a link has taken its place.
pub fn bytes(path: &Path) -> io::Result<Vec<u8>> {
    some(super::evaluate::open(path)?)
}

/// The bytes of a run list or a sample sheet: no more than it takes to see that they are too many.
///
/// # Errors
/// It cannot be read.
pub fn some(file: File) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(runlist::MAX_BYTES as u64 + 1)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Reads a run list and holds its levels against the method.
///
/// # Errors
/// Everything that makes it unusable, with line and column.
pub fn read(bytes: &[u8], path: &Path, method: &Method) -> Result<RunList, FileError> {
    let list = runlist::file::parse(bytes, path)?;
    match list.check_levels(method, path).into_iter().next() {
        Some(error) => Err(error),
        None => Ok(list),
    }
}

/// Run lists that lie where the station's pattern looks, outside its watched folder too, oldest first.
pub fn find(station: &Station, filter: &Filter) -> Vec<Seen> {
    look(station, filter).0
}

/// The same, with the folders that could not be looked at.
pub fn look(station: &Station, filter: &Filter) -> (Vec<Seen>, Vec<(PathBuf, io::Error)>) {
    let Some(reach) = station.run_list.as_deref().map(reach) else {
        return (Vec::new(), Vec::new());
    };
    let wanted = |p: &Path| filter.role(p) == Some(Role::RunList);
    let mut look = scan::scan(&reach.folder, &wanted, &|p| filter.skips_for_lists(p));
    look.files.sort();
    (look.files, look.failed)
}

/// Where run lists may lie outside the watched folder, so that it has to be looked at as well.
pub fn outside(station: &Station) -> Option<Reach> {
    let reach = reach(station.run_list.as_deref()?);
    (!reach.folder.starts_with(&station.watch)).then_some(reach)
}
