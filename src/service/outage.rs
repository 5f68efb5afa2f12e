//! The daemon through a time in which its ledger cannot be written: a full disk, a disk that fails, a folder that was moved away.
//!
//! Without its ledger a daemon can promise nothing, so its loop ends with all that it held in memory. Here it is begun again
//! from what the ledger holds until that works: the same way as after a crash, which is why nothing is missing then. People are
//! told straight away and not by the outbox, which lies in the ledger. Meanwhile there is no sign of life, but whoever started
//! the program hears that it waits: to be started anew would not help it.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::carriers;
use super::desk::DeskError;
use super::watch::{Ended, Options, Signal, run};
use crate::config::Config;
use crate::ledger::LedgerError;
use crate::outside;
use crate::post::{Carrier, Refusal};
use crate::tell;

/// It is tried again after so long.
const TRY_AGAIN: Duration = Duration::from_secs(3);
/// A carrier that could not hand the word over tries again after so long.
const TELL_AGAIN: Duration = Duration::from_secs(60);
/// A carrier that takes longer has hung.
const LONGEST: Duration = Duration::from_secs(30);
/// A ledger that comes and goes is told this often at most, s.
const QUIET_S: i64 = 3600;

/// An outage that goes on.
struct Outage {
    since: Timestamp,
    /// Carriers that have not handed the word over yet, and when they try next.
    untold: Vec<(Arc<dyn Carrier>, Instant)>,
}

/// Runs the daemon's loop as [`run`] does, and again whenever its ledger could not be written but may be again. Meanwhile it
/// calls `waiting` every few seconds.
///
/// # Errors
/// As [`run`], at the first start; later what cannot pass by itself, and an order to stop that comes within an outage.
pub fn run_through(
    config: &Config,
    signals: &Receiver<Signal>,
    hints: &Sender<Signal>,
    mut options: impl FnMut() -> Options,
    mut waiting: impl FnMut(),
) -> Result<Ended, DeskError> {
    let works = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let (mut outage, mut told_at): (Option<Outage>, Option<Timestamp>) = (None, None);
    let mut begun = false;
    loop {
        let mut these = options();
        these.again = begun;
        let (mut ready, now_works) = (these.ready, Arc::clone(&works));
        these.ready = Box::new(move || {
            now_works.store(true, std::sync::atomic::Ordering::Relaxed);
            ready();
        });
        let error = match run(config, signals, hints, these) {
            Err(DeskError::Ledger(error)) if error.may_pass() => error,
            other => return other,
        };
        if works.swap(false, std::sync::atomic::Ordering::Relaxed) {
            // It worked until now: a new outage. One of which not everybody was told yet goes on.
            begun = true;
            outage = outage.filter(|o| !o.untold.is_empty());
            tracing::error!(%error, "the ledger cannot be written now: nothing is evaluated; it is tried again every few seconds, and nothing that lies in the watched folders is lost");
        }
        if !begun {
            return Err(error.into());
        }
        let now = outside::wall();
        let outage = outage.get_or_insert_with(|| {
            let quiet = told_at.is_some_and(|t| now.duration_since(t).as_secs() < QUIET_S);
            told_at = told_at.filter(|_| quiet).or(Some(now));
            Outage::new(config, quiet, now)
        });
        outage.tell(config, &error);
        waiting();
        if stopped(signals, hints) {
            return Err(error.into());
        }
    }
}

/// Waits a while; true for the order to stop. What became of letters is kept for the next run.
fn stopped(signals: &Receiver<Signal>, hints: &Sender<Signal>) -> bool {
    let until = outside::steady() + TRY_AGAIN;
    let mut kept = Vec::new();
    let mut stop = false;
    while !stop {
        let left = until.saturating_duration_since(outside::steady());
        match outside::receive(signals, left) {
            Ok(Signal::Stop) => stop = true,
            Ok(post @ Signal::Post(_)) => kept.push(post),
            // Folders are looked at as a whole when it begins again.
            Ok(Signal::Hint(..)) => {}
            Err(_) => break,
        }
    }
    for post in kept {
        // Whoever gave this sender holds the other end.
        let _ = hints.send(post);
    }
    stop
}

impl Outage {
    fn new(config: &Config, quiet: bool, since: Timestamp) -> Outage {
        let ways = if quiet {
            Vec::new()
        } else {
            carriers::configured(&config.alert)
        };
        let now = outside::steady();
        Outage {
            since,
            untold: ways.into_iter().map(|way| (way, now)).collect(),
        }
    }

    /// Tells those who are told at once, through every carrier that is due.
    fn tell(&mut self, config: &Config, error: &LedgerError) {
        let now = outside::steady();
        if !self.untold.iter().any(|(_, due)| *due <= now) {
            return;
        }
        let runtime = match tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
        {
            Ok(runtime) => runtime,
            Err(error) => return tracing::error!(%error, "nobody can be told of it"),
        };
        let zone = outside::zone();
        let station = config.stations.first().map_or("", |s| s.name.as_str());
        let (folder, why) = (&config.state_dir, error.to_string());
        let letter = tell::no_ledger(station, folder, &why, self.since, &zone);
        self.untold.retain_mut(|(carrier, due)| {
            if *due > now {
                return true;
            }
            let delivery = async {
                let delivery = carrier.deliver(&letter, outside::wall());
                tokio::time::timeout(LONGEST, delivery)
                    .await
                    .unwrap_or_else(|_| Err(Refusal::Transient("no answer".to_owned())))
            };
            match runtime.block_on(delivery) {
                Ok(()) => {
                    tracing::info!(carrier = carrier.name(), "told that the ledger cannot be written");
                    false
                }
                Err(refusal) => {
                    tracing::error!(carrier = carrier.name(), error = %refusal, "could not tell that the ledger cannot be written");
                    *due = outside::steady() + TELL_AGAIN;
                    true
                }
            }
        });
        // A carrier that hangs is not waited for.
        runtime.shutdown_background();
    }
}
