//! When is a file whole? When its size and time have stood still for a while, and it could be read to its end.
//!
//! Time is an argument and runs on the caller's monotonic clock: a file's own time may come from another computer's.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;

use super::Seen;

/// A file that settled without being whole is given so many settle times more before it counts as broken.
const PATIENCE: u32 = 4;
/// But at least so long, for a settle time of nearly nothing.
const LEAST_PATIENCE: Duration = Duration::from_secs(2);
/// A file that could not be opened is tried again after so long.
const TRY_AGAIN: Duration = Duration::from_secs(5);

/// Time since some fixed moment, on a clock that never jumps.
pub type Moment = Duration;

#[derive(Debug, Clone, Copy)]
struct Growing {
    size: u64,
    modified: Timestamp,
    /// When the change to this size and time was first seen.
    since: Moment,
    /// When it is looked at next.
    due: Moment,
}

/// Files that are not taken yet.
#[derive(Debug, Default)]
pub struct Settle {
    settle: Duration,
    growing: BTreeMap<PathBuf, Growing>,
    due: BTreeSet<(Moment, PathBuf)>,
}

/// A file that has settled.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Ready {
    /// As it stood still.
    pub seen: Seen,
    /// It has been waited for long enough: if it is not whole now, it is broken.
    pub last_call: bool,
}

impl Settle {
    /// Files settle after so long.
    pub fn new(settle: Duration) -> Settle {
        Settle {
            settle,
            ..Settle::default()
        }
    }

    /// A look showed a file that is not known with this size and time.
    pub fn observe(&mut self, seen: &Seen, now: Moment) {
        match self.growing.get(&seen.path).copied() {
            Some(known) if known.size == seen.size && known.modified == seen.modified => {}
            before => {
                if let Some(before) = before {
                    self.due.remove(&(before.due, seen.path.clone()));
                }
                self.put(
                    &seen.path,
                    Growing {
                        size: seen.size,
                        modified: seen.modified,
                        since: now,
                        due: now + self.settle,
                    },
                );
            }
        }
    }

    fn put(&mut self, path: &Path, growing: Growing) {
        self.due.insert((growing.due, path.to_owned()));
        self.growing.insert(path.to_owned(), growing);
    }

    /// True while a file waits here.
    pub fn holds(&self, path: &Path) -> bool {
        self.growing.contains_key(path)
    }

    /// When a file is due next.
    pub fn next_due(&self) -> Option<Moment> {
        self.due.first().map(|(due, _)| *due)
    }

    /// Files that have stood still until now, in the order in which they were written. `look` looks at a file again;
    /// one that has changed since goes on waiting, one that is gone is forgotten. An empty file is never whole.
    pub fn ready(&mut self, now: Moment, look: &dyn Fn(&Path) -> Option<Seen>) -> Vec<Ready> {
        let mut out = Vec::new();
        while let Some((due, path)) = self.due.first().cloned().filter(|(due, _)| *due <= now) {
            self.due.remove(&(due, path.clone()));
            let Some(known) = self.growing.remove(&path) else {
                continue;
            };
            let Some(seen) = look(&path) else { continue };
            if seen.size != known.size || seen.modified != known.modified {
                self.observe(&seen, now);
            } else if seen.size == 0 && !self.is_last_call(&known, now) {
                self.put(
                    &path,
                    Growing {
                        due: now + self.pause(),
                        ..known
                    },
                );
            } else {
                // Kept, so that `torn` and `unread` know since when it stood still.
                self.growing.insert(path, known);
                out.push(Ready {
                    seen,
                    last_call: self.is_last_call(&known, now),
                });
            }
        }
        out.sort();
        out
    }

    fn patience(&self) -> Duration {
        (self.settle * PATIENCE).max(LEAST_PATIENCE)
    }

    fn pause(&self) -> Duration {
        self.settle.max(LEAST_PATIENCE / 4)
    }

    fn is_last_call(&self, known: &Growing, now: Moment) -> bool {
        now.saturating_sub(known.since) >= self.patience()
    }

    /// The file was taken.
    pub fn taken(&mut self, path: &Path) {
        if let Some(known) = self.growing.remove(path) {
            self.due.remove(&(known.due, path.to_owned()));
        }
    }

    /// The file settled but is not whole: it may still be growing, in bursts longer than the settle time.
    pub fn torn(&mut self, seen: &Seen, now: Moment) {
        if let Some(known) = self.growing.remove(&seen.path) {
            let due = (known.since + self.patience()).max(now + self.pause().min(self.patience()));
            self.put(&seen.path, Growing { due, ..known });
        }
    }

    /// The file was not as it had been seen when it was read: it waits anew, also where it is as before again.
    pub fn changed(&mut self, seen: &Seen, now: Moment) {
        self.taken(&seen.path);
        self.observe(seen, now);
    }

    /// The file could not be opened or read: it is tried again.
    pub fn unread(&mut self, seen: &Seen, now: Moment) {
        if let Some(known) = self.growing.remove(&seen.path) {
            self.put(
                &seen.path,
                Growing {
                    due: now + TRY_AGAIN,
                    ..known
                },
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(name: &str, size: u64, s: i64) -> Seen {
        Seen {
            modified: Timestamp::from_second(s).unwrap(),
            path: PathBuf::from(name),
            size,
        }
    }

    fn ms(n: u64) -> Moment {
        Duration::from_millis(n)
    }

    #[test]
    fn a_file_is_taken_when_it_has_stood_still() {
        let mut settle = Settle::new(ms(3000));
        settle.observe(&seen("a", 10, 1), ms(0));
        settle.observe(&seen("a", 20, 2), ms(2000));
        assert_eq!(settle.ready(ms(3000), &|_| Some(seen("a", 20, 2))), []);
        assert_eq!(settle.next_due(), Some(ms(5000)));
        let ready = settle.ready(ms(5000), &|_| Some(seen("a", 20, 2)));
        assert_eq!(
            ready,
            [Ready {
                seen: seen("a", 20, 2),
                last_call: false
            }]
        );
        settle.taken(Path::new("a"));
        assert_eq!(settle.next_due(), None);
    }

    #[test]
    fn growth_without_an_event_starts_the_wait_again() {
        let mut settle = Settle::new(ms(3000));
        settle.observe(&seen("a", 10, 1), ms(0));
        assert_eq!(settle.ready(ms(3000), &|_| Some(seen("a", 30, 1))), []);
        assert_eq!(settle.next_due(), Some(ms(6000)));
    }

    #[test]
    fn a_torn_file_gets_its_last_call() {
        let mut settle = Settle::new(ms(1000));
        settle.observe(&seen("a", 10, 1), ms(0));
        let first = settle.ready(ms(1000), &|_| Some(seen("a", 10, 1)));
        assert!(!first[0].last_call);
        settle.torn(&first[0].seen, ms(1000));
        assert_eq!(settle.next_due(), Some(ms(4000)));
        let last = settle.ready(ms(4000), &|_| Some(seen("a", 10, 1)));
        assert!(last[0].last_call);
    }

    #[test]
    fn what_was_another_while_it_was_read_and_is_the_same_again_is_read_again() {
        let mut settle = Settle::new(ms(1000));
        settle.observe(&seen("a", 10, 1), ms(0));
        let first = settle.ready(ms(1000), &|_| Some(seen("a", 10, 1)));
        settle.changed(&first[0].seen, ms(1000));
        settle.observe(&seen("a", 10, 1), ms(1500));
        assert_eq!(settle.next_due(), Some(ms(2000)));
        assert_eq!(settle.ready(ms(2000), &|_| Some(seen("a", 10, 1))).len(), 1);
    }

    #[test]
    fn an_empty_file_waits_until_its_last_call() {
        let mut settle = Settle::new(ms(0));
        settle.observe(&seen("a", 0, 1), ms(0));
        assert_eq!(settle.ready(ms(0), &|_| Some(seen("a", 0, 1))), []);
        assert_eq!(settle.ready(ms(1000), &|_| Some(seen("a", 0, 1))), []);
        assert!(settle.ready(ms(2600), &|_| Some(seen("a", 0, 1)))[0].last_call);
    }

    #[test]
    fn files_come_in_the_order_in_which_they_were_written() {
        let mut settle = Settle::new(ms(0));
        for (name, s) in [("c", 1), ("a", 3), ("b", 2)] {
            settle.observe(&seen(name, 1, s), ms(0));
        }
        let at = |p: &Path| {
            Some(seen(
                p.to_str().unwrap(),
                1,
                match p.to_str().unwrap() {
                    "c" => 1,
                    "b" => 2,
                    _ => 3,
                },
            ))
        };
        let names: Vec<_> = settle
            .ready(ms(0), &at)
            .into_iter()
            .map(|r| r.seen.path)
            .collect();
        assert_eq!(names, ["c", "b", "a"].map(PathBuf::from));
    }
}
