//! One look at a folder.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use jiff::Timestamp;

use super::Seen;
use crate::ledger::KEPT_NS;
use crate::outside;

/// Folders nested deeper than this are not entered: no export does that, but a loop of mounts might.
const DEEPEST: usize = 64;

/// What a look at a folder shows, and what it could not show.
#[derive(Debug, Default)]
pub struct Look {
    /// Regular files that were wanted, in no particular order.
    pub files: Vec<Seen>,
    /// Folders and files that could not be looked at.
    pub failed: Vec<(PathBuf, io::Error)>,
}

/// Looks at a folder and what is below it. Links are not followed, and anything that is no regular file (a pipe, a
/// device, a socket) is passed over without being opened. `wanted` chooses files, `skip` folders that are not entered.
pub fn scan(folder: &Path, wanted: &dyn Fn(&Path) -> bool, skip: &dyn Fn(&Path) -> bool) -> Look {
    let mut look = Look::default();
    let mut folders = vec![(folder.to_owned(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let entries = match outside::disk("list", &folder).and_then(|()| fs::read_dir(&folder)) {
            Ok(entries) => entries,
            Err(error) => {
                look.failed.push((folder, error));
                continue;
            }
        };
        for entry in entries {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    look.failed.push((folder.clone(), error));
                    break;
                }
            };
            let path = entry.path();
            let kind = match entry.file_type() {
                Ok(kind) => kind,
                Err(error) => {
                    look.failed.push((path, error));
                    continue;
                }
            };
            if kind.is_dir() {
                if depth < DEEPEST && !skip(&path) {
                    folders.push((path, depth + 1));
                }
            } else if kind.is_file() && wanted(&path) {
                match outside::disk("look at", &path).and_then(|()| entry.metadata()) {
                    Ok(meta) => look.files.push(seen(path, &meta)),
                    // Gone between the two calls: the next look will not show it either.
                    Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                    Err(error) => look.failed.push((path, error)),
                }
            }
        }
    }
    look
}

/// One file, as a look at it shows it; `None` where it is gone, a link, or no regular file.
pub fn look_at(path: &Path) -> Option<Seen> {
    outside::disk("look at", path).ok()?;
    let meta = fs::symlink_metadata(path).ok()?;
    meta.is_file().then(|| seen(path.to_owned(), &meta))
}

/// True where a [`scan`] of the folder could come upon this path: below it, not too deep, and not behind a link.
pub fn reaches(folder: &Path, path: &Path) -> bool {
    let Ok(below) = path.strip_prefix(folder) else {
        return false;
    };
    let folders: Vec<&Path> = below
        .ancestors()
        .skip(1)
        .filter(|p| !p.as_os_str().is_empty())
        .collect();
    folders.len() <= DEEPEST
        && folders.iter().all(|p| {
            fs::symlink_metadata(folder.join(p)).is_ok_and(|meta| meta.file_type().is_dir())
        })
}

fn seen(path: PathBuf, meta: &fs::Metadata) -> Seen {
    Seen {
        modified: modified(meta).unwrap_or(Timestamp::UNIX_EPOCH),
        path,
        size: meta.len(),
    }
}

/// When a file was written, where that is known. Earlier and later than the ledger can keep it becomes the first and the last
/// moment that it can.
pub fn modified(meta: &fs::Metadata) -> Option<Timestamp> {
    let at = meta.modified().ok()?;
    let [first, last] = KEPT_NS.map(|ns| Timestamp::from_nanosecond(i128::from(ns)).ok());
    let bound = if at < SystemTime::UNIX_EPOCH {
        first?
    } else {
        last?
    };
    let at = Timestamp::try_from(at).unwrap_or(bound);
    Some(at.clamp(first?, last?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn subfolders_are_entered_and_links_are_not() {
        let dir = tempfile::tempdir().unwrap();
        fs::create_dir_all(dir.path().join("a/b")).unwrap();
        fs::write(dir.path().join("a/b/x.csv"), "1").unwrap();
        fs::write(dir.path().join("y.txt"), "1").unwrap();
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(dir.path(), dir.path().join("a/loop")).unwrap();
            std::os::unix::fs::symlink("/etc/hostname", dir.path().join("z.csv")).unwrap();
        }
        let look = scan(
            dir.path(),
            &|p| p.extension().is_some_and(|e| e == "csv"),
            &|_| false,
        );
        let names: Vec<_> = look
            .files
            .iter()
            .filter_map(|s| s.path.file_name())
            .collect();
        assert_eq!(names, ["x.csv"]);
        assert!(look.failed.is_empty());
        assert!(look_at(&dir.path().join("a")).is_none());
    }

    #[test]
    fn a_path_behind_a_link_or_too_deep_is_not_reached() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("exports");
        let within = folder.join(format!("{}x.csv", "d/".repeat(DEEPEST)));
        let beyond = folder.join(format!("{}x.csv", "d/".repeat(DEEPEST + 1)));
        fs::create_dir_all(beyond.parent().unwrap()).unwrap();
        assert!(reaches(&folder, &within) && !reaches(&folder, &beyond));
        assert!(reaches(&folder, &folder.join("x.csv")));
        assert!(!reaches(&folder, &dir.path().join("x.csv")));
        assert!(!reaches(&folder, &folder.join("missing/x.csv")));
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(dir.path(), folder.join("link")).unwrap();
            assert!(!reaches(&folder, &folder.join("link/x.csv")));
            assert!(!reaches(&folder, &folder.join("link/exports/x.csv")));
        }
    }

    #[test]
    fn a_folder_that_is_not_there_is_said() {
        let look = scan(Path::new("/no/such/folder"), &|_| true, &|_| false);
        assert_eq!(look.failed.len(), 1);
    }
}
