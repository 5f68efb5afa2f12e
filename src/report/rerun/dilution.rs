//! Which dilutions a sample must be injected with again.

use crate::check::Check;
use crate::night::Reason;
use crate::night::queue::{Queue, Slot};
use crate::quant::dilution::propose_dilution;

/// A cut-off peak that gives no usable figure is diluted so many times further (common practice, no source).
const BLIND_STEP: f64 = 10.0;
/// One dilution serves a second analyte where that is then expected so far inside its range, as a factor from either
/// end: what was measured with a failed standard beside it may be off by as much.
const MARGIN: f64 = 1.25;

/// What one analyte of the sample needs.
struct Need {
    /// The total dilution proposed for it.
    dilution: f64,
    /// Its amount in the undiluted sample and the calibrated range, where they are known well enough to reckon with.
    known: Option<(f64, [f64; 2])>,
}

/// The total dilutions with which a sample must be injected again, ascending; empty where no row of it is `rerun`,
/// or where another injection of the sample gave the result or was tried after it.
/// A dilution that serves several analytes stands once.
pub fn dilutions(queue: &Queue, slot: &Slot) -> Vec<f64> {
    let mut open: Vec<Need> = (0..slot.rows.len())
        .filter_map(|k| need(queue, slot, k))
        .collect();
    let mut out: Vec<f64> = Vec::new();
    while !open.is_empty() {
        // The proposal that serves most; the first in the method's order among equals.
        let mut best: Option<(usize, f64)> = None;
        for candidate in &open {
            let served = open
                .iter()
                .filter(|n| n.is_served(candidate.dilution))
                .count();
            if best.is_none_or(|(most, _)| served > most) {
                best = Some((served, candidate.dilution));
            }
        }
        let Some((_, dilution)) = best else { break };
        out.push(dilution);
        open.retain(|n| !n.is_served(dilution));
    }
    out.sort_by(f64::total_cmp);
    out
}

impl Need {
    fn is_served(&self, dilution: f64) -> bool {
        let fits = |(amount, [low, high]): (f64, [f64; 2])| {
            let expected = amount / dilution;
            expected >= low * MARGIN && expected <= high / MARGIN
        };
        self.dilution.total_cmp(&dilution).is_eq() || self.known.is_some_and(fits)
    }
}

fn need(queue: &Queue, slot: &Slot, analyte: usize) -> Option<Need> {
    let row = slot
        .rows
        .get(analyte)
        .filter(|_| queue.asks_again(slot, analyte))?;
    let has = |check: Check| row.reasons.contains(&Reason::Check(check));
    let current = slot.plan.dilution;
    let range = queue
        .serving()
        .curve(queue.method(), analyte)
        .map(|c| c.range());
    let x = slot
        .assessment
        .lines
        .get(analyte)
        .and_then(|l| l.in_detector);
    if has(Check::AirBubble) {
        // Spikes are no measure of the sample.
        return Some(Need {
            dilution: current,
            known: None,
        });
    }
    let proposed = |x: f64| range.map_or(current, |range| propose_dilution(x, current, range));
    if has(Check::Saturated) {
        // What is left of a cut-off peak is less than was there: the proposal may only go up.
        let dilution = x
            .map(proposed)
            .filter(|d| *d > current)
            .unwrap_or(current * BLIND_STEP);
        return Some(Need {
            dilution,
            known: None,
        });
    }
    let dilution = match x {
        Some(x) if has(Check::AboveRange) => proposed(x).max(current),
        _ if has(Check::BelowRange) && current > 1.0 => proposed(x.unwrap_or(0.0)),
        _ => current,
    };
    Some(Need {
        dilution,
        known: x.zip(range).map(|(x, range)| (x * current, range)),
    })
}
