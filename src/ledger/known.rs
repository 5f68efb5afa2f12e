//! Files of which the ledger said that they are known, remembered: a folder that holds a hundred thousand old files is looked at
//! twice a minute, and nothing in it has changed.

use std::cell::RefCell;
use std::collections::HashMap;
use std::hash::{BuildHasher, RandomState};
use std::path::Path;

use super::{FileSeen, Ledger, LedgerError, nanoseconds, timestamp};

/// So many files are remembered, some 10 MB; then it begins anew.
const MOST: usize = 250_000;

/// What is remembered: hash of station and path → hash of what the file was. Two hashes of 64 bits with keys of their own for
/// each run: that a new file is taken for an old one will not happen.
#[derive(Debug, Default)]
pub(super) struct Known {
    keys: (RandomState, RandomState),
    files: RefCell<HashMap<u64, u64>>,
}

impl Known {
    fn of(&self, station: &str, path: &Path) -> u64 {
        self.keys.0.hash_one((station, path.as_os_str()))
    }

    fn state(&self, path: &Path, seen: &FileSeen) -> u64 {
        let FileSeen {
            size,
            modified,
            method_sha256,
        } = seen;
        self.keys.1.hash_one((
            path.as_os_str(),
            size,
            modified.as_nanosecond(),
            method_sha256,
        ))
    }

    /// The record of a file is about to change.
    pub(super) fn forget(&self, station: &str, path: &Path) {
        self.files.borrow_mut().remove(&self.of(station, path));
    }
}

impl Ledger {
    /// Until this is dropped all that is read is read in one go: for the thousands of files of a look, beginning and ending each
    /// on its own takes longer than the reading. Nothing may be written meanwhile.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn reading(&self) -> Result<rusqlite::Transaction<'_>, LedgerError> {
        self.leave("begin reading")?;
        self.connection
            .unchecked_transaction()
            .map_err(|e| self.sqlite(e))
    }

    /// A file was last taken as it is now.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn is_known(
        &self,
        station: &str,
        path: &Path,
        seen: &FileSeen,
    ) -> Result<bool, LedgerError> {
        let (file, state) = (self.known.of(station, path), self.known.state(path, seen));
        if self.known.files.borrow().get(&file) == Some(&state) {
            return Ok(true);
        }
        // As the ledger keeps it: a time that lies far off is kept as the nearest one that it can hold.
        let kept = FileSeen {
            modified: timestamp(nanoseconds(seen.modified)),
            ..seen.clone()
        };
        let known = self.file(station, path)? == Some(kept);
        if known {
            let mut files = self.known.files.borrow_mut();
            if files.len() >= MOST {
                files.clear();
            }
            files.insert(file, state);
        }
        Ok(known)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_a_time_far_off_is_known_and_stays_in_order() {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(dir.path()).unwrap();
        // A zero of 1601, the last of a file system's times, and one between.
        let times = [
            "1601-01-01T00:00:00Z",
            "2026-11-25T22:00:00Z",
            "2446-05-10T22:38:55Z",
        ];
        let mut kept = Vec::new();
        for time in times {
            let seen = FileSeen {
                size: 9,
                modified: time.parse().unwrap(),
                method_sha256: "m".to_owned(),
            };
            let path = Path::new(time);
            ledger
                .land("acids", &[], &[(path.to_owned(), seen.clone())])
                .unwrap();
            assert!(ledger.is_known("acids", path, &seen).unwrap(), "{time}");
            kept.push(ledger.file("acids", path).unwrap().unwrap().modified);
        }
        assert!(kept.is_sorted(), "{kept:?}");
    }
}
