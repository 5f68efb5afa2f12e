//! What goes into the decision and what comes out of it.

use jiff::{SignedDuration, Timestamp};

use super::Book;
use crate::check::Check;

/// How often people are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// A condition that goes on is told again after so long; a storm gives one letter in this time.
    pub remind: SignedDuration,
    /// So long further failures of one cause are gathered.
    pub gather: SignedDuration,
    /// After so long a condition is no longer repeated: whoever could act has been told often enough.
    pub tire: SignedDuration,
}

impl Settings {
    /// For a configured `remind_min` (minutes); a rehearsal runs `time_scale` times as long.
    pub fn new(remind_min: f64, time_scale: f64) -> Settings {
        let minutes = |m: f64| {
            SignedDuration::try_from_secs_f64(m * 60.0 * time_scale).unwrap_or(SignedDuration::MAX)
        };
        Settings {
            remind: minutes(remind_min),
            gather: minutes(GATHER_MIN.min(remind_min)),
            tire: minutes(TIRE_MIN),
        }
    }

    /// So long a time is in the night that is told of: in a rehearsal longer than on the clock, s.
    pub fn told_s(&self, on_the_clock: SignedDuration) -> i64 {
        let day_s = self.tire.as_secs_f64();
        let share = on_the_clock.as_secs_f64() / day_s;
        SignedDuration::try_from_secs_f64((share * TIRE_MIN * 60.0).round())
            .map_or(on_the_clock.as_secs(), |d| d.as_secs())
    }
}

/// Long enough for the failures of one batch, short enough to act on, min.
const GATHER_MIN: f64 = 5.0;
/// A day, min.
const TIRE_MIN: f64 = 24.0 * 60.0;

/// What fails now and is told at once: one trace, or one condition.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// The trace or condition, stable over restarts: `slot:crocks-14`, `late-trace`.
    pub place: String,
    /// Key of its letters.
    pub key: String,
    /// The check that spoils most.
    pub lead: Check,
    /// Keys of its alerts.
    pub keys: Vec<String>,
    /// When the first of them was raised.
    pub raised_at: Timestamp,
    /// A condition that goes on until it ends; false for a trace, and for what happened once.
    pub goes_on: bool,
    /// One line: what and where.
    pub subject: String,
}

/// What a letter is about; places are those of [`Told`](super::Told) in the new book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Act {
    /// One trace or condition; `under` is the key of the condition from which it follows.
    Tell {
        /// Key of the trace or condition.
        key: String,
        /// Key of the condition from which it follows.
        under: Option<String>,
    },
    /// Conditions that go on.
    Remind {
        /// Their keys, story by story, in each the latest first.
        keys: Vec<String>,
    },
    /// What was told is over.
    Over {
        /// Its key.
        key: String,
    },
    /// Several of one cause.
    Digest {
        /// Their keys, in the order in which they came.
        keys: Vec<String>,
        /// Key of the condition from which they follow.
        under: Option<String>,
    },
}

/// One letter to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Post {
    /// Key of its thread.
    pub key: String,
    /// 0 for the first letter of the thread.
    pub repeat: u32,
    /// What it is about.
    pub act: Act,
}

/// What [`decide`](super::decide) found.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    /// What is known of what was told when these letters are queued.
    pub book: Book,
    /// Letters to queue, in order.
    pub posts: Vec<Post>,
    /// When it must be asked again, though nothing happens.
    pub next: Option<Timestamp>,
}

/// The state of what can be told.
#[derive(Debug, Clone, Copy)]
pub struct Now<'a> {
    /// What fails now, in the order in which it is told.
    pub cases: &'a [Case],
    /// False while not everything is known that may be open: then nothing counts as over.
    pub complete: bool,
    /// The queue has ended: what was gathered goes, and nothing is repeated.
    pub ended: bool,
    /// The time.
    pub at: Timestamp,
}
