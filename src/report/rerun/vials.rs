//! Vials of a rerun list: one holds one dilution.

use std::collections::{HashMap, HashSet};

use super::frame::Repeat;
use crate::night::queue::Queue;
use crate::plan::tray::Tray;
use crate::runlist::Injection;

/// A place as a run list calls it: tray and vial.
type Place = (String, String);

/// Where repeats with different dilutions would be drawn from one vial, one dilution keeps the place (that which stood there,
/// else the first) and each other one gets a free place of the method's trays. Without such a place its cells stay empty, and the
/// person who runs the list fills them in.
pub(super) fn part(queue: &Queue, samples: &mut [Repeat]) {
    let before: HashMap<usize, f64> = (0..)
        .zip(queue.slots())
        .map(|(k, slot)| (k, slot.plan.dilution))
        .collect();
    let mut keeps: HashMap<Place, f64> = HashMap::new();
    for (slot, injection) in samples.iter().filter(|(_, i)| !i.vial.is_empty()) {
        let unchanged = before.get(slot) == Some(&injection.dilution);
        let kept = keeps.entry(place(injection)).or_insert(injection.dilution);
        if unchanged {
            *kept = injection.dilution;
        }
    }
    let mut free = free(queue);
    let mut moved: HashMap<(Place, u64), Place> = HashMap::new();
    for (_, injection) in samples {
        let from = place(injection);
        if keeps.get(&from).is_none_or(|d| *d == injection.dilution) {
            continue;
        }
        let key = (from, injection.dilution.to_bits());
        let to = moved
            .entry(key)
            .or_insert_with(|| free.next().unwrap_or_default());
        (injection.tray, injection.vial) = to.clone();
    }
}

fn place(injection: &Injection) -> Place {
    (injection.tray.clone(), injection.vial.clone())
}

/// Places of the method's trays in which nothing of this queue stands, in the order in which they are filled.
fn free(queue: &Queue) -> impl Iterator<Item = Place> + '_ {
    let tray: Option<&Tray> = queue.method().plan.tray.as_ref();
    let used: HashSet<Place> = queue.slots().iter().map(|s| place(&s.plan)).collect();
    tray.into_iter()
        .flat_map(|tray| {
            let places = tray.places().filter(move |p| !tray.taken.contains(p));
            places.map(move |p| (p.tray.saturating_add(1).to_string(), tray.label(p)))
        })
        .filter(move |place| !used.contains(place))
}
