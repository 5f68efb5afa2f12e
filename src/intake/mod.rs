//! From a folder to the paths of whole files. Knows nothing of chemistry.
//!
//! Events are hints and the directory is the truth: whatever an event says, [`scan`] looks at the folder and
//! [`settle`] decides when a file is whole. [`watcher`] turns the system's events into hints and says when they cannot
//! be relied on.

pub mod filter;
mod places;
pub mod scan;
pub mod settle;
pub mod watcher;

use std::path::PathBuf;

use jiff::Timestamp;

/// A file as a look at the folder shows it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Seen {
    /// Modification time.
    pub modified: Timestamp,
    /// Where it lies.
    pub path: PathBuf,
    /// Bytes.
    pub size: u64,
}
