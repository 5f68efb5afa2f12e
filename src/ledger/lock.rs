//! One process works with a state folder.
//!
//! The folder itself is locked, where the system can do that, and a file in it: who removes the file lets nobody in.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};

use super::LedgerError;
use crate::outside;

/// Name of the lock file in the state folder.
const NAME: &str = "lock";

/// Held until it is dropped.
#[derive(Debug)]
pub(super) struct Lock {
    _files: Vec<File>,
    /// What must stay where it is for the lock to hold.
    pub(super) held_by: PathBuf,
}

impl Lock {
    /// Takes it, or says who has it.
    pub(super) fn take(state_dir: &Path) -> Result<Lock, LedgerError> {
        let mut files = Vec::new();
        // The folder first: who is refused there leaves no file behind.
        if let Some(folder) = lock_folder(state_dir)? {
            files.push(folder);
        }
        let path = state_dir.join(NAME);
        let io = |source| LedgerError::Io {
            path: path.clone(),
            source,
        };
        outside::disk("open", &path).map_err(io)?;
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(io)?;
        match file.try_lock() {
            Ok(()) => files.push(file),
            Err(TryLockError::WouldBlock) => return Err(LedgerError::Locked { path }),
            Err(TryLockError::Error(source)) => return Err(io(source)),
        }
        let held_by = match files.len() {
            2.. => state_dir.to_owned(),
            _ => path,
        };
        Ok(Lock {
            _files: files,
            held_by,
        })
    }
}

/// `None` where the system opens or locks no folder: then the file alone is locked.
fn lock_folder(folder: &Path) -> Result<Option<File>, LedgerError> {
    let path = folder.to_owned();
    outside::disk("lock", folder).map_err(|source| LedgerError::Io {
        path: path.clone(),
        source,
    })?;
    let Ok(file) = File::open(folder) else {
        return Ok(None);
    };
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Err(LedgerError::Locked { path }),
        Err(TryLockError::Error(_)) => Ok(None),
    }
}
