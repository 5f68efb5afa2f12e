//! Which calibrators a rerun list holds.

use crate::night::queue::{Queue, Slot};
use crate::runlist::{Injection, Kind};

/// All or none: those of one level alone cannot be fitted in another queue. All of them where samples must be injected again
/// and no stored calibration would serve the repeats, which would have no concentrations without; and where some failed and
/// the fit of the others does not serve. Where it does, what failed is done without.
pub(super) fn calibrators(queue: &Queue, samples: bool) -> Vec<Injection> {
    let all = || {
        queue
            .slots()
            .iter()
            .filter(|s| s.plan.kind == Kind::Calibrator)
    };
    let lost =
        |s: &Slot| (0..s.rows.len()).any(|a| queue.asks_again(s, a) && !queue.serving().is_own(a));
    if samples && queue.serving().only_own(queue.method()) || all().any(lost) {
        all().map(|s| s.plan.clone()).collect()
    } else {
        Vec::new()
    }
}
