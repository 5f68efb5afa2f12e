//! `rerun.csv`: a run list, ready to be run, of what must be injected again.
//!
//! Conditioning, opening blank, calibrators that failed or that the repeats need, opening standards, the samples in the order
//! of the queue with a checkpoint after every so many as the queue itself had them, closing standards, closing blank: laid out
//! as plans are. Failed blanks and standards need no rows of their own: the list's own take their place. The column [`COLUMN`]
//! says what each row repeats, so that its result finds the night that it repairs. What a repeat has given already, or is
//! asked for by the list of a later night, is not asked for.

mod calibrators;
mod dilution;
mod frame;
mod name;
mod vials;

pub use dilution::dilutions;

use crate::night::join::{COLUMN, Place, column};
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
    let mut list = RunList {
        extra: extra.to_vec(),
        ..RunList::default()
    };
    let repeats = column(extra).unwrap_or_else(|| {
        list.extra.push(COLUMN.to_owned());
        extra.len()
    });
    let mut samples = samples(queue);
    vials::part(queue, &mut samples);
    let calibrators = calibrators::calibrators(queue, !samples.is_empty());
    if samples.is_empty() && calibrators.is_empty() {
        return list;
    }
    let planned = frame::around(queue, calibrators, samples);
    let own = queue.slots().iter().map(|s| s.plan.stem.as_str());
    let mut names = Names::taken(own.chain(queue.kin_stems()));
    let width = list.extra.len();
    for (k, mut injection) in planned.into_iter().enumerate() {
        injection.position = k as u64 + 1;
        injection.extra.resize(width, String::new());
        if let Some(cell) = injection.extra.get_mut(repeats) {
            *cell = repeated(queue, injection.kind, &injection.stem);
        }
        injection.stem = names.repeat(&injection.stem);
        one_line_each(&mut injection);
        list.injections.push(injection);
    }
    list
}

/// What a row repeats: a sample or a calibrator of the queue. Blanks and standards are new ones.
fn repeated(queue: &Queue, kind: Kind, stem: &str) -> String {
    if crate::night::join::can_join(kind) {
        Place::new(&queue.name, stem).written()
    } else {
        String::new()
    }
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
