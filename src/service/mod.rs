//! The thin shell around the pure middle: files in, ledger, files out. `watch` and `process` both go through it, so
//! they end in the same results.
//!
//! [`evaluate`] turns a file into a reading, [`desk`] lands it, has it judged and writes what changed, [`outputs`] keeps
//! the files of one queue, [`tail`] reads the pressure log as it grows, [`heartbeat`] shows that all of it works, [`watch`] is the daemon's loop, [`outage`] takes it through a full disk, [`process`] the same work done once.

pub mod carriers;
pub mod desk;
pub mod evaluate;
pub mod heartbeat;
pub mod lists;
pub mod outage;
pub mod outputs;
pub mod process;
pub mod setup;
#[cfg(test)]
mod simulated;
pub mod tail;
pub mod watch;
