//! What happened in nights, so that a run of them shows that everything it speaks of did happen.

use std::collections::BTreeMap;

use super::fault::{Fault, Part};

/// What must have happened at least once in a run of many nights.
const WANTED: [&str; 48] = [
    "asleep for two hours, steady clock goes on",
    "asleep for two hours, steady clock stands still",
    "clock set back",
    "clock set forward",
    "end of summer time in the night",
    "event doubled",
    "event lost",
    "events overflowed",
    "fail a while: alert folder",
    "fail a while: exports",
    "fail a while: ledger",
    "fail a while: results",
    "fail a while: sheet",
    "fail a while: sign of life",
    "fail once: alert folder",
    "fail once: exports",
    "fail once: ledger",
    "fail once: results",
    "fail once: sheet",
    "fail once: sign of life",
    "file copied below another folder",
    "file deleted",
    "file exported again with other content",
    "file in pieces",
    "file late",
    "file never exported",
    "file out of order",
    "file renamed from a passing name",
    "file that is not whole was read",
    "folder polled",
    "kill in the midst of a write",
    "kill of a call of the folders",
    "kill of a call of the ledger",
    "kill of a call of the results",
    "ledger: held",
    "ledger: full",
    "ledger: not allowed",
    "ledger: read-only",
    "letter hangs",
    "letter refused",
    "letter slow",
    "letter told to come back",
    "results: full",
    "results: held",
    "results: not allowed",
    "results: read-only",
    "run list in two pieces",
    "run list late",
];

/// What happened, and how often.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally(BTreeMap<String, u64>);

impl Tally {
    pub fn count(&mut self, what: impl Into<String>) {
        *self.0.entry(what.into()).or_default() += 1;
    }

    /// A call failed by this fault.
    pub fn fault(&mut self, fault: &Fault) {
        let part = match fault.part {
            Part::Ledger => "ledger",
            Part::Results => "results",
            Part::Sheet => "sheet",
            Part::Alerts => "alert folder",
            Part::Exports => "exports",
            Part::Heartbeat => "sign of life",
            Part::Settings | Part::Readings => "other",
        };
        let long = match fault.times {
            u64::MAX => "a while",
            _ => "once",
        };
        self.count(format!("fail {long}: {part}"));
        let kind = match fault.kind {
            std::io::ErrorKind::StorageFull => "full",
            std::io::ErrorKind::ReadOnlyFilesystem => "read-only",
            std::io::ErrorKind::PermissionDenied => "not allowed",
            _ => "held",
        };
        self.count(format!("{part}: {kind}"));
    }

    /// The daemon was killed at a call of this part.
    pub fn kill(&mut self, part: Part) {
        let whose = match part {
            Part::Ledger => "the ledger",
            Part::Exports => "the folders",
            Part::Heartbeat => "the sign of life",
            Part::Settings => "the settings",
            _ => "the results",
        };
        self.count(format!("kill of a call of {whose}"));
    }

    pub fn add(&mut self, other: &Tally) {
        for (what, n) in &other.0 {
            *self.0.entry(what.clone()).or_default() += n;
        }
    }

    /// What should have happened and never did.
    pub fn missing(&self) -> Vec<&'static str> {
        let never = |w: &&&str| !self.0.contains_key(**w);
        WANTED.iter().filter(never).copied().collect()
    }

    pub fn table(&self) -> String {
        let line = |(what, n): (&String, &u64)| format!("{n:>9}  {what}\n");
        self.0.iter().map(line).collect()
    }
}
