//! One injection of a queue: what was planned, what landed, what was made of it.

use std::sync::Arc;

use super::{Landing, Reason, Verdict};
use crate::check::{Assessment, Check};
use crate::runlist::{Injection, Kind};

/// One injection of a queue, planned or found.
#[derive(Debug, Clone)]
pub struct Slot {
    /// What it is.
    pub plan: Injection,
    /// A run list names it.
    pub listed: bool,
    /// What landed in it, the last content.
    pub landing: Option<Arc<Landing>>,
    /// It counts as never come.
    pub missing: bool,
    /// Its numbers and failures by itself.
    pub assessment: Assessment,
    /// One for each analyte of the method.
    pub rows: Vec<Row>,
    /// Keys of its open alerts.
    pub(super) alerts: Vec<String>,
    /// Index of its replicate group.
    pub(super) group: Option<usize>,
    /// The position that its file's name gives, where no list does.
    pub(super) given: Option<u64>,
}

/// Verdict and reasons of one row of the sheet.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Row {
    /// Empty for a conditioning injection.
    pub verdict: Option<Verdict>,
    /// Ascending, each once.
    pub reasons: Vec<Reason>,
}

impl Row {
    /// The reasons that keep a result out; what only stands beside it is no reason.
    pub fn causes(&self) -> impl Iterator<Item = Reason> {
        let beside = |r: &Reason| {
            matches!(
                r,
                Reason::Check(Check::Replicates | Check::RetentionShift | Check::UnlistedTrace)
            )
        };
        self.reasons.iter().copied().filter(move |r| !beside(r))
    }
}

impl Slot {
    pub(super) fn new(plan: Injection, listed: bool) -> Slot {
        Slot {
            plan,
            listed,
            landing: None,
            missing: false,
            assessment: Assessment::default(),
            rows: Vec::new(),
            alerts: Vec::new(),
            group: None,
            given: None,
        }
    }

    /// It has landed, or is known not to come.
    pub fn is_settled(&self) -> bool {
        self.landing.is_some() || self.missing
    }

    /// It has rows in the sheet: a conditioning injection that never came has none.
    pub fn is_shown(&self) -> bool {
        self.landing.is_some() || self.missing && self.plan.kind != Kind::Conditioning
    }

    /// Any of its rows must be run again.
    pub fn is_rerun(&self) -> bool {
        self.rows.iter().any(|r| r.verdict == Some(Verdict::Rerun))
    }
}
