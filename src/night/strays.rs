//! Which traces without a list belong together: those between which the instrument never paused, whatever queue its other
//! traces went to. Their queue bears the date of the first of them.
//!
//! That follows from what counts now alone: from the times at which the last contents were written. So it is the same whatever
//! landed first, after a restart, and for who evaluates the folder once more. An export that is repeated may therefore part
//! a night that the first one held together.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::pace::later;

/// A trace: when it was written, and the number of its record.
pub type Mark = (Timestamp, i64);

/// So many traces are remembered.
const REMEMBERED: usize = 20_000;

/// When the traces of one instrument were written.
#[derive(Debug)]
pub(super) struct Strays {
    /// A pause of more than this parts two nights, s.
    quiet_s: f64,
    /// All of them, whatever queue they belong to.
    written: BTreeSet<Mark>,
    /// Those of them before which the instrument paused.
    starts: BTreeSet<Mark>,
    /// Those of them that no list names.
    unlisted: BTreeSet<Mark>,
    /// Everything from here on is known.
    known_from: Mark,
    /// From here on a trace may belong to another queue than before.
    doubt: Option<Mark>,
}

impl Strays {
    /// Nothing is known yet. `quiet_s`: a longer pause parts two nights.
    pub fn new(quiet_s: f64) -> Strays {
        Strays {
            quiet_s,
            written: BTreeSet::new(),
            starts: BTreeSet::new(),
            unlisted: BTreeSet::new(),
            known_from: (Timestamp::MAX, i64::MAX),
            doubt: None,
        }
    }

    fn near(&self, a: Timestamp, b: Timestamp) -> bool {
        later(a, self.quiet_s).is_none_or(|end| b <= end)
    }

    fn before(&self, mark: Mark) -> Option<Mark> {
        self.written.range(..mark).next_back().copied()
    }

    fn after(&self, mark: Mark) -> Option<Mark> {
        let mut range = self.written.range(mark..);
        range.find(|m| **m != mark).copied()
    }

    /// Notes whether the instrument paused before this trace.
    fn bound(&mut self, mark: Mark) {
        match self.before(mark) {
            Some(before) if self.near(before.0, mark.0) => self.starts.remove(&mark),
            _ => self.starts.insert(mark),
        };
    }

    /// A trace counts from now on, and whether a list names it.
    pub fn add(&mut self, mark: Mark, unlisted: bool) {
        let mut joins = false;
        if self.written.insert(mark) {
            self.bound(mark);
            if let Some(after) = self.after(mark) {
                let was_start = self.starts.contains(&after);
                self.bound(after);
                joins = was_start && !self.starts.contains(&after);
            }
        }
        let changed = match unlisted {
            true => self.unlisted.insert(mark),
            false => self.unlisted.remove(&mark),
        };
        // Whatever is not the first of its night changes nothing for the others.
        if joins || changed && self.leads(mark) {
            self.doubt_from(mark);
        }
    }

    /// A trace counts no more: another content has taken its place.
    pub fn remove(&mut self, mark: Mark) {
        let led = self.unlisted.contains(&mark) && self.leads(mark);
        if !self.written.remove(&mark) {
            return;
        }
        self.starts.remove(&mark);
        self.unlisted.remove(&mark);
        let Some(after) = self.after(mark) else {
            return;
        };
        let was_start = self.starts.contains(&after);
        self.bound(after);
        if led || self.starts.contains(&after) != was_start {
            self.doubt_from(mark);
        }
    }

    /// No trace without a list comes before this one in its night, but one may after it.
    fn leads(&self, mark: Mark) -> bool {
        let first = self.unlisted.range(self.start(mark)..mark).next().is_none();
        let after = self.after(mark);
        first && after.is_some_and(|after| self.near(mark.0, after.0))
    }

    /// Keeps so many of the latest traces as are remembered.
    pub fn trim(&mut self) {
        let over = self.written.len().saturating_sub(REMEMBERED);
        if let Some(oldest) = self.written.iter().nth(over).copied().filter(|_| over > 0) {
            self.forget_before(oldest);
        }
    }

    /// From this trace on the night may have to be parted otherwise.
    pub fn doubt_from(&mut self, mark: Mark) {
        self.doubt = Some(self.doubt.map_or(mark, |d| d.min(mark)));
    }

    /// When the night began in which this was written.
    fn start(&self, mark: Mark) -> Mark {
        match self.before(mark) {
            Some(before) if self.near(before.0, mark.0) => {
                let start = self.starts.range(..=before).next_back();
                start.copied().unwrap_or(before)
            }
            _ => mark,
        }
    }

    /// When the first trace without a list of that night was written, as far as it was not after this one.
    pub fn first(&self, at: Timestamp) -> Timestamp {
        let start = self.start((at, i64::MAX));
        let first = self.unlisted.range(start..=(at, i64::MAX)).next();
        first.map_or(at, |(first, _)| *first)
    }

    /// How far back is known, where more must be known to say where this belongs.
    pub fn missing(&self, at: Timestamp) -> Option<Mark> {
        let known = self.known_from.0;
        let parted = known <= at && !self.near(known, self.start((at, i64::MAX)).0);
        (known > Timestamp::MIN && !parted).then_some(self.known_from)
    }

    /// Everything from this trace on is known now; `None`: everything.
    pub fn known(&mut self, from: Option<Mark>) {
        self.known_from = from.unwrap_or((Timestamp::MIN, i64::MIN));
    }

    /// From when to when traces may belong to other queues than before, since the last call.
    pub fn take_doubt(&mut self) -> Option<(Timestamp, Timestamp)> {
        let doubt = self.doubt.take()?;
        let from = self.written.range(doubt..).next().copied()?;
        let next = self.starts.range(from..).find(|s| **s != from);
        // What was written then, up to the next pause.
        let to = next.map_or(Timestamp::MAX, |next| next.0);
        (!self.unlisted.is_empty()).then_some((doubt.0, to))
    }

    /// Forgets what was written before this trace.
    pub fn forget_before(&mut self, mark: Mark) {
        let cut = self.written.first().is_some_and(|first| *first < mark);
        if !cut {
            return;
        }
        for set in [&mut self.written, &mut self.starts, &mut self.unlisted] {
            *set = set.split_off(&mark);
        }
        self.known_from = self.known_from.max(mark);
        if let Some(first) = self.written.first().copied() {
            self.starts.insert(first);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp::from_second(minutes * 60).unwrap()
    }

    fn strays(marks: &[(i64, bool)]) -> Strays {
        let mut strays = Strays::new(600.0);
        strays.known(None);
        for (k, (minutes, unlisted)) in marks.iter().enumerate() {
            strays.add((at(*minutes), k as i64), *unlisted);
        }
        strays
    }

    #[test]
    fn a_night_goes_on_while_the_instrument_does() {
        let strays = strays(&[(0, true), (9, false), (18, false), (40, true)]);
        assert_eq!(strays.first(at(27)), at(0));
        assert_eq!(strays.first(at(29)), at(29));
        assert_eq!(strays.first(at(45)), at(40));
        // Before the first stray of its night.
        assert_eq!(strays.first(at(-5)), at(-5));
    }

    #[test]
    fn whatever_comes_first_the_nights_are_the_same() {
        let marks = [(0, true), (9, false), (18, true), (40, false), (48, true)];
        let mut order = [0, 1, 2, 3, 4];
        for turn in 0..24 {
            order.swap(turn % 5, (turn * 3 + 1) % 5);
            let shuffled: Vec<_> = order.iter().map(|k| marks[*k]).collect();
            let strays = strays(&shuffled);
            let firsts: Vec<_> = [0, 18, 48].map(|m| strays.first(at(m))).to_vec();
            assert_eq!(firsts, [at(0), at(0), at(48)], "{shuffled:?}");
        }
    }

    #[test]
    fn a_bridge_that_counts_no_more_parts_the_night() {
        let mut strays = strays(&[(0, true), (9, true), (18, true)]);
        assert_eq!(strays.take_doubt(), None);
        strays.remove((at(9), 1));
        assert_eq!(strays.take_doubt(), Some((at(9), Timestamp::MAX)));
        assert_eq!(strays.first(at(18)), at(18));
        strays.add((at(10), 7), false);
        assert_eq!(strays.take_doubt(), Some((at(10), Timestamp::MAX)));
        assert_eq!(strays.first(at(18)), at(0));
    }

    #[test]
    fn who_is_not_the_first_of_a_night_changes_nothing_for_the_others() {
        let mut strays = strays(&[(0, true), (9, true), (18, true), (40, true)]);
        strays.add((at(11), 7), true);
        strays.remove((at(9), 1));
        assert_eq!(strays.take_doubt(), Some((at(9), at(40))), "parted: 0, 11");
        strays.add((at(5), 8), false);
        strays.take_doubt();
        strays.add((at(12), 9), true);
        strays.add((at(13), 10), false);
        strays.add((at(13), 10), true);
        strays.remove((at(12), 9));
        assert_eq!(strays.take_doubt(), None);
        // The first one does.
        strays.remove((at(0), 0));
        assert_eq!(strays.take_doubt(), Some((at(0), at(40))));
        strays.add((at(-2), 11), true);
        assert_eq!(strays.take_doubt(), Some((at(-2), at(40))));
    }

    #[test]
    fn what_is_not_known_is_asked_for() {
        let mut strays = Strays::new(600.0);
        assert!(strays.missing(at(0)).is_some());
        strays.add((at(-5), 1), false);
        strays.known(Some((at(-5), 1)));
        // The instrument may have run before that.
        assert_eq!(strays.missing(at(0)), Some((at(-5), 1)));
        strays.add((at(-20), 0), false);
        strays.known(Some((at(-20), 0)));
        assert_eq!(strays.missing(at(0)), None);
        strays.known(None);
        assert_eq!(strays.missing(at(-100)), None);
    }

    #[test]
    fn memory_stays_bounded() {
        let mut strays = Strays::new(600.0);
        strays.known(None);
        for k in 0..REMEMBERED as i64 + 50 {
            strays.add((at(k), k), k % 2 == 0);
        }
        strays.trim();
        assert_eq!(strays.written.len(), REMEMBERED);
        assert!(strays.unlisted.len() <= REMEMBERED && strays.starts.len() == 1);
        assert_eq!(strays.missing(at(10)), Some((at(50), 50)));
    }
}
