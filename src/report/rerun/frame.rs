//! What stands around the samples of a rerun list: taken from the queue, so that vials and levels are those in the tray.

use crate::night::queue::Queue;
use crate::runlist::{Injection, Kind};

/// Samples between two checkpoints where the queue shows no spacing (common practice, no source: 6 to 10).
const USUAL_SPACING: usize = 8;

/// Blank, standards and spacing of a queue.
pub(super) struct Frame {
    pub(super) blank: Injection,
    /// The queue's first checkpoint.
    pub(super) opening: Vec<Injection>,
    /// Its second, as the usual one in the middle, or the first.
    pub(super) closing: Vec<Injection>,
    /// Most samples between two checkpoints.
    pub(super) samples_between: usize,
}

impl Frame {
    pub(super) fn of(queue: &Queue) -> Frame {
        let slots = queue.slots();
        let blank = slots
            .iter()
            .find(|s| s.plan.kind == Kind::Blank)
            .map(|s| s.plan.clone());
        let checkpoint = |k: usize| -> Option<Vec<Injection>> {
            let members = &queue.checkpoints().get(k)?.members;
            Some(
                members
                    .iter()
                    .filter_map(|m| slots.get(*m))
                    .map(|s| s.plan.clone())
                    .collect(),
            )
        };
        let opening = checkpoint(0).unwrap_or_else(|| made_up_standard(queue));
        Frame {
            blank: blank.unwrap_or_else(|| plain(Kind::Blank, "blank", "")),
            closing: checkpoint(1).unwrap_or_else(|| opening.clone()),
            opening,
            samples_between: spacing(queue).unwrap_or(USUAL_SPACING),
        }
    }
}

/// The largest number of samples between two checkpoints.
fn spacing(queue: &Queue) -> Option<usize> {
    let ends = queue
        .checkpoints()
        .windows(2)
        .filter_map(|pair| match pair {
            [a, b] => Some((*a.members.last()?, *b.members.first()?)),
            _ => None,
        });
    let samples = |(from, to): (usize, usize)| {
        queue
            .slots()
            .iter()
            .take(to)
            .skip(from + 1)
            .filter(|s| s.plan.kind == Kind::Sample)
            .count()
    };
    ends.map(samples).max().filter(|n| *n > 0)
}

/// A queue that had no standard gets one of the method's middle level: without, its repeat could not be trusted either.
fn made_up_standard(queue: &Queue) -> Vec<Injection> {
    let levels = &queue.method().levels;
    levels
        .get(levels.len() / 2)
        .map(|l| plain(Kind::Standard, "standard", &l.name))
        .into_iter()
        .collect()
}

/// An injection of which no vial is known: the person who runs the list fills it in.
fn plain(kind: Kind, name: &str, level: &str) -> Injection {
    Injection {
        position: 0,
        tray: String::new(),
        vial: String::new(),
        kind,
        name: name.to_owned(),
        stem: name.to_owned(),
        volume_ul: None,
        dilution: 1.0,
        level: level.to_owned(),
        series: String::new(),
        time_h: None,
        replicate: String::new(),
        extra: Vec::new(),
    }
}
