//! What the standards beside a sample say of it: how areas scatter, and the response at its place.

use std::collections::{BTreeMap, BTreeSet};

use super::{Queue, Slot};
use crate::check::{self, Effect};
use crate::method::{Quantify, ScatterOf};
use crate::night::bracket;
use crate::quant::bracketing::{Checkpoint, Factor, Shown};
use crate::quant::curve::{Curve, Repeats};
use crate::runlist::Kind;

/// So many standards say how areas scatter: enough, and few enough that a long queue costs no more than a short one.
const LOOKED_BACK: usize = 20;

impl Queue {
    /// The slots, and beside every standard among them the samples whose amount or interval it enters.
    pub(super) fn with_samples_beside(&self, slots: BTreeSet<usize>) -> BTreeSet<usize> {
        if self.method.scatter == ScatterOf::Calibrators && self.method.quantify == Quantify::Curve
        {
            return slots;
        }
        let standard = |k: &usize| {
            self.slots
                .get(*k)
                .is_some_and(|s| s.plan.kind == Kind::Standard)
        };
        let hit: BTreeSet<usize> = slots
            .iter()
            .filter(|k| standard(k))
            .filter_map(|k| self.checkpoint_of(*k))
            .collect();
        let beside = hit.into_iter().flat_map(|c| self.samples_beside(c));
        let mut all: BTreeSet<usize> = beside
            .filter(|k| self.slots.get(*k).is_some_and(Slot::is_settled))
            .collect();
        all.extend(slots);
        all
    }

    /// What the standards up to the checkpoint that closes a sample's bracket show of each analyte's scatter: the last
    /// [`LOOKED_BACK`] of them that did not fail. It depends on positions alone, not on the order of landing.
    ///
    /// They scatter about the mean of their level; with bracketing, which takes a drift out, about that of their level in
    /// their own checkpoint.
    pub(super) fn repeats(
        &self,
        k: usize,
        slot: &Slot,
        curves: &[Option<&Curve>],
    ) -> Vec<Option<Repeats>> {
        if slot.plan.kind != Kind::Sample || self.method.scatter == ScatterOf::Calibrators {
            return Vec::new();
        }
        let (before, after) = bracket::neighbours(&self.checkpoints, k);
        let until = after.or(before).map_or(0, |c| c + 1);
        let members = (0..until).rev().flat_map(|c| {
            let sound = self.sound_members(c).into_iter().rev();
            sound.map(move |(_, standard)| (c, standard))
        });
        let standards: Vec<(usize, &Slot)> = members.take(LOOKED_BACK).collect();
        let apart = self.method.quantify == Quantify::Bracketing;
        let of_analyte = |(a, curve): (usize, &Option<&Curve>)| {
            let mut levels: BTreeMap<(usize, &str), (f64, Vec<f64>)> = BTreeMap::new();
            for (c, standard) in &standards {
                let Some((nominal, area)) = self.response(standard, a) else {
                    continue;
                };
                let part = if apart { *c } else { 0 };
                let level = levels.entry((part, &standard.plan.level));
                level.or_insert_with(|| (nominal, Vec::new())).1.push(area);
            }
            (*curve)?.repeats(levels.values().map(|(x, areas)| (*x, areas.as_slice())))
        };
        curves.iter().enumerate().map(of_analyte).collect()
    }

    /// The response factor of each analyte at a sample's place, from the checkpoints beside it; of one of them alone
    /// while, or where, the other has no standard that passed.
    pub(super) fn factors(
        &self,
        k: usize,
        slot: &Slot,
        curves: &[Option<&Curve>],
    ) -> Vec<Option<Factor>> {
        if slot.plan.kind != Kind::Sample || self.method.quantify == Quantify::Curve {
            return Vec::new();
        }
        let (before, after) = bracket::neighbours(&self.checkpoints, k);
        let shown = |c: Option<usize>| c.map(|c| self.sound_members(c)).unwrap_or_default();
        let (before, after) = (shown(before), shown(after));
        let of_analyte = |(a, curve): (usize, &Option<&Curve>)| {
            let curve = (*curve)?;
            let checkpoint = |standards: &[(usize, &Slot)]| {
                let shown: Vec<Shown> = standards
                    .iter()
                    .filter_map(|(at, standard)| {
                        let (nominal, area_mau_s) = self.response(standard, a)?;
                        Some(Shown {
                            place: *at as f64,
                            nominal,
                            area_mau_s,
                        })
                    })
                    .collect();
                Checkpoint::of(curve, &shown)
            };
            let (before, after) = (checkpoint(&before), checkpoint(&after));
            Factor::at(k as f64, before.as_ref(), after.as_ref())
        };
        curves.iter().enumerate().map(of_analyte).collect()
    }

    /// The standards of a checkpoint that have landed and did not fail, with their slots, in order.
    fn sound_members(&self, c: usize) -> Vec<(usize, &Slot)> {
        let passed = |s: &Slot| {
            let failures = &s.assessment.failures;
            s.landing.is_some() && failures.iter().all(|f| f.effect == Effect::None)
        };
        let members = self.checkpoints.get(c).map(|c| c.members.as_slice());
        members
            .unwrap_or_default()
            .iter()
            .filter_map(|m| Some((*m, self.slots.get(*m)?)))
            .filter(|(_, s)| passed(s))
            .collect()
    }

    /// What a standard contains of an analyte, and its area for the method's injection volume.
    fn response(&self, standard: &Slot, analyte: usize) -> Option<(f64, f64)> {
        let area = standard.assessment.lines.get(analyte)?.area_mau_s?;
        let nominal = check::nominal(&standard.plan, &self.method, analyte)?;
        Some((
            nominal,
            area * check::volume_correction(&standard.plan, &self.method),
        ))
    }
}
