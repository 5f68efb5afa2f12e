//! The log of a station, and what of it has not been judged yet.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::tracked::Tracked;
use crate::config::Station;
use crate::outside;
use crate::pressure::Reading;
use crate::pressure::log::{Log, OfInjection};
use crate::pressure::unit::Unit;
use crate::service::tail::Tail;

/// How often the log is looked at, s.
const LOOK_S: f64 = 5.0;
/// But not more often than this: a rehearsal runs its cycle times faster.
const LEAST_LOOK: Duration = Duration::from_millis(100);
/// Readings that are kept for a queue that has not begun.
const RECENT: usize = 20_000;
/// Values of injections whose traces have not landed.
const PENDING: usize = 2_000;

/// The log and the queue that is watched.
pub(in crate::service::desk) struct Gauge {
    pub(super) tail: Option<Tail>,
    pub(super) log: Log,
    pub(super) unit: Option<Unit>,
    pub(super) zone: TimeZone,
    pub(super) every: Duration,
    pub(super) next_look: Instant,
    /// The log could not be read last time.
    pub(super) blind: bool,
    /// Why, with its path.
    pub(super) unread: Option<(PathBuf, std::io::Error)>,
    pub(super) recent: VecDeque<Reading>,
    pub(super) last_at: Option<Timestamp>,
    pub(super) pending: VecDeque<OfInjection>,
    pub(super) tracked: Option<Tracked>,
}

impl Gauge {
    pub(in crate::service::desk) fn new(
        station: &Station,
        zone: &TimeZone,
        time_scale: f64,
    ) -> Gauge {
        let unit = station.pressure.as_ref().and_then(|p| p.unit);
        let every = Duration::try_from_secs_f64(LOOK_S * time_scale).unwrap_or(LEAST_LOOK);
        Gauge {
            tail: station.pressure.as_ref().map(|p| Tail::new(&p.file)),
            log: Log::new(unit, zone.clone()),
            unit,
            zone: zone.clone(),
            every: every.max(LEAST_LOOK),
            next_look: outside::steady(),
            blind: false,
            unread: None,
            recent: VecDeque::new(),
            last_at: None,
            pending: VecDeque::new(),
            tracked: None,
        }
    }

    /// Reads what the log has got since the last look.
    pub(super) fn read(&mut self) -> Vec<Reading> {
        self.next_look = outside::steady() + self.every;
        let mut out = Vec::new();
        let Some(tail) = &mut self.tail else {
            return out;
        };
        let (mut written, mut anew) = (None, false);
        loop {
            match tail.look(self.log.is_wide()) {
                Ok(None) => break,
                Ok(Some(piece)) => {
                    if piece.anew {
                        tracing::info!(path = %tail.path().display(), "the pressure log begins anew");
                        self.log = Log::new(self.unit, self.zone.clone());
                        anew = true;
                    }
                    self.log.feed(&piece.bytes);
                    written = Some(piece.written);
                    if !piece.more {
                        break;
                    }
                }
                Err(error) => {
                    if !std::mem::replace(&mut self.blind, true) {
                        tracing::error!(path = %tail.path().display(), %error, "the pressure log cannot be read; trying again");
                    }
                    self.unread = Some((tail.path().to_owned(), error));
                    return out;
                }
            }
        }
        if std::mem::take(&mut self.blind) {
            tracing::info!(path = %tail.path().display(), "the pressure log can be read again");
        }
        if let Some(written) = written {
            let taken = self.log.take(written);
            for note in taken.notes {
                tracing::warn!(path = %tail.path().display(), "pressure log: {note}");
            }
            out = taken.readings;
            self.pending.extend(taken.injections);
            while self.pending.len() > PENDING {
                self.pending.pop_front();
            }
        }
        // A log that was copied in its own place says the same again.
        if let Some(last) = self.last_at.filter(|_| anew) {
            out.retain(|r| r.at > last);
        }
        self.last_at = out.last().map(|r| r.at).or(self.last_at);
        out
    }

    pub(super) fn keep(&mut self, readings: &[Reading]) {
        self.recent.extend(readings);
        while self.recent.len() > RECENT {
            self.recent.pop_front();
        }
    }
}
