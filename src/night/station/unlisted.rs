//! Traces that no list names: to which night each of them belongs.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;

use super::{Station, UNLISTED};
use crate::night::Landing;
use crate::night::queue::Queue;
use crate::night::strays::Mark;

impl Station {
    /// Takes some of what has landed out of an unlisted queue.
    pub(super) fn take_out(
        &mut self,
        name: &str,
        which: impl Fn(&Landing) -> bool,
    ) -> Vec<Arc<Landing>> {
        let Some(mut old) = self.queues.remove(name) else {
            return Vec::new();
        };
        let alerts = old.take_alerts();
        let landings = old.take_landings().into_iter();
        let (out, rest): (Vec<_>, Vec<_>) = landings.partition(|l| which(l.as_ref()));
        if rest.is_empty() {
            self.emptied.insert(name.to_owned());
            return out;
        }
        let mut queue = Queue::unlisted(name, &self.terms);
        queue.remember(alerts);
        self.queues.insert(name.to_owned(), queue);
        for landing in rest {
            self.place_unlisted(name, landing);
        }
        out
    }

    /// What lies in an unlisted queue and belongs to another one, now that more is known: both queues, and its record.
    pub fn misplaced(&self) -> Vec<(String, String, i64)> {
        let mut out = Vec::new();
        for (name, queue) in self.queues.iter().filter(|(n, _)| n.starts_with(UNLISTED)) {
            for landing in queue.slots().iter().filter_map(|s| s.landing.as_ref()) {
                let home = self.queue_of(&landing.stem, landing.modified);
                if home != *name {
                    out.push((name.clone(), home, landing.id));
                }
            }
        }
        out
    }

    /// Moves what is misplaced to where it belongs.
    pub fn part_nights(&mut self) {
        let mut out: BTreeMap<String, BTreeSet<i64>> = BTreeMap::new();
        for (from, _, id) in self.misplaced() {
            out.entry(from).or_default().insert(id);
        }
        let mut loose = Vec::new();
        for (name, ids) in &out {
            loose.extend(self.take_out(name, |l| ids.contains(&l.id)));
        }
        loose.sort_by_key(|l| l.id);
        for landing in loose {
            self.land(landing);
        }
    }

    /// The unlisted queue that goes on at this time, or a new one of this date.
    pub(super) fn unlisted_name(&self, modified: Timestamp) -> String {
        let first = self.strays.first(modified);
        format!("{UNLISTED}{}", crate::text::local(first, &self.zone).date())
    }

    /// A trace of the ledger that counts, and whether it lies in an unlisted queue: see [`Station::missing`].
    pub fn know(&mut self, mark: Mark, unlisted: bool) {
        self.strays.add(mark, unlisted);
    }

    /// All traces of the ledger from this one on are known; `None`: all there are.
    pub fn known_from(&mut self, from: Option<Mark>) {
        self.strays.known(from);
    }

    /// Traces of the ledger before this one must be known to say where one without a list belongs that was written then.
    pub fn missing(&self, modified: Timestamp) -> Option<Mark> {
        self.strays.missing(modified)
    }

    /// Traces without a list that were written between these times may belong to other queues than before the last call.
    pub fn take_doubt(&mut self) -> Option<(Timestamp, Timestamp)> {
        self.strays.take_doubt()
    }

    /// An unlisted queue from the ledger of which everything has moved elsewhere.
    pub fn leave_if_empty(&mut self, queue: &str) {
        let empty = self.queues.get(queue).is_none_or(|q| !q.has_begun());
        if !self.lists.contains_key(queue) && empty {
            self.queues.remove(queue);
            self.emptied.insert(queue.to_owned());
        }
    }

    /// Forgets when traces were written of which too many are remembered.
    pub fn trim(&mut self) {
        self.strays.trim();
    }

    /// When what lies in the unlisted queues in memory was written.
    pub fn unlisted_times(&self) -> Vec<Timestamp> {
        let unlisted = self.queues.iter().filter(|(n, _)| n.starts_with(UNLISTED));
        unlisted
            .flat_map(|(_, q)| q.slots().iter().filter_map(|s| s.landing.as_ref()))
            .map(|l| l.modified)
            .collect()
    }

    /// Forgets which files were written before this time: the ledger knows.
    pub fn forget_activity(&mut self, before: Timestamp) {
        self.strays.forget_before((before, i64::MIN));
    }
}
