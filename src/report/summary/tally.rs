//! How many results there are of each kind.

use crate::check::Check;
use crate::night::queue::{Queue, Slot};
use crate::night::{Reason, Verdict};
use crate::runlist::Kind;

/// Counts of results: one for each sample injection and analyte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Accepted, with a concentration or as below the limit of detection.
    pub usable: usize,
    /// Failed, and another injection of the same sample gave them.
    pub repaired: usize,
    /// To be injected again.
    pub rerun: usize,
    /// In, not failed, and without a passing standard on both sides.
    pub provisional: usize,
    /// Accepted and without a concentration, for want of a calibration.
    pub without_value: usize,
    /// Not landed yet.
    pub to_come: usize,
}

impl Tally {
    /// The counts of a queue.
    pub fn of(queue: &Queue) -> Tally {
        let mut out = Tally::default();
        for slot in queue.slots().iter().filter(|s| s.plan.kind == Kind::Sample) {
            for k in 0..queue.method().analytes.len() {
                *out.place(queue, slot, k) += 1;
            }
        }
        out
    }

    fn place(&mut self, queue: &Queue, slot: &Slot, analyte: usize) -> &mut usize {
        let row = slot.rows.get(analyte).filter(|_| slot.is_settled());
        let Some(row) = row else {
            return &mut self.to_come;
        };
        match row.verdict {
            Some(Verdict::Rerun) if queue.is_covered(slot, analyte) => &mut self.repaired,
            Some(Verdict::Rerun) => &mut self.rerun,
            Some(Verdict::Provisional) => &mut self.provisional,
            Some(Verdict::Accepted) => {
                let value = slot
                    .assessment
                    .lines
                    .get(analyte)
                    .is_some_and(|l| l.concentration.is_some());
                let below = row.reasons.contains(&Reason::Check(Check::BelowRange));
                if value || below {
                    &mut self.usable
                } else {
                    &mut self.without_value
                }
            }
            None => &mut self.to_come,
        }
    }

    /// All of them.
    pub fn total(&self) -> usize {
        self.usable
            + self.repaired
            + self.rerun
            + self.provisional
            + self.without_value
            + self.to_come
    }
}
