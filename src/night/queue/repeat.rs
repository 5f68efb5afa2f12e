//! What repeats in this or another queue do for this one's results.
//!
//! The rule, for each analyte of a sample: the first injection stands where it is accepted; else the last accepted repeat
//! takes its place; else what is provisional stands as provisional, the first injection before its repeats. A repeat that
//! failed replaces nothing. A sample counts once in its replicate group, however often it was injected.

use std::collections::{BTreeMap, HashMap};

use jiff::Timestamp;

use super::{Queue, Slot};
use crate::night::Verdict;
use crate::night::join::{self, Kin, Member, Outcome, Place};

/// The result that stands for a sample of a replicate group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing<'a> {
    /// The slot for which it stands.
    pub slot: usize,
    /// `Accepted` or `Provisional`.
    pub verdict: Verdict,
    /// As in the sheet of its queue; `None`: no peak, or no calibration.
    pub concentration: Option<f64>,
    /// The repeat that gave it; `None`: the slot itself.
    pub repeat: Option<&'a Member>,
}

/// One injection of a sample with what it gave.
struct Candidate<'a> {
    order: (Timestamp, &'a str, u64),
    original: bool,
    standing: Standing<'a>,
}

impl Queue {
    /// Gives an injection the others of its family, in the order in which they were made.
    pub fn set_kin(&mut self, stem: &str, kin: Vec<Kin>) {
        if self.kin_of(stem) == kin {
            return;
        }
        if kin.is_empty() {
            self.kin.remove(stem);
        } else {
            self.kin.insert(stem.to_owned(), kin);
        }
        let slot = self.by_stem.get(stem).and_then(|k| self.slots.get(*k));
        self.regroup.extend(slot.and_then(|s| s.group));
        self.rejoined = true;
    }

    /// The others of an injection's family, in the order in which they were made.
    pub fn kin_of(&self, stem: &str) -> &[Kin] {
        self.kin.get(stem).map(Vec::as_slice).unwrap_or_default()
    }

    /// Takes the families out: what a rebuilt queue goes on with.
    pub fn take_kin(&mut self) -> HashMap<String, Vec<Kin>> {
        std::mem::take(&mut self.kin)
    }

    /// Takes over the families of the queue that this one is rebuilt from.
    pub fn remember_kin(&mut self, kin: HashMap<String, Vec<Kin>>) {
        self.kin = kin;
    }

    /// Stems of all known repeats.
    pub fn kin_stems(&self) -> impl Iterator<Item = &str> {
        self.kin.values().flatten().map(|k| k.member.stem.as_str())
    }

    fn outcome<'a>(&self, kin: &'a Kin, analyte: usize) -> Option<&'a Outcome> {
        let analyte = self.method.analytes.get(analyte)?;
        kin.member.outcome(&analyte.name, &analyte.unit)
    }

    fn kin_with(&self, slot: &Slot, analyte: usize, wanted: Verdict, repeats: bool) -> bool {
        self.kin_of(&slot.plan.stem).iter().any(|k| {
            (k.is_repeat || !repeats) && self.outcome(k, analyte).map(|o| o.verdict) == Some(wanted)
        })
    }

    /// A repeat has taken the place of this result, which failed.
    pub fn is_replaced(&self, slot: &Slot, analyte: usize) -> bool {
        failed(slot, analyte)
            && (self.kin_with(slot, analyte, Verdict::Accepted, true)
                || self.kin_with(slot, analyte, Verdict::Provisional, true))
    }

    /// This result failed, and another injection of the same sample gave it: nothing must be injected again for it.
    pub fn is_covered(&self, slot: &Slot, analyte: usize) -> bool {
        self.is_replaced(slot, analyte)
            || failed(slot, analyte) && self.kin_with(slot, analyte, Verdict::Accepted, false)
    }

    /// This result failed and no other injection of the sample gave it, and this is the last one that was tried: its
    /// queue's rerun list asks for it, and no other does.
    pub fn asks_again(&self, slot: &Slot, analyte: usize) -> bool {
        let own = (self.when(slot), self.name.as_str(), slot.plan.position);
        let tried_later = |k: &Kin| {
            let failed = self.outcome(k, analyte).map(|o| o.verdict) == Some(Verdict::Rerun);
            failed && k.member.order() > own
        };
        failed(slot, analyte)
            && !self.is_covered(slot, analyte)
            && !self.kin_of(&slot.plan.stem).iter().any(tried_later)
    }

    /// Results of samples and calibrators failed, and repeats have taken the place of every one of them.
    pub fn is_repaired(&self) -> bool {
        let analytes = self.method.analytes.len();
        let mut rows = self
            .slots
            .iter()
            .filter(|s| join::can_join(s.plan.kind))
            .flat_map(|s| (0..analytes).map(move |a| (s, a)))
            .filter(|(s, a)| failed(s, *a))
            .peekable();
        self.ended && rows.peek().is_some() && rows.all(|(s, a)| self.is_replaced(s, a))
    }

    /// When an injection was made; of one that never came, when its list was written.
    pub(in crate::night) fn when(&self, slot: &Slot) -> Timestamp {
        let landed = slot.landing.as_ref().map(|l| l.modified);
        landed.or(self.dated).unwrap_or(Timestamp::UNIX_EPOCH)
    }

    /// The members of a replicate group by sample, in the order of their first injection.
    pub fn samples_of(&self, group: usize) -> Vec<Vec<usize>> {
        let members = self.groups.get(group).map(|g| g.members.as_slice());
        let mut samples: Vec<Vec<usize>> = Vec::new();
        let mut index: BTreeMap<Place, usize> = BTreeMap::new();
        for &m in members.unwrap_or_default() {
            let Some(slot) = self.slots.get(m) else {
                continue;
            };
            let own = Place::new(&self.name, &slot.plan.stem);
            let kin = self.kin_of(&slot.plan.stem).iter();
            // What all of a family have in common: its first place.
            let family = kin.map(|k| k.member.place()).chain([own]).min();
            match family.and_then(|f| match index.get(&f) {
                Some(at) => samples.get_mut(*at),
                None => {
                    index.insert(f, samples.len());
                    None
                }
            }) {
                Some(sample) => sample.push(m),
                None => samples.push(vec![m]),
            }
        }
        samples
    }

    /// What stands for a sample, given by its slots in this queue; `None` where nothing of it is accepted or provisional.
    pub fn standing(&self, sample: &[usize], analyte: usize) -> Option<Standing<'_>> {
        let all = self.candidates(sample, analyte);
        let originals = all.iter().filter(|c| c.original).count();
        let pick = |wanted: Verdict| {
            let of = || all.iter().filter(move |c| c.standing.verdict == wanted);
            of().find(|c| c.original && originals == 1)
                .or_else(|| of().max_by(|a, b| a.order.cmp(&b.order)))
                .map(|c| c.standing)
        };
        pick(Verdict::Accepted).or_else(|| pick(Verdict::Provisional))
    }

    /// The sample's own slots, and what repeats them elsewhere.
    fn candidates(&self, sample: &[usize], analyte: usize) -> Vec<Candidate<'_>> {
        let slots = || {
            sample
                .iter()
                .filter_map(|m| Some((*m, self.slots.get(*m)?)))
        };
        let own = |stem: &str| slots().any(|(_, s)| s.plan.stem == stem);
        let is_repeat = |stem: &str| {
            let kin = |s: &Slot| {
                let same = |k: &&Kin| k.member.queue == self.name && k.member.stem == stem;
                self.kin_of(&s.plan.stem)
                    .iter()
                    .find(same)
                    .is_some_and(|k| k.is_repeat)
            };
            slots().any(|(_, s)| s.plan.stem != stem && kin(s))
        };
        let mut out: Vec<Candidate<'_>> = Vec::new();
        for (m, slot) in slots() {
            let Some(verdict) = slot.rows.get(analyte).and_then(|r| r.verdict) else {
                continue;
            };
            let line = slot.assessment.lines.get(analyte);
            out.push(Candidate {
                order: (self.when(slot), &self.name, slot.plan.position),
                original: !is_repeat(&slot.plan.stem),
                standing: Standing {
                    slot: m,
                    verdict,
                    concentration: line.and_then(|l| l.concentration),
                    repeat: None,
                },
            });
        }
        for (m, slot) in slots() {
            for kin in self.kin_of(&slot.plan.stem).iter().filter(|k| k.is_repeat) {
                let here = kin.member.queue == self.name && own(&kin.member.stem);
                let known = out.iter().any(|c| c.standing.repeat == Some(&kin.member));
                let Some(outcome) = self.outcome(kin, analyte).filter(|_| !here && !known) else {
                    continue;
                };
                out.push(Candidate {
                    order: kin.member.order(),
                    original: false,
                    standing: Standing {
                        slot: m,
                        verdict: outcome.verdict,
                        concentration: outcome.concentration,
                        repeat: Some(&kin.member),
                    },
                });
            }
        }
        out
    }

    /// Concentrations of a group that enter its mean: the accepted ones, and in their absence the provisional ones.
    pub fn averaged(&self, group: usize, analyte: usize) -> Vec<f64> {
        self.averaged_members(group, analyte)
            .into_iter()
            .map(|(_, c)| c)
            .collect()
    }

    /// The same with the slots for which they stand, ascending.
    pub fn averaged_members(&self, group: usize, analyte: usize) -> Vec<(usize, f64)> {
        self.averaged_results(group, analyte)
            .into_iter()
            .filter_map(|s| Some((s.slot, s.concentration?)))
            .collect()
    }

    /// The same with where they come from.
    pub fn averaged_results(&self, group: usize, analyte: usize) -> Vec<Standing<'_>> {
        let samples = self.samples_of(group);
        let standing = samples.iter().filter_map(|s| self.standing(s, analyte));
        let mut all: Vec<Standing<'_>> = standing.filter(|s| s.concentration.is_some()).collect();
        let accepted = all.iter().any(|s| s.verdict == Verdict::Accepted);
        all.retain(|s| !accepted || s.verdict == Verdict::Accepted);
        all.sort_by_key(|s| s.slot);
        all
    }
}

fn failed(slot: &Slot, analyte: usize) -> bool {
    let row = slot.rows.get(analyte);
    row.is_some_and(|r| r.verdict == Some(Verdict::Rerun))
}
