//! Relative paths of a file count from the folder that the file is in.

use std::io::ErrorKind;
use std::path::{Component, Path, PathBuf};

use super::error::{FileError, quoted};
use super::table::Value;
use super::{Config, Station};
use crate::outside;

/// The folder of a file, absolute where the working directory is known.
pub(super) fn folder_of(file: &Path) -> PathBuf {
    let folder = file.parent().unwrap_or(Path::new(""));
    // An empty path is no path to `absolute`: it stands for the working directory.
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned())
}

/// The path that a value names.
pub(crate) fn path(value: &Value<'_>, file: &Path, expected: &str) -> Result<PathBuf, FileError> {
    Ok(clean(&folder_of(file).join(value.text(expected)?)))
}

/// The path, absolute, in its plain spelling: without `.`, `..` and empty parts. Where a link stands before a `..`, that is
/// the folder above the one to which the link leads, as everywhere else.
pub(crate) fn clean(path: &Path) -> PathBuf {
    let path = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let mut out = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir => {
                if out.is_symlink() {
                    out = real(&out);
                }
                out.pop();
            }
            part => out.push(part),
        }
    }
    out
}

/// Where a path leads when all links are followed. What is not there yet will lie in the nearest folder that is.
pub(crate) fn real(path: &Path) -> PathBuf {
    led(path).0
}

/// The same; false beside it where the disk did not say it, so that it may be another one.
pub(crate) fn led(path: &Path) -> (PathBuf, bool) {
    let mut sure = true;
    for above in path.ancestors() {
        match outside::disk("look at", above).and_then(|()| above.canonicalize()) {
            Ok(led) => {
                let below = path.strip_prefix(above).unwrap_or(Path::new(""));
                return (joined(&led, below), sure);
            }
            Err(error) => sure &= error.kind() == ErrorKind::NotFound,
        }
    }
    (path.to_owned(), sure)
}

/// Joined to nothing a path would end in a separator.
pub(crate) fn joined(folder: &Path, below: &Path) -> PathBuf {
    if below.as_os_str().is_empty() {
        folder.to_owned()
    } else {
        folder.join(below)
    }
}

/// The same where a link leads there: the text of a path does not show it.
pub(crate) fn really_outside_watched(
    config: &Config,
    key: &str,
    folder: &Path,
) -> Result<(), FileError> {
    let led = real(folder);
    match config.stations.iter().find(|s| real(&s.watch) == led) {
        None => Ok(()),
        Some(s) => Err(FileError::whole(
            &config.path,
            format!(
                "{key}: found {}, which is the folder that station {} watches, expected another folder",
                quoted(&folder.to_string_lossy()),
                quoted(&s.name)
            ),
        )),
    }
}

/// What the program writes must not lie among the traces themselves; a folder of its own below them is passed over.
pub(crate) fn outside_watched(
    value: &Value<'_>,
    path: &Path,
    stations: &[Station],
) -> Result<(), FileError> {
    match stations.iter().find(|s| path == s.watch) {
        None => Ok(()),
        Some(s) => Err(value.found(&format!(
            "another folder than the one that station {} watches",
            quoted(&s.name)
        ))),
    }
}
