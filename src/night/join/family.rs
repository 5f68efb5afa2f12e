//! An injection, its repeats, and theirs.

use std::collections::{BTreeMap, BTreeSet};

use super::{Kin, Member, Place};

/// All injections that repeat each other, directly or through others.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Family {
    nodes: BTreeMap<Place, Node>,
}

#[derive(Debug, Clone, PartialEq, Default)]
struct Node {
    /// What it repeats.
    of: Option<Place>,
    /// What it gave, where that is known.
    member: Option<Member>,
}

impl Family {
    /// Adds a place. One that nothing is known of still links the others.
    pub fn insert(&mut self, place: Place, of: Option<Place>, member: Option<Member>) {
        self.nodes.insert(place, Node { of, member });
    }

    /// The place is in it.
    pub fn contains(&self, place: &Place) -> bool {
        self.nodes.contains_key(place)
    }

    /// Every place.
    pub fn places(&self) -> impl Iterator<Item = &Place> {
        self.nodes.keys()
    }

    /// Nobody repeats anybody here.
    pub fn is_single(&self) -> bool {
        self.nodes.len() < 2
    }

    /// What is known of the others of a place's family, of its own kind, in the order in which they were made.
    pub fn kin(&self, place: &Place, kind: &str) -> Vec<Kin> {
        let mut out: Vec<Kin> = self
            .nodes
            .iter()
            .filter(|(p, _)| *p != place)
            .filter_map(|(p, node)| Some((p, node, node.member.as_ref()?)))
            .filter(|(_, _, m)| m.kind == kind)
            .map(|(p, node, m)| Kin {
                member: m.clone(),
                is_repeat: self.repeats(p, place),
                is_original: node.of.is_none() && self.repeats(place, p),
            })
            .collect();
        out.sort_by(|a, b| a.member.order().cmp(&b.member.order()));
        out
    }

    /// One repeats the other, directly or through others. People's lists may go in a circle: each place is passed once.
    fn repeats(&self, repeat: &Place, original: &Place) -> bool {
        let mut passed = BTreeSet::new();
        let mut at = repeat;
        while passed.insert(at) {
            match self.nodes.get(at).and_then(|n| n.of.as_ref()) {
                Some(of) if of == original => return true,
                Some(of) => at = of,
                None => return false,
            }
        }
        false
    }
}
