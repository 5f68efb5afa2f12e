//! Checkpoints: standards injected one after another. A sample is trusted only between two that passed.

/// One checkpoint: the slots of its standards, in order. A sample ends it; a blank does not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// Indexes of its standards' slots, ascending, at least one.
    pub members: Vec<usize>,
}

/// What is known of a checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Not all of its standards are in (or they cannot be judged yet), and none has failed.
    Open,
    /// All of its standards passed.
    Passed,
    /// One of its standards failed.
    Failed,
}

/// What both neighbours make of a sample between them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bracket {
    /// Both passed.
    Closed,
    /// One failed, whatever the other.
    Failed,
    /// None failed, and one is not in yet.
    Waiting,
    /// None failed, and one is not there and will not come.
    Open,
}

/// Groups slots into checkpoints. `standard` and `sample` tell what stands in a slot.
pub fn checkpoints(
    slots: usize,
    standard: impl Fn(usize) -> bool,
    sample: impl Fn(usize) -> bool,
) -> Vec<Checkpoint> {
    let mut out: Vec<Checkpoint> = Vec::new();
    let mut joined = false;
    for slot in 0..slots {
        if standard(slot) {
            match out.last_mut().filter(|_| joined) {
                Some(open) => open.members.push(slot),
                None => out.push(Checkpoint {
                    members: vec![slot],
                }),
            }
            joined = true;
        } else if sample(slot) {
            joined = false;
        }
    }
    out
}

/// The checkpoints next to a slot that holds a sample: indexes into `checkpoints`.
pub fn neighbours(checkpoints: &[Checkpoint], slot: usize) -> (Option<usize>, Option<usize>) {
    let after = checkpoints.partition_point(|c| c.members.first().is_some_and(|m| *m < slot));
    (
        after.checked_sub(1),
        (after < checkpoints.len()).then_some(after),
    )
}

/// The bracket rule. `None`: there is no checkpoint on that side. `ended`: no further injection will come.
pub fn bracket(before: Option<State>, after: Option<State>, ended: bool) -> Bracket {
    match (before, after) {
        (Some(State::Failed), _) | (_, Some(State::Failed)) => Bracket::Failed,
        (Some(State::Passed), Some(State::Passed)) => Bracket::Closed,
        (None, _) => Bracket::Open,
        _ if ended => Bracket::Open,
        _ => Bracket::Waiting,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(line: &str) -> Vec<Checkpoint> {
        let b = line.as_bytes();
        checkpoints(b.len(), |i| b[i] == b'P', |i| b[i] == b's')
    }

    #[test]
    fn standards_one_after_another_are_one_checkpoint() {
        let c = made("PPssPbPssbPs");
        let members: Vec<_> = c.iter().map(|c| c.members.clone()).collect();
        assert_eq!(members, [vec![0, 1], vec![4, 6], vec![10]]);
    }

    #[test]
    fn a_sample_has_the_checkpoints_next_to_it() {
        let c = made("sPssPs");
        assert_eq!(neighbours(&c, 0), (None, Some(0)));
        assert_eq!(neighbours(&c, 2), (Some(0), Some(1)));
        assert_eq!(neighbours(&c, 5), (Some(1), None));
        assert_eq!(neighbours(&[], 5), (None, None));
    }

    #[test]
    fn the_bracket_rule() {
        use State::{Failed, Open, Passed};
        for (before, after, ended, expected) in [
            (Some(Passed), Some(Passed), false, Bracket::Closed),
            (Some(Passed), Some(Open), false, Bracket::Waiting),
            (Some(Passed), None, false, Bracket::Waiting),
            (Some(Passed), None, true, Bracket::Open),
            (Some(Passed), Some(Open), true, Bracket::Open),
            (None, Some(Passed), false, Bracket::Open),
            (None, Some(Failed), false, Bracket::Failed),
            (Some(Failed), None, false, Bracket::Failed),
            (Some(Failed), Some(Passed), true, Bracket::Failed),
            (Some(Open), Some(Failed), false, Bracket::Failed),
            (None, None, true, Bracket::Open),
        ] {
            assert_eq!(
                bracket(before, after, ended),
                expected,
                "{before:?} {after:?} {ended}"
            );
        }
    }
}
