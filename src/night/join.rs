//! Repeats: which injection repeats which, across queues, and what each of them gave.
//!
//! A run list says it in the column [`COLUMN`] (`QUEUE/STEM`, as `rerun.csv` writes it); where that is missing, the mark in
//! the file's name does (`t-7-repeat` repeats `t-7`). An injection, its repeats and theirs are a [`Family`]. Families cross
//! nights, so their [`Member`]s are kept in the ledger; a queue gets those of its own injections as [`Kin`].

mod family;

pub use family::Family;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::Verdict;
use super::queue::{Queue, Slot};
use crate::runlist::{self, Injection, Kind};

/// Column of a run list that says what an injection repeats.
pub const COLUMN: &str = "repeats";
/// What marks a repeat in a stem. Not `-r2`: so people call second replicates.
pub const MARK: &str = "repeat";

/// Where an injection stands: the queue and the stem of its trace.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// The queue.
    pub queue: String,
    /// The stem.
    pub stem: String,
}

impl Place {
    /// A place by its names.
    pub fn new(queue: &str, stem: &str) -> Place {
        Place {
            queue: queue.to_owned(),
            stem: stem.to_owned(),
        }
    }

    /// As [`COLUMN`] has it.
    pub fn written(&self) -> String {
        format!("{}/{}", self.queue, self.stem)
    }
}

/// What an injection says that it repeats.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// The list names queue and stem.
    Named(Place),
    /// Only a stem is known; the queue must be looked for.
    Stem(String),
}

/// What one injection of a family gave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Member {
    /// Its queue.
    pub queue: String,
    /// Its stem.
    pub stem: String,
    /// Its position there.
    pub position: u64,
    /// What it is called.
    pub name: String,
    /// `sample` or `calibrator`.
    pub kind: String,
    /// When its file was written; of one that never came, its run list.
    pub when: Timestamp,
    /// One for each analyte of the method.
    pub results: Vec<Outcome>,
}

/// What it gave of one analyte.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// The analyte.
    pub analyte: String,
    /// Unit of the concentrations.
    pub unit: String,
    /// What the checks of its own queue say of it.
    pub verdict: Verdict,
    /// The words that keep it out, as in the sheet; what only stands beside it is not among them.
    pub reasons: Vec<String>,
    /// As in the sheet.
    pub concentration: Option<f64>,
    /// Lower end of its 95 % interval.
    pub low_95: Option<f64>,
    /// Upper end.
    pub high_95: Option<f64>,
}

/// Another member of an injection's family.
#[derive(Debug, Clone, PartialEq)]
pub struct Kin {
    /// What it gave.
    pub member: Member,
    /// It repeats the injection, or a repeat of it.
    pub is_repeat: bool,
    /// The injection repeats it, and it repeats nothing itself as far as is known.
    pub is_original: bool,
}

impl Member {
    /// Where it stands.
    pub fn place(&self) -> Place {
        Place::new(&self.queue, &self.stem)
    }

    /// What it gave of an analyte in this unit.
    pub fn outcome(&self, analyte: &str, unit: &str) -> Option<&Outcome> {
        self.results
            .iter()
            .find(|o| o.analyte == analyte && o.unit == unit)
    }

    /// Members in the order in which they were made.
    pub fn order(&self) -> (Timestamp, &str, u64) {
        (self.when, &self.queue, self.position)
    }
}

/// Kinds of which a repeat stands for what it repeats. Blanks and standards belong to their own night.
pub fn can_join(kind: Kind) -> bool {
    matches!(kind, Kind::Sample | Kind::Calibrator)
}

/// A stem without its mark, and how often it was repeated: `t-7-repeat2` → `t-7`, 2; `None` where it has no mark.
pub fn unmarked(stem: &str) -> Option<(&str, u32)> {
    let (base, mark) = stem.rsplit_once('-')?;
    let times = mark.strip_prefix(MARK)?;
    let n = if times.is_empty() {
        1
    } else {
        times.trim_start().parse().ok()?
    };
    (!base.is_empty()).then_some((base, n))
}

/// The place of [`COLUMN`] among a list's extra columns.
pub fn column(extra: &[String]) -> Option<usize> {
    extra.iter().position(|e| e.eq_ignore_ascii_case(COLUMN))
}

/// What an injection repeats. `extra`: the names of its list's extra columns.
pub fn origin(plan: &Injection, extra: &[String]) -> Option<Origin> {
    if !can_join(plan.kind) {
        return None;
    }
    let cell = column(extra).and_then(|c| plan.extra.get(c));
    match cell.map(|c| c.trim()).filter(|c| !c.is_empty()) {
        Some(cell) => named(cell),
        None => unmarked(&plan.stem).map(|(base, _)| Origin::Stem(base.to_owned())),
    }
}

/// `QUEUE/STEM`, or a stem alone.
fn named(cell: &str) -> Option<Origin> {
    let (queue, file) = match cell.split_once('/') {
        Some((queue, file)) => (queue.trim(), file.trim()),
        None => ("", cell),
    };
    let stem = runlist::stem(file);
    if stem.is_empty() {
        None
    } else if queue.is_empty() {
        Some(Origin::Stem(stem.to_owned()))
    } else {
        Some(Origin::Named(Place::new(queue, stem)))
    }
}

/// Of several queues that have the stem, with their dates: the newest that is not newer than the repeat, and where all
/// are newer, the oldest.
pub fn nearest(candidates: &[(String, Timestamp)], when: Timestamp) -> Option<&str> {
    let key = |c: &&(String, Timestamp)| (c.1, c.0.clone());
    let before = candidates
        .iter()
        .filter(|(_, at)| *at <= when)
        .max_by_key(key);
    before
        .or_else(|| candidates.iter().min_by_key(key))
        .map(|(queue, _)| queue.as_str())
}

/// What a slot gave, as its family needs it; `None` where nothing is known of it yet.
pub fn member(queue: &Queue, slot: &Slot) -> Option<Member> {
    if !can_join(slot.plan.kind) || !slot.is_shown() || slot.rows.is_empty() {
        return None;
    }
    let outcome = |(k, analyte): (usize, &crate::method::Analyte)| {
        let row = slot.rows.get(k)?;
        let line = slot.assessment.lines.get(k).copied().unwrap_or_default();
        Some(Outcome {
            analyte: analyte.name.clone(),
            unit: analyte.unit.clone(),
            verdict: row.verdict?,
            reasons: row.causes().map(|r| r.word().to_owned()).collect(),
            concentration: line.concentration,
            low_95: line.low_95,
            high_95: line.high_95,
        })
    };
    Some(Member {
        queue: queue.name.clone(),
        stem: slot.plan.stem.clone(),
        position: slot.plan.position,
        name: slot.plan.name.clone(),
        kind: slot.plan.kind.word().to_owned(),
        when: queue.when(slot),
        results: queue
            .method()
            .analytes
            .iter()
            .enumerate()
            .filter_map(outcome)
            .collect(),
    })
}

#[cfg(test)]
mod tests;
