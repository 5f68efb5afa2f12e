//! The state of a night: which injections have landed, what their neighbours make of them, what is open and what failed.
//!
//! Pure: events and the time come in as values, verdicts and alerts go out; the disk, the clock and the network are
//! unknown here. [`station`] routes landings to queues, [`queue`] keeps one queue, [`bracket`] its checkpoints,
//! [`replicate`] its replicate groups, [`join`] repeats across queues, [`calibrate`] the fit of calibrators in the queue, [`alarm`] what is told,
//! [`condition`] what goes on beside the injections.

pub mod alarm;
pub mod bracket;
mod budget;
pub mod calibrate;
pub mod condition;
#[cfg(test)]
pub(crate) mod fixture;
pub mod join;
pub mod made;
pub mod pace;
pub mod queue;
pub mod replicate;
pub mod slot;
pub mod station;
pub mod strays;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::check::Check;
use crate::reading::Evaluation;

/// What the checks say of one result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// The next checkpoint is not in yet, or there is none.
    Provisional,
    /// It can be trusted.
    Accepted,
    /// It must be injected again.
    Rerun,
}

impl Verdict {
    /// The word in the sheet.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Provisional => "provisional",
            Verdict::Accepted => "accepted",
            Verdict::Rerun => "rerun",
        }
    }
}

/// Why a verdict is what it is, or what to know beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Reason {
    /// A check failed.
    Check(Check),
    /// A checkpoint before or after the sample failed.
    BracketFailed,
    /// The queue began or ended without a checkpoint on one side of the sample.
    BracketOpen,
}

impl Reason {
    /// The word in the sheet's `reasons`.
    pub fn word(self) -> &'static str {
        match self {
            Reason::Check(check) => check.name(),
            Reason::BracketFailed => "bracket-failed",
            Reason::BracketOpen => "bracket-open",
        }
    }
}

/// One whole file that has landed: its record in the ledger is committed.
#[derive(Debug, Clone, PartialEq)]
pub struct Landing {
    /// Number of the record in the ledger; later contents have higher ones.
    pub id: i64,
    /// Stem of the file's name.
    pub stem: String,
    /// The file's name without its folder.
    pub file_name: String,
    /// SHA-256 of the content, hex.
    pub sha256: String,
    /// The file's modification time.
    pub modified: Timestamp,
    /// When the record was committed.
    pub landed_at: Timestamp,
    /// 1 for the first content of this name in its queue, 2 for the next, …
    pub revision: u32,
    /// What it gave.
    pub evaluation: Evaluation,
}
