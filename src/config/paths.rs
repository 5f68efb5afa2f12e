//! Relative paths of a file count from the folder that the file is in.

use std::path::{Path, PathBuf};

use globset::{Glob, GlobBuilder};

use super::Station;
use super::error::{FileError, quoted};
use super::table::Value;

/// The folder of a file, absolute where the working directory is known.
fn folder_of(file: &Path) -> PathBuf {
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
    let joined = folder_of(file).join(value.text(expected)?);
    Ok(std::path::absolute(&joined).unwrap_or(joined))
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

/// The path pattern that a value names, absolute, with `/` between folders.
pub(crate) fn path_pattern(value: &Value<'_>, file: &Path) -> Result<String, FileError> {
    let text = value.text("a path, with * where names differ")?;
    let pattern = if Path::new(text).is_absolute() {
        text.to_owned()
    } else {
        let folder = folder_of(file);
        let folder = folder.to_string_lossy();
        let text = text.strip_prefix("./").unwrap_or(text);
        format!("{}/{text}", globset::escape(folder.trim_end_matches('/')))
    };
    let pattern = if cfg!(windows) {
        pattern.replace('\\', "/")
    } else {
        pattern
    };
    glob(value, &pattern)?;
    Ok(pattern)
}

/// A pattern of file names, as it stands.
pub(crate) fn name_glob(value: &Value<'_>) -> Result<String, FileError> {
    let text = value.text("a file name, with * where names differ")?;
    if text.contains(['/', '\\']) {
        return Err(value.found("a pattern for the file's name alone, without folders"));
    }
    glob(value, text)?;
    Ok(text.to_owned())
}

fn glob(value: &Value<'_>, pattern: &str) -> Result<Glob, FileError> {
    let built = GlobBuilder::new(pattern).literal_separator(true).build();
    built.map_err(|e| value.found(&format!("a pattern that can be read ({})", e.kind())))
}
