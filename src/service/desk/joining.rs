//! Repeats and what they repeat know of each other, whichever lands, is taken up or changes first.
//!
//! What every injection of a family gave is kept in the ledger. When it changes, the queues of the family are taken up,
//! their injections get what the others gave, and they are judged once more. So the end is the same whatever came first, and
//! the work is that of one family, however long the history.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::{Desk, DeskError};
use crate::ledger::{Ledger, LedgerError, Relation};
use crate::night::join::{self, Origin, Place};
use crate::night::queue::{Changes, Queue, Slot};
use crate::night::station::UNLISTED;
use crate::runlist::Kind;

/// What joins the queues of a station.
#[derive(Debug, Default)]
pub(super) struct Joins {
    /// Queues that were taken up for a family's sake and not judged yet: their other families know them as they are.
    called: BTreeSet<String>,
    /// Queues that a repeat needed, and when last.
    needed: BTreeMap<String, Timestamp>,
    /// Places whose families lost somebody.
    bereft: BTreeSet<Place>,
}

impl Joins {
    /// When a repeat last needed this queue.
    pub(super) fn needed(&self, queue: &str) -> Option<Timestamp> {
        self.needed.get(queue).copied()
    }

    /// The queue is needed now.
    pub(super) fn need(&mut self, queue: &str, now: Timestamp) {
        self.needed.insert(queue.to_owned(), now);
    }

    /// The queue has left the memory.
    pub(super) fn forget(&mut self, queue: &str) {
        self.needed.remove(queue);
        self.called.remove(queue);
    }
}

impl Desk {
    /// Judges what is touched, until every repeat and what it repeats know of each other.
    pub(super) fn judged(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<Vec<(String, Changes)>, DeskError> {
        let mut all: BTreeMap<String, Changes> = BTreeMap::new();
        loop {
            let news = self.night.judge(now);
            let touched = self.relate(ledger, &news)?;
            for (queue, changes) in news {
                all.entry(queue).or_default().extend(changes);
            }
            if touched.is_empty() {
                return Ok(all.into_iter().collect());
            }
            self.acquaint(ledger, touched, now)?;
        }
    }

    /// Gives a queue that is taken up what the families of its injections gave.
    pub(super) fn introduce(&mut self, ledger: &Ledger, queue: &str) -> Result<(), DeskError> {
        for stem in ledger.related_stems(&self.station.name, queue)? {
            let place = Place::new(queue, &stem);
            let family = ledger.family(&self.station.name, &place)?;
            if let Some(kind) = self.kind_at(&place) {
                let kin = family.kin(&place, kind.word());
                self.night.set_kin(queue, &stem, kin);
            }
        }
        Ok(())
    }

    /// A queue is dropped: what its injections repeated or were repeated by must know.
    pub(super) fn bereave(&mut self, ledger: &mut Ledger, queue: &str) -> Result<(), DeskError> {
        for stem in ledger.related_stems(&self.station.name, queue)? {
            self.part(ledger, Place::new(queue, &stem))?;
        }
        Ok(())
    }

    fn part(&mut self, ledger: &mut Ledger, place: Place) -> Result<(), DeskError> {
        let family = ledger.family(&self.station.name, &place)?;
        self.joins.bereft.extend(family.places().cloned());
        ledger.drop_relation(&self.station.name, &place)?;
        Ok(())
    }

    fn kind_at(&self, place: &Place) -> Option<Kind> {
        let queue = self.night.queues().get(&place.queue)?;
        queue.slot_of(&place.stem).map(|s| s.plan.kind)
    }

    /// Keeps what changed; gives the places whose families must hear of it.
    fn relate(
        &mut self,
        ledger: &mut Ledger,
        news: &[(String, Changes)],
    ) -> Result<BTreeSet<Place>, DeskError> {
        let mut touched = BTreeSet::new();
        for (name, changes) in news {
            // What only learned of its repeats has nothing new to tell.
            if !changes.rebuilt && changes.slots.is_empty() {
                continue;
            }
            let mut known = BTreeSet::new();
            if changes.rebuilt {
                known = ledger.related_stems(&self.station.name, name)?;
                self.part_gone(ledger, name, &known)?;
            }
            let called = changes.rebuilt && self.joins.called.remove(name);
            touched.extend(self.relate_queue(ledger, name, changes, &known, called)?);
        }
        touched.append(&mut self.joins.bereft);
        Ok(touched)
    }

    /// Injections that a changed list no longer names, or names as something else.
    fn part_gone(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        known: &BTreeSet<String>,
    ) -> Result<(), DeskError> {
        for stem in known {
            let place = Place::new(queue, stem);
            let here = self.kind_at(&place).is_some_and(join::can_join);
            if !here && ledger.relation(&self.station.name, &place)?.is_some() {
                self.part(ledger, place)?;
            }
        }
        Ok(())
    }

    fn relate_queue(
        &self,
        ledger: &mut Ledger,
        name: &str,
        changes: &Changes,
        known: &BTreeSet<String>,
        called: bool,
    ) -> Result<BTreeSet<Place>, DeskError> {
        let mut touched = BTreeSet::new();
        let Some(queue) = self.night.queues().get(name) else {
            return Ok(touched);
        };
        let station = self.station.name.as_str();
        let marked = ledger.has_marked(station)?;
        let all = if changes.rebuilt {
            0..queue.slots().len()
        } else {
            0..0
        };
        let some = changes.slots.iter().copied().filter(|_| !changes.rebuilt);
        for slot in all.chain(some).filter_map(|k| queue.slots().get(k)) {
            if !join::can_join(slot.plan.kind) {
                continue;
            }
            let stem = slot.plan.stem.as_str();
            if marked {
                self.find_again(ledger, stem, &mut touched)?;
            }
            let related = known.contains(stem) || !queue.kin_of(stem).is_empty();
            if self.keep_slot(ledger, queue, slot, related, &mut touched)?
                || known.contains(stem) && !called
            {
                touched.insert(Place::new(name, stem));
            }
        }
        Ok(touched)
    }

    /// Keeps what one injection repeats and gave; true where that is news.
    fn keep_slot(
        &self,
        ledger: &mut Ledger,
        queue: &Queue,
        slot: &Slot,
        related: bool,
        touched: &mut BTreeSet<Place>,
    ) -> Result<bool, DeskError> {
        let origin = join::origin(&slot.plan, &queue.extra);
        if origin.is_none() && !related {
            return Ok(false);
        }
        let Some(member) = join::member(queue, slot) else {
            return Ok(false);
        };
        let (of, base) = match origin {
            None => (None, None),
            Some(Origin::Named(place)) => (Some(place), None),
            Some(Origin::Stem(base)) => (
                self.find(ledger, &member, &base, slot.plan.kind)?,
                Some(base),
            ),
        };
        // A list that names an injection as its own repeat says nothing.
        let of = of.filter(|p| *p != member.place());
        let place = member.place();
        let relation = Relation { of, base, member };
        let before = ledger.relation(&self.station.name, &place)?;
        if before.as_ref() == Some(&relation) {
            return Ok(false);
        }
        touched.extend(before.and_then(|b| b.of));
        ledger.keep_relation(&self.station.name, &relation)?;
        Ok(true)
    }

    /// Keeps an injection of a family of which nothing was kept, since nothing repeated it until now.
    fn keep_place(&self, ledger: &mut Ledger, place: &Place) -> Result<(), DeskError> {
        if let Some(queue) = self.night.queues().get(&place.queue)
            && let Some(slot) = queue.slot_of(&place.stem)
            && ledger.relation(&self.station.name, place)?.is_none()
        {
            self.keep_slot(ledger, queue, slot, true, &mut BTreeSet::new())?;
        }
        Ok(())
    }

    /// An injection of this stem is here now: those whose files' names say that they repeat it may have found theirs.
    fn find_again(
        &self,
        ledger: &mut Ledger,
        stem: &str,
        touched: &mut BTreeSet<Place>,
    ) -> Result<(), DeskError> {
        for place in ledger.marked(&self.station.name, stem)? {
            let Some(mut relation) = ledger.relation(&self.station.name, &place)? else {
                continue;
            };
            let Some(kind) = Kind::parse(&relation.member.kind) else {
                continue;
            };
            let of = self.find(ledger, &relation.member, stem, kind)?;
            if of != relation.of {
                touched.extend(std::mem::replace(&mut relation.of, of));
                touched.insert(place);
                ledger.keep_relation(&self.station.name, &relation)?;
            }
        }
        Ok(())
    }

    /// Where a repeat's original stands, of which only the stem is known: in the same queue, else in the newest one before.
    fn find(
        &self,
        ledger: &Ledger,
        repeat: &join::Member,
        base: &str,
        kind: Kind,
    ) -> Result<Option<Place>, LedgerError> {
        let own = Place::new(&repeat.queue, base);
        if base != repeat.stem && self.kind_at(&own) == Some(kind) {
            return Ok(Some(own));
        }
        let station = self.station.name.as_str();
        let word = Some(kind.word());
        // Two: one of them may be the repeat's own queue.
        let mut candidates = ledger.listing(station, base, word, repeat.when, 2)?;
        if candidates.iter().all(|(queue, _)| *queue == repeat.queue) {
            let oldest = Timestamp::UNIX_EPOCH;
            candidates.extend(ledger.listing(station, base, word, oldest, 2)?);
        }
        candidates.extend(ledger.landed_in(station, base, UNLISTED)?);
        candidates.retain(|(queue, _)| *queue != repeat.queue);
        let queue = join::nearest(&candidates, repeat.when);
        Ok(queue.map(|queue| Place::new(queue, base)))
    }

    /// Takes up the queues of these places' families, and tells each injection what the others gave.
    fn acquaint(
        &mut self,
        ledger: &mut Ledger,
        touched: BTreeSet<Place>,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let mut done: BTreeSet<Place> = BTreeSet::new();
        for place in touched {
            if done.contains(&place) {
                continue;
            }
            let found = ledger.family(&self.station.name, &place)?;
            for place in found.places() {
                self.call(ledger, &place.queue, now)?;
                self.keep_place(ledger, place)?;
            }
            // With what was not kept until now.
            let family = ledger.family(&self.station.name, &place)?;
            for place in family.places() {
                if let Some(kind) = self.kind_at(place) {
                    let kin = family.kin(place, kind.word());
                    self.night.set_kin(&place.queue, &place.stem, kin);
                }
                done.insert(place.clone());
            }
        }
        Ok(())
    }

    /// Takes up a queue of a family, as it was: one that had ended has ended.
    fn call(&mut self, ledger: &mut Ledger, queue: &str, now: Timestamp) -> Result<(), DeskError> {
        self.joins.need(queue, now);
        self.take_up_as_it_was(ledger, queue)
    }

    /// Takes up a queue as it was, whose families have nothing new to hear of it.
    pub(super) fn take_up_as_it_was(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
    ) -> Result<(), DeskError> {
        if self.loaded.contains(queue) {
            return Ok(());
        }
        if let Some(ended) = ledger.has_ended(&self.station.name, queue)? {
            self.load(ledger, queue)?;
            self.joins.called.insert(queue.to_owned());
            if ended {
                self.night.resume_ended(queue);
            }
        }
        Ok(())
    }
}
