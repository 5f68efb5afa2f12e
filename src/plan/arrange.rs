//! What comes after what in a queue. The one place for plans and reruns alike:
//!
//! conditioning · opening blank · calibrators · checkpoint · (samples · checkpoint)… · closing blank · shutdown

use crate::method::plan::ReplicateOrder;
use crate::random::{Purpose, Random};

/// What stands around the samples. `T` is whatever stands for an injection.
pub struct Frame<T> {
    /// Wakes the column up.
    pub conditioning: Vec<T>,
    /// Before everything that is judged.
    pub blank_first: Option<T>,
    /// Before the first checkpoint.
    pub calibrators: Vec<T>,
    /// After the last checkpoint.
    pub blank_last: Option<T>,
    /// Behind everything: what the instrument goes to rest with.
    pub shutdown: Option<T>,
}

/// Puts parts of samples between checkpoints: one before the first part and one after each, so that every bracket is closed.
/// `checkpoint` gives the standards of the k-th, from 0.
pub fn enclose<T>(
    frame: Frame<T>,
    parts: impl IntoIterator<Item = Vec<T>>,
    mut checkpoint: impl FnMut(usize) -> Vec<T>,
) -> Vec<T> {
    let mut out = frame.conditioning;
    out.extend(frame.blank_first);
    out.extend(frame.calibrators);
    out.extend(checkpoint(0));
    for (k, part) in parts.into_iter().filter(|p| !p.is_empty()).enumerate() {
        out.extend(part);
        out.extend(checkpoint(k + 1));
    }
    out.extend(frame.blank_last);
    out.extend(frame.shutdown);
    out
}

/// A checkpoint after every so many samples; the last part may be shorter.
pub fn parts<T: Clone>(samples: &[T], samples_between: usize) -> Vec<Vec<T>> {
    samples
        .chunks(samples_between.max(1))
        .map(<[T]>::to_vec)
        .collect()
}

/// One injection of a sample: its index and its replicate, both from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Turn {
    /// Index of the sample.
    pub sample: usize,
    /// Which of its injections, from 0.
    pub replicate: u64,
}

/// Every sample once for each replicate.
pub fn turns(samples: usize, replicates: u64, order: ReplicateOrder) -> Vec<Turn> {
    let turn = |sample, replicate| Turn { sample, replicate };
    match order {
        ReplicateOrder::Sequence => (0..samples)
            .flat_map(|s| (0..replicates).map(move |r| turn(s, r)))
            .collect(),
        ReplicateOrder::Spread => (0..replicates)
            .flat_map(|r| (0..samples).map(move |s| turn(s, r)))
            .collect(),
    }
}

/// The samples of each part in random order; replicates that follow each other in a part stay together. The same seed gives the
/// same order on every machine.
pub fn shuffle(parts: &mut [Vec<Turn>], seed: u64) {
    for (k, part) in (1_u64..).zip(parts) {
        let mut random = Random::stream(seed, k, Purpose::Order);
        let mut runs: Vec<Vec<Turn>> = Vec::new();
        for turn in part.drain(..) {
            match runs.last_mut() {
                Some(run) if run.last().is_some_and(|t| t.sample == turn.sample) => run.push(turn),
                _ => runs.push(vec![turn]),
            }
        }
        // Fisher and Yates, from the end (Durstenfeld 1964).
        for i in (1..runs.len()).rev() {
            let j = random.below(i as u64 + 1) as usize;
            runs.swap(i, j);
        }
        part.extend(runs.into_iter().flatten());
    }
}

/// The levels of the k-th checkpoint, from 0, where levels take turns.
pub fn turn_of<L: Clone>(rotation: &[L], per_checkpoint: usize, k: usize) -> Vec<L> {
    let from = k.saturating_mul(per_checkpoint);
    (from..from.saturating_add(per_checkpoint))
        .filter_map(|n| rotation.get(n.checked_rem(rotation.len())?))
        .cloned()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spelled(samples: &str, between: usize, rotation: &[char], per_checkpoint: usize) -> String {
        let samples: Vec<char> = samples.chars().collect();
        let frame = Frame {
            conditioning: vec!['w', 'w'],
            blank_first: Some('b'),
            calibrators: vec!['C', 'C'],
            blank_last: Some('b'),
            shutdown: Some('z'),
        };
        let made = enclose(frame, parts(&samples, between), |k| {
            turn_of(rotation, per_checkpoint, k)
        });
        made.into_iter().collect()
    }

    #[test]
    fn a_queue_is_laid_out() {
        assert_eq!(spelled("stuvx", 2, &['P'], 1), "wwbCCPstPuvPxPbz");
        assert_eq!(spelled("stuv", 2, &['P', 'Q', 'R'], 1), "wwbCCPstQuvRbz");
        assert_eq!(
            spelled("stuvxy", 2, &['P', 'Q', 'R'], 2),
            "wwbCCPQstRPuvQRxyPQbz"
        );
        assert_eq!(spelled("s", 8, &[], 1), "wwbCCsbz");
        assert_eq!(spelled("", 8, &['P'], 1), "wwbCCPbz");
    }

    #[test]
    fn replicates_follow_each_other_or_come_again_later() {
        let spelled = |order| -> Vec<(usize, u64)> {
            let turns = turns(2, 3, order);
            turns.iter().map(|t| (t.sample, t.replicate)).collect()
        };
        assert_eq!(
            spelled(ReplicateOrder::Sequence),
            [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2)]
        );
        assert_eq!(
            spelled(ReplicateOrder::Spread),
            [(0, 0), (1, 0), (0, 1), (1, 1), (0, 2), (1, 2)]
        );
    }

    #[test]
    fn a_seed_gives_one_order() {
        let order = |seed| {
            let mut parts = parts(&turns(12, 1, ReplicateOrder::Sequence), 6);
            shuffle(&mut parts, seed);
            parts
                .iter()
                .map(|p| p.iter().map(|t| t.sample).collect())
                .collect::<Vec<Vec<usize>>>()
        };
        // Pinned: it must never change, on no machine.
        assert_eq!(order(1), [[1, 0, 4, 5, 2, 3], [6, 8, 11, 7, 10, 9]]);
        assert_ne!(order(1), order(2));
        for part in [0, 1] {
            let mut members = order(7)[part].clone();
            members.sort_unstable();
            assert!(
                members.iter().copied().eq(part * 6..part * 6 + 6),
                "a bracket keeps its samples"
            );
        }
    }

    #[test]
    fn replicates_in_sequence_stay_together() {
        let mut parts = parts(&turns(4, 2, ReplicateOrder::Sequence), 6);
        shuffle(&mut parts, 5);
        for part in &parts {
            assert!(
                part.chunks(2)
                    .all(|c| c[0].sample == c[1].sample && c[0].replicate == 0),
                "{part:?}"
            );
        }
    }
}
