//! Which calls of the played disk fail.

use std::io::ErrorKind;
use std::time::Duration;

/// Which calls of the disk a fault concerns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Part {
    Ledger,
    Results,
    Sheet,
    Alerts,
    Exports,
    Heartbeat,
    Settings,
    /// Results are read, to be compared.
    Readings,
}

/// A time in which calls fail.
#[derive(Debug, Clone)]
pub(super) struct Fault {
    pub from: Duration,
    pub until: Duration,
    pub part: Part,
    pub kind: ErrorKind,
    /// Passes over so many calls first.
    pub pass: u64,
    /// Fails no more than so many calls.
    pub times: u64,
    /// When it failed a call first.
    pub failed_first: Option<Duration>,
}

/// Every call from the `first` on fails, `times` times.
#[derive(Debug, Clone, Copy)]
pub(super) struct FailCall {
    pub first: u64,
    pub times: u64,
    pub kind: ErrorKind,
    /// Those of one part alone: the part of the first.
    pub part: Option<Part>,
}
