//! What was told so far, as the ledger keeps it.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

/// What was told of one trace or condition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Told {
    /// Key of its letters. A trace that fails again after it was mended has the same one.
    pub key: String,
    /// The trace or condition.
    pub place: String,
    /// Name of the check that spoils most.
    pub check: String,
    /// What shares letters with it.
    pub cause: String,
    /// Key of the condition from which it follows.
    pub under: Option<String>,
    /// It goes on until it ends.
    pub goes_on: bool,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// One line: what and where.
    pub subject: String,
    /// Keys of the alerts that a letter tells or will tell.
    pub alerts: BTreeSet<String>,
    /// Letters about it alone.
    pub letters: u32,
    /// The last letter that told of it.
    pub told_at: Option<Timestamp>,
    /// It has news that no letter has told, since then.
    pub waits_since: Option<Timestamp>,
    /// It has ended.
    pub over: bool,
    /// When its end was seen.
    pub over_at: Option<Timestamp>,
}

impl Told {
    /// It is a trace, not a condition.
    pub fn is_trace(&self) -> bool {
        self.place.starts_with("slot:")
    }
}

/// How much was said of a cause of late.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Cause {
    /// Letters in this storm.
    pub letters: u32,
    /// The last of them.
    pub last_at: Timestamp,
}

/// What was told of one queue.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Book {
    /// Traces and conditions in the order in which they came.
    pub told: Vec<Told>,
    /// Causes of late.
    pub causes: BTreeMap<String, Cause>,
    /// Key → number of its next letter. Never forgotten: no two letters of a queue are called the same.
    pub repeats: BTreeMap<String, u32>,
    /// The local day of the last summary of a queue that still ran.
    #[serde(default)]
    pub summary_on: Option<Date>,
}

impl Book {
    /// What is known under a key.
    pub fn get(&self, key: &str) -> Option<&Told> {
        self.told.iter().rev().find(|t| t.key == key)
    }

    pub(super) fn cause(&self, cause: &str) -> Option<Cause> {
        self.causes.get(cause).copied()
    }

    /// Takes the number of the next letter of a key.
    pub fn next_repeat(&mut self, key: &str) -> u32 {
        let next = self.repeats.entry(key.to_owned()).or_insert(0);
        let repeat = *next;
        *next = next.saturating_add(1);
        repeat
    }

    /// Nothing was told after this moment: what was told by a clock that ran ahead must not make anything wait for it.
    pub(super) fn not_after(&mut self, now: Timestamp) {
        for told in &mut self.told {
            for at in [&mut told.told_at, &mut told.waits_since, &mut told.over_at] {
                *at = at.map(|t| t.min(now));
            }
        }
        for cause in self.causes.values_mut() {
            cause.last_at = cause.last_at.min(now);
        }
    }

    /// Leaves out what is over, told, and too long ago to be asked for.
    pub(super) fn forget(&mut self, now: Timestamp, remind: SignedDuration) {
        let fresh = |at: Option<Timestamp>| {
            at.is_some_and(|at| now < at.checked_add(remind).unwrap_or(Timestamp::MAX))
        };
        let keep =
            |t: &Told| !t.over || t.waits_since.is_some() || fresh(t.told_at) || fresh(t.over_at);
        self.told.retain(keep);
        let told = &self.told;
        let waits = |cause: &String| {
            let mut of = told.iter().filter(|t| t.cause == *cause);
            of.any(|t| t.waits_since.is_some())
        };
        self.causes
            .retain(|cause, c| fresh(Some(c.last_at)) || waits(cause));
    }
}
