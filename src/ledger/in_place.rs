//! Whether the files that are open are still those that lie under their names: what is written into a file that was removed,
//! moved or replaced is lost with it.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::LedgerError;
use crate::outside;

/// What tells a file from others: device and number.
type Identity = (u64, u64);

/// Files as they were when the ledger was opened.
#[derive(Debug, Default)]
pub(super) struct InPlace(Vec<(PathBuf, Identity)>);

impl InPlace {
    /// Remembers what lies under these names now. The log is not there on a file system that allows none.
    pub(super) fn of(paths: impl IntoIterator<Item = PathBuf>) -> InPlace {
        let known = |path: PathBuf| {
            let meta = std::fs::metadata(&path).ok()?;
            Some((path, outside::identity(&meta)))
        };
        InPlace(paths.into_iter().filter_map(known).collect())
    }

    /// The same files lie there.
    pub(super) fn prove(&self, ledger: &Path) -> Result<(), LedgerError> {
        let io = |path: &Path, source| LedgerError::Io {
            path: path.to_owned(),
            source,
        };
        outside::disk("find", ledger).map_err(|e| io(ledger, e))?;
        for (path, known) in &self.0 {
            let found = match std::fs::metadata(path) {
                Ok(meta) if outside::identity(&meta) == *known => continue,
                Ok(_) => "something else",
                Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
                    "nothing"
                }
                Err(e) => return Err(io(path, e)),
            };
            return Err(LedgerError::Lost {
                path: path.clone(),
                found,
            });
        }
        Ok(())
    }
}
