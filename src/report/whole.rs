//! Files that are whole at every instant: written beside, then renamed, and only where their content changes.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::outside;

/// Names of files that are being written.
const PREFIX: &str = ".writing-";
const SUFFIX: &str = ".tmp";

/// An output that could not be written. Nothing is lost: it is derived, and the next attempt makes it again.
#[derive(Debug, thiserror::Error)]
#[error("cannot {doing} {}: {source}", path.display())]
pub struct WriteError {
    /// The output.
    pub path: PathBuf,
    /// What failed: `replace`, `append to`, …
    pub doing: &'static str,
    /// Why.
    pub source: io::Error,
}

impl WriteError {
    /// Names the path and the deed of an error of the operating system.
    pub fn of(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> WriteError {
        let path = path.to_owned();
        move |source| WriteError {
            path,
            doing,
            source,
        }
    }
}

/// Makes a file hold these bytes; true where it did not hold them already. A file that does is left alone, its
/// modification time with it.
///
/// # Errors
/// The folder cannot be made, the file cannot be read or replaced (a program on another machine may hold it).
pub fn keep(path: &Path, bytes: &[u8]) -> Result<bool, WriteError> {
    if holds(path, bytes).map_err(WriteError::of(path, "read"))? {
        return Ok(false);
    }
    replace(path, bytes)?;
    Ok(true)
}

/// True where the file is there and holds exactly these bytes.
fn holds(path: &Path, bytes: &[u8]) -> io::Result<bool> {
    outside::disk("compare with", path)?;
    match fs::metadata(path) {
        Ok(meta) if meta.len() == bytes.len() as u64 => Ok(fs::read(path)? == bytes),
        Ok(_) => Ok(false),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(e) => Err(e),
    }
}

/// Replaces a file: the new content is on the disk under another name before it takes the old one's place.
///
/// # Errors
/// The folder cannot be made, or the file cannot be written or replaced.
pub fn replace(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    let failed = || WriteError::of(path, "replace");
    let folder = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    outside::disk("make the folder", folder).map_err(failed())?;
    fs::create_dir_all(folder).map_err(failed())?;
    outside::disk("write beside", path).map_err(failed())?;
    let mut beside = beside(folder).map_err(failed())?;
    outside::write_all(beside.as_file_mut(), bytes, path).map_err(failed())?;
    outside::disk("sync", path).map_err(failed())?;
    beside.as_file().sync_all().map_err(failed())?;
    outside::disk("rename", path).map_err(failed())?;
    beside.persist(path).map_err(|e| failed()(e.error))?;
    Ok(())
}

/// Removes what a killed program left beside its outputs in this folder: half-written files that never got their name. To be
/// called when no other program writes there; what cannot be removed stays.
pub fn sweep(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let ours = name
            .to_str()
            .is_some_and(|n| n.starts_with(PREFIX) && n.ends_with(SUFFIX));
        if ours && entry.file_type().is_ok_and(|t| t.is_file()) {
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// A new file in the folder, readable by whom the user's mask allows: others read results.
fn beside(folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_there_already_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep/er/a.csv");
        assert!(keep(&path, b"one\n").unwrap());
        let before = fs::metadata(&path).unwrap().modified().unwrap();
        assert!(!keep(&path, b"one\n").unwrap());
        assert_eq!(fs::metadata(&path).unwrap().modified().unwrap(), before);
        assert!(keep(&path, b"two\n").unwrap());
        assert_eq!(fs::read(&path).unwrap(), b"two\n");
        let left: Vec<_> = fs::read_dir(path.parent().unwrap()).unwrap().collect();
        assert_eq!(left.len(), 1, "nothing stays beside it");
    }

    #[test]
    fn only_what_was_left_half_written_is_swept() {
        let folder = tempfile::tempdir().unwrap();
        for name in [".writing-x1.tmp", "sheet.csv", "notes.tmp"] {
            fs::write(folder.path().join(name), "").unwrap();
        }
        sweep(folder.path());
        let mut left: Vec<_> = fs::read_dir(folder.path())
            .unwrap()
            .map(|e| e.unwrap().file_name())
            .collect();
        left.sort();
        assert_eq!(left, ["notes.tmp", "sheet.csv"]);
    }

    #[test]
    fn an_error_names_the_file() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("plain"), "").unwrap();
        let error = keep(&folder.path().join("plain/a.csv"), b"x").unwrap_err();
        assert!(error.to_string().contains("a.csv"), "{error}");
    }
}
