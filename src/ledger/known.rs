//! Files of which the ledger said that they are known, remembered: a folder that holds a hundred thousand old files is looked at
//! twice a minute, and nothing in it has changed.

use std::cell::RefCell;
use std::collections::HashMap;
use std::hash::{BuildHasher, RandomState};
use std::path::Path;

use super::{FileSeen, Ledger, LedgerError};

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
        let known = self.file(station, path)?.as_ref() == Some(seen);
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
