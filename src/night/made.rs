//! What a queue's results stand on, for people who want to look it up: the ledger's chain, changes on the way.

use jiff::Timestamp;

/// A place in the ledger's chain of records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// Number of the record, from 1.
    pub record: i64,
    /// SHA-256 of it and of everything before it, hex.
    pub link: String,
}

/// The method or the calibration became another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// `method` or `calibration`.
    pub what: String,
    /// When the program found it changed.
    pub at: Timestamp,
    /// SHA-256 of the one before, hex.
    pub from: String,
    /// SHA-256 of the one since then, hex.
    pub to: String,
}

/// What stands behind a queue.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Made {
    /// Its last record in the ledger; `None` where no ledger was asked.
    pub head: Option<Head>,
    /// Method or calibration changed since its first trace landed.
    pub changes: Vec<Change>,
}
