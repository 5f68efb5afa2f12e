//! `rerun.csv`: a run list, ready to be run, of what must be injected again.
//!
//! Conditioning, opening blank, failed calibrators, opening standards, the samples in the order of the queue with a checkpoint
//! after every so many as the queue itself had them, closing standards, closing blank: laid out as plans are. Failed blanks and standards need no rows of
//! their own: the list's own take their place.

mod dilution;
mod frame;
mod name;

pub use dilution::dilutions;

use crate::night::queue::{Queue, Slot};
use crate::runlist::{Injection, Kind, RunList};
use frame::Repeat;
use name::Names;

/// The whole file; only its header where nothing must be injected again. `extra`: names of the run list's extra columns.
pub fn csv(queue: &Queue, extra: &[String]) -> String {
    crate::runlist::file::write(&list(queue, extra))
}

/// The same as a run list.
pub fn list(queue: &Queue, extra: &[String]) -> RunList {
    let samples = samples(queue);
    let calibrators: Vec<Injection> = queue
        .slots()
        .iter()
        .filter(|s| s.plan.kind == Kind::Calibrator && s.is_rerun())
        .map(|s| s.plan.clone())
        .collect();
    let mut list = RunList {
        extra: extra.to_vec(),
        ..RunList::default()
    };
    if samples.is_empty() && calibrators.is_empty() {
        return list;
    }
    let planned = frame::around(queue, calibrators, samples);
    let mut names = Names::taken(queue.slots().iter().map(|s| s.plan.stem.as_str()));
    for (k, mut injection) in planned.into_iter().enumerate() {
        injection.position = k as u64 + 1;
        injection.stem = names.repeat(&injection.stem);
        one_line_each(&mut injection);
        injection.extra.resize(extra.len(), String::new());
        list.injections.push(injection);
    }
    list
}

/// A run list's cells stand on one line. What came from one does already; a file name that no list names need not.
fn one_line_each(injection: &mut Injection) {
    let cells = [
        &mut injection.name,
        &mut injection.tray,
        &mut injection.vial,
        &mut injection.series,
        &mut injection.replicate,
    ];
    for cell in cells.into_iter().chain(&mut injection.extra) {
        if cell.contains(char::is_control) {
            *cell = cell.replace(char::is_control, " ");
        }
    }
}

/// Injections of samples that must be repeated: for each one row for every dilution that is needed.
fn samples(queue: &Queue) -> Vec<Repeat> {
    let repeat = |(k, slot): (usize, &Slot)| -> Vec<Repeat> {
        let diluted = |dilution| Injection {
            dilution,
            ..slot.plan.clone()
        };
        let dilutions = dilutions(queue, slot).into_iter();
        dilutions.map(|d| (k, diluted(d))).collect()
    };
    queue
        .slots()
        .iter()
        .enumerate()
        .filter(|(_, s)| s.plan.kind == Kind::Sample)
        .flat_map(repeat)
        .collect()
}

#[cfg(test)]
mod tests;
