//! Whether time went on evenly while nobody looked.
//!
//! A machine that sleeps wakes up hours later, and a clock that is set jumps. Neither is time in which a trace could have been
//! seen to be late. Both show where the wall clock is held against the steady one, and a wait against how long it was meant
//! to be: the steady clock stops during sleep on some systems and goes on on others.

use std::time::{Duration, Instant};

use crate::outside;
use jiff::{SignedDuration, Timestamp};

/// Wall and steady clock differ by less than this without a reason: slewing, rounding.
const STEP: SignedDuration = SignedDuration::from_secs(5);
/// A wait may last so much longer than it was meant to: a busy machine.
const OVERSLEPT: SignedDuration = SignedDuration::from_secs(30);

/// Both clocks as they were when last looked at.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    wall: Timestamp,
    steady: Instant,
}

impl Clock {
    /// Both clocks now.
    pub fn now() -> Clock {
        Clock {
            wall: outside::wall(),
            steady: outside::steady(),
        }
    }

    /// By how much the wall clock moved without watched time, since the last look and after a wait that began at `since` and
    /// was meant to take `meant`; `None` where it went on evenly.
    pub fn moved(&mut self, since: Instant, meant: Duration) -> Option<SignedDuration> {
        let before = std::mem::replace(self, Clock::now());
        unwatched(
            self.wall.duration_since(before.wall),
            self.steady.saturating_duration_since(before.steady),
            self.steady.saturating_duration_since(since),
            meant,
        )
    }
}

/// The rule: `wall` and `steady` went by since the last look, `waited` of them in a wait that was `meant` to be so long.
fn unwatched(
    wall: SignedDuration,
    steady: Duration,
    waited: Duration,
    meant: Duration,
) -> Option<SignedDuration> {
    let signed = |d: Duration| SignedDuration::try_from(d).unwrap_or(SignedDuration::MAX);
    let step = wall.saturating_sub(signed(steady));
    let over = signed(waited.saturating_sub(meant));
    let step = if step.abs() >= STEP {
        step
    } else {
        SignedDuration::ZERO
    };
    let over = if over >= OVERSLEPT {
        over
    } else {
        SignedDuration::ZERO
    };
    let total = step.saturating_add(over);
    (!total.is_zero()).then_some(total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_counts_as_unwatched() {
        for (why, wall_s, steady_s, waited_s, expected_s) in [
            ("a full wait", 60, 60, 60, None),
            ("a hint", 3, 3, 1, None),
            ("a clock that is slewed", 62, 60, 60, None),
            ("long work before the wait", 200, 200, 60, None),
            ("a busy machine", 85, 85, 85, None),
            (
                "asleep for two hours, steady clock stopped",
                7260,
                60,
                60,
                Some(7200),
            ),
            (
                "asleep for two hours, steady clock went on",
                7260,
                7260,
                7260,
                Some(7200),
            ),
            ("set forward by an hour", 3660, 60, 60, Some(3600)),
            ("set back by an hour", -3540, 60, 60, Some(-3600)),
            ("set forward by seconds", 65, 60, 60, Some(5)),
            ("stopped for a minute", 120, 120, 120, Some(60)),
        ] {
            let got = unwatched(
                SignedDuration::from_secs(wall_s),
                Duration::from_secs(steady_s),
                Duration::from_secs(waited_s),
                Duration::from_secs(60),
            );
            assert_eq!(got, expected_s.map(SignedDuration::from_secs), "{why}");
        }
    }

    #[test]
    fn clocks_that_go_on_evenly_say_nothing() {
        let mut clock = Clock::now();
        assert_eq!(clock.moved(Instant::now(), Duration::ZERO), None);
    }
}
