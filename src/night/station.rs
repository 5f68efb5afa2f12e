//! One station: routes what lands to the queue where it belongs, whenever the run list comes.

mod unlisted;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Landing;
use super::alarm::{Alert, AlertChanges, Alerts};
use super::join::Kin;
use super::pace::QUIET_CYCLES;
use super::queue::{Changes, Queue, Terms};
use super::strays::Strays;
use crate::runlist::pattern::Pattern;
use crate::runlist::{Injection, Kind, RunList};

pub use crate::runlist::UNLISTED;

/// A run list in use.
#[derive(Debug, Clone)]
struct Listed {
    list: Arc<RunList>,
    modified: Timestamp,
}

/// The queues of one instrument that are in memory, and the run lists that rule them.
#[derive(Debug)]
pub struct Station {
    terms: Terms,
    pattern: Option<Pattern>,
    zone: TimeZone,
    lists: BTreeMap<String, Listed>,
    /// Stem → queues whose list names it.
    named: HashMap<String, Vec<String>>,
    queues: BTreeMap<String, Queue>,
    emptied: BTreeSet<String>,
    /// When files were written: it says which traces without a list belong together.
    strays: Strays,
}

impl Station {
    /// A station without lists and queues.
    pub fn new(terms: Terms, pattern: Option<Pattern>, zone: TimeZone) -> Station {
        let quiet_s = terms.method.cycle_s() * terms.time_scale * QUIET_CYCLES;
        Station {
            terms,
            pattern,
            zone,
            lists: BTreeMap::new(),
            named: HashMap::new(),
            queues: BTreeMap::new(),
            emptied: BTreeSet::new(),
            strays: Strays::new(quiet_s),
        }
    }

    /// What its queues are judged with.
    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// The queues in memory.
    pub fn queues(&self) -> &BTreeMap<String, Queue> {
        &self.queues
    }

    /// One of them, for what goes on beside its injections.
    pub fn queue_mut(&mut self, name: &str) -> Option<&mut Queue> {
        self.queues.get_mut(name)
    }

    /// The list of a queue, where it has one.
    pub fn list(&self, queue: &str) -> Option<&RunList> {
        self.lists.get(queue).map(|l| l.list.as_ref())
    }

    /// When the list of a queue was written.
    pub fn list_modified(&self, queue: &str) -> Option<Timestamp> {
        self.lists.get(queue).map(|l| l.modified)
    }

    /// Gives a queue the alerts that the ledger remembers, before anything lands in it.
    pub fn remember(&mut self, queue: &str, alerts: Alerts) {
        self.queue(queue).remember(alerts);
    }

    /// A run list that came, came late, or changed. What has landed already moves to where it now belongs.
    pub fn set_list(&mut self, name: &str, list: Arc<RunList>, modified: Timestamp) {
        let mut loose = Vec::new();
        let mut alerts = Alerts::default();
        let mut pressure = None;
        let mut made = super::made::Made::default();
        let mut pending = AlertChanges::default();
        let mut kin = HashMap::new();
        if let Some(mut old) = self.queues.remove(name) {
            alerts = old.take_alerts();
            pressure = old.pressure.take();
            made = std::mem::take(&mut old.made);
            pending = std::mem::take(old.pending_alerts());
            kin = old.take_kin();
            loose.extend(old.take_landings());
        }
        self.use_list(name, Arc::clone(&list), modified);
        let mut queue = Queue::planned(name, &self.terms, &list);
        queue.dated = Some(modified);
        queue.remember(alerts);
        queue.pressure = pressure;
        queue.made = made;
        queue.pending_alerts().extend(pending);
        queue.remember_kin(kin);
        self.queues.insert(name.to_owned(), queue);
        loose.extend(self.take_unlisted(&list));
        loose.sort_by_key(|l| l.id);
        for landing in loose {
            self.land(landing);
        }
    }

    /// A run list that ruled before: nothing that has landed changes its place for it, and its queue is planned again.
    pub fn take_up(&mut self, name: &str, list: Arc<RunList>, modified: Timestamp) {
        self.use_list(name, list, modified);
        self.queue(name);
    }

    /// The work is that of one list, however many there are.
    fn use_list(&mut self, name: &str, list: Arc<RunList>, modified: Timestamp) {
        self.drop_list(name);
        for injection in &list.injections {
            let names = self.named.entry(injection.stem.clone()).or_default();
            // In the order of their names: where two lists are of one time, it decides.
            if let Err(at) = names.binary_search_by(|n| n.as_str().cmp(name)) {
                names.insert(at, name.to_owned());
            }
        }
        self.lists
            .insert(name.to_owned(), Listed { list, modified });
    }

    fn drop_list(&mut self, name: &str) -> bool {
        let Some(old) = self.lists.remove(name) else {
            return false;
        };
        for injection in &old.list.injections {
            if let Some(names) = self.named.get_mut(&injection.stem) {
                names.retain(|n| n != name);
                if names.is_empty() {
                    self.named.remove(&injection.stem);
                }
            }
        }
        true
    }

    /// Landings that lie in unlisted queues and are named by this list.
    fn take_unlisted(&mut self, list: &RunList) -> Vec<Arc<Landing>> {
        let named: BTreeSet<&str> = list.injections.iter().map(|i| i.stem.as_str()).collect();
        let mut out = Vec::new();
        let touched: Vec<String> = self
            .queues
            .iter()
            .filter(|(name, q)| {
                name.starts_with(UNLISTED)
                    && q.slots()
                        .iter()
                        .any(|s| named.contains(s.plan.stem.as_str()))
            })
            .map(|(name, _)| name.clone())
            .collect();
        for name in touched {
            out.extend(self.take_out(&name, |l| named.contains(l.stem.as_str())));
        }
        out
    }

    /// Queues that lost everything to a late list since the last call: their results are to be removed.
    pub fn take_emptied(&mut self) -> BTreeSet<String> {
        std::mem::take(&mut self.emptied)
    }

    /// The queue to which a file of this stem, written at this time, belongs.
    ///
    /// Several lists may name a stem (`blank-1` every night): then the newest list that is not newer than the file
    /// counts, and where all are newer, the oldest.
    pub fn queue_of(&self, stem: &str, modified: Timestamp) -> String {
        let Some(names) = self.named.get(stem) else {
            return self.unlisted_name(modified);
        };
        let dated = |n: &&String| self.lists.get(*n).map(|l| l.modified);
        let before = names
            .iter()
            .filter(|n| dated(n).is_some_and(|m| m <= modified))
            .max_by_key(dated);
        before
            .or_else(|| names.iter().min_by_key(dated))
            .cloned()
            .unwrap_or_else(|| self.unlisted_name(modified))
    }

    fn queue(&mut self, name: &str) -> &mut Queue {
        let terms = &self.terms;
        let lists = &self.lists;
        self.queues
            .entry(name.to_owned())
            .or_insert_with(|| match lists.get(name) {
                Some(listed) => {
                    let mut queue = Queue::planned(name, terms, &listed.list);
                    queue.dated = Some(listed.modified);
                    queue
                }
                None => Queue::unlisted(name, terms),
            })
    }

    /// A trace has landed; gives the name of its queue.
    pub fn land(&mut self, landing: Arc<Landing>) -> String {
        let name = self.queue_of(&landing.stem, landing.modified);
        let listed = self.lists.contains_key(&name);
        let slot = self
            .queues
            .get(&name)
            .and_then(|q| q.slot_of(&landing.stem));
        let before = slot.and_then(|s| s.landing.as_ref());
        let before = before.map(|b| (b.modified, b.id));
        if before.is_some_and(|(_, id)| id > landing.id) {
            // Two nights became one: the last content counts.
            self.strays.remove((landing.modified, landing.id));
            return name;
        }
        let replaced = before.filter(|(_, id)| *id != landing.id);
        if let Some(mark) = replaced {
            self.strays.remove(mark);
        }
        let mark = (landing.modified, landing.id);
        self.strays.add(mark, !listed);
        if replaced.is_some() && !listed {
            // Its place was found while what it replaces still counted.
            self.strays.doubt_from(mark);
        }
        if listed {
            self.queue(&name).land(landing);
        } else {
            self.place_unlisted(&name, landing);
        }
        name
    }

    fn place_unlisted(&mut self, name: &str, landing: Arc<Landing>) {
        let plan = self.plan_from_name(&landing.stem);
        self.emptied.remove(name);
        self.queue(name).land_unlisted(plan, landing);
    }

    /// What a file's name says where no list does: the configured pattern, else a sample named by its stem.
    fn plan_from_name(&self, stem: &str) -> Injection {
        self.pattern
            .as_ref()
            .and_then(|p| p.apply(stem))
            .map(|n| n.into_injection(stem, 0))
            .unwrap_or_else(|| Injection {
                position: 0,
                tray: String::new(),
                vial: String::new(),
                kind: Kind::Sample,
                name: stem.to_owned(),
                stem: stem.to_owned(),
                volume_ul: None,
                dilution: 1.0,
                level: String::new(),
                series: String::new(),
                time_h: None,
                replicate: String::new(),
                extra: Vec::new(),
            })
    }

    /// Judges what the list of a queue needs: it has just been taken up.
    pub fn plan_budget(&mut self, queue: &str, now: Timestamp) {
        if let Some(queue) = self.queues.get_mut(queue) {
            queue.plan_budget(now);
        }
    }

    /// The same for lists that came back from the ledger, those of queues that have `ended` apart.
    pub fn plan_budgets_again(&mut self, ended: &BTreeSet<String>, now: Timestamp) {
        let listed = |name: &String| self.lists.contains_key(name) && !ended.contains(name);
        for (_, queue) in self.queues.iter_mut().filter(|(name, _)| listed(name)) {
            queue.plan_budget_again(now);
        }
    }

    /// Lets time pass in all queues.
    pub fn tick(&mut self, now: Timestamp) {
        for queue in self.queues.values_mut() {
            queue.tick(now);
        }
    }

    /// This machine's clock was set, or it slept: see [`Queue::clock_moved`].
    pub fn clock_moved(&mut self, by: SignedDuration) {
        for queue in self.queues.values_mut() {
            queue.clock_moved(by);
        }
    }

    /// No further trace will come: `process` says so at once.
    pub fn end(&mut self) {
        for queue in self.queues.values_mut().filter(|q| q.has_begun()) {
            queue.end();
        }
    }

    /// The next time at which [`Station::tick`] has something to do.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        self.queues.values().filter_map(Queue::next_deadline).min()
    }

    /// Judges what is touched; queues in which nothing has landed yet stay silent, conditions apart.
    pub fn judge(&mut self, now: Timestamp) -> Vec<(String, Changes)> {
        let mut out = Vec::new();
        let awake = |q: &Queue| q.has_begun() || q.has_pending();
        for (name, queue) in self.queues.iter_mut().filter(|(_, q)| awake(q)) {
            let changes = queue.judge(now);
            if !changes.is_empty() {
                out.push((name.clone(), changes));
            }
        }
        out
    }

    /// The unlisted queue in which something landed last.
    pub fn newest_unlisted(&self) -> Option<String> {
        let begun = self
            .queues
            .iter()
            .filter(|(n, q)| n.starts_with(UNLISTED) && q.has_begun());
        begun
            .max_by_key(|(_, q)| q.pace().last())
            .map(|(n, _)| n.clone())
    }

    /// Raises a condition of the station in a queue; `None` where it is open there already.
    pub fn raise_condition(&mut self, queue: &str, alert: &Alert) -> Option<AlertChanges> {
        self.queues.get_mut(queue)?.raise(alert)
    }

    /// Clears a condition of the station in every queue where it is open.
    pub fn clear_condition(&mut self, key: &str, now: Timestamp) -> Vec<(String, AlertChanges)> {
        let clear =
            |(name, queue): (&String, &mut Queue)| Some((name.clone(), queue.clear(key, now)?));
        self.queues.iter_mut().filter_map(clear).collect()
    }

    /// Gives an injection the others of its family; nothing where its queue is not in memory.
    pub fn set_kin(&mut self, queue: &str, stem: &str, kin: Vec<Kin>) {
        if let Some(queue) = self.queues.get_mut(queue) {
            queue.set_kin(stem, kin);
        }
    }

    /// A queue that was taken up again had ended before.
    pub fn resume_ended(&mut self, queue: &str) {
        if let Some(queue) = self.queues.get_mut(queue) {
            queue.resume_ended();
        }
    }

    /// Forgets a queue and its list; true where it had one. Its results stand, its records stay in the ledger, and
    /// [`Station::take_up`] brings its list back.
    pub fn forget(&mut self, queue: &str) -> bool {
        self.queues.remove(queue);
        self.drop_list(queue)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{mid, start, terms};
    use crate::reading::Evaluation;

    fn landing(stem: &str, minutes: i64) -> Arc<Landing> {
        let modified = start()
            .checked_add(SignedDuration::from_mins(minutes))
            .unwrap();
        Arc::new(Landing {
            id: minutes,
            stem: stem.to_owned(),
            file_name: format!("{stem}.csv"),
            sha256: String::new(),
            modified,
            landed_at: modified,
            revision: 1,
            evaluation: Evaluation::Read(mid(&[1.0, 1.0])),
        })
    }

    #[test]
    fn strays_of_one_night_share_a_queue_while_the_instrument_goes_on() {
        let mut station = Station::new(terms(), None, TimeZone::UTC);
        // From 16:00 UTC over midnight: strays are hours apart, and other traces land between them.
        let list = crate::night::fixture::Night::new(&"s".repeat(30)).list();
        station.set_list("crocks", Arc::new(list), start());
        assert_eq!(station.land(landing("stray-1", 0)), "unlisted-2026-09-21");
        for k in 1..=30 {
            assert_eq!(station.land(landing(&format!("t-{k}"), 23 * k)), "crocks");
        }
        assert_eq!(
            station.land(landing("stray-2", 23 * 30 + 5)),
            "unlisted-2026-09-21"
        );
        let next_day = 23 * 30 + 5 + 70;
        assert_eq!(
            station.land(landing("stray-3", next_day)),
            "unlisted-2026-09-22"
        );
    }
}
