//! Which calibrators a rerun list holds.

use crate::night::queue::{Queue, Slot};
use crate::runlist::{Injection, Kind};

/// Those that failed; and all of them where samples must be injected again and no stored calibration would serve the
/// repeats: without calibrators of their own they would have no concentrations.
pub(super) fn calibrators(queue: &Queue, samples: bool) -> Vec<Injection> {
    let all = samples && queue.serving().only_own(queue.method());
    let failed = |s: &Slot| (0..s.rows.len()).any(|a| queue.asks_again(s, a));
    queue
        .slots()
        .iter()
        .filter(|s| s.plan.kind == Kind::Calibrator && (all || failed(s)))
        .map(|s| s.plan.clone())
        .collect()
}
