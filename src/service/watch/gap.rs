//! What happened while nobody watched, gathered after a start that follows a crash.

use jiff::{SignedDuration, Timestamp};

use crate::ledger::{Gap, Ledger};
use crate::service::desk::{Desk, DeskError};
use crate::tell::Happened;

/// How often the mark of life is set, s.
const MARK_S: i64 = 60;

/// The mark of life, and the time without one.
pub struct Mark {
    last: Timestamp,
    gap: Option<Gap>,
    /// Stations that have not told of the gap yet.
    untold: Vec<usize>,
}

impl Mark {
    /// Sets the mark at the start; finds what is left of a daemon that crashed.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn start(ledger: &mut Ledger, stations: usize, now: Timestamp) -> Result<Mark, DeskError> {
        let gap = ledger.start_running(now)?;
        if let Some(gap) = gap {
            tracing::warn!(from = %gap.from, to = %gap.to, "the last run ended unexpectedly: in this time nobody watched");
        }
        Ok(Mark {
            last: now,
            gap,
            untold: if gap.is_some() {
                (0..stations).collect()
            } else {
                Vec::new()
            },
        })
    }

    /// Sets the mark again, at most once a minute.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn alive(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), DeskError> {
        // A clock that was set back counts as time that has passed.
        if now.duration_since(self.last).abs() >= SignedDuration::from_secs(MARK_S) {
            ledger.mark_alive(now)?;
            self.last = now;
        }
        Ok(())
    }

    /// A station has taken all that lay there at the start: it tells what it was. After one crash upon the other it waits
    /// until the last such message is old enough.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn tell(
        &mut self,
        station: usize,
        desk: &mut Desk,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let (Some(gap), true) = (self.gap, self.untold.contains(&station)) else {
            return Ok(());
        };
        if !desk.may_tell_gap(ledger, now)? {
            return Ok(());
        }
        let happened = happened(desk, ledger, gap)?;
        let last = self.untold.len() == 1;
        desk.tell_gap(ledger, gap, &happened, last, now)?;
        self.untold.retain(|s| *s != station);
        Ok(())
    }
}

/// What landed since the start, and what was told of it.
fn happened(desk: &Desk, ledger: &Ledger, gap: Gap) -> Result<Happened, DeskError> {
    let mut landed: Vec<(Timestamp, i64, String)> = Vec::new();
    let mut queues = Vec::new();
    for (name, queue) in desk.queues().iter().filter(|(_, q)| q.has_begun()) {
        let fresh = queue
            .slots()
            .iter()
            .filter_map(|s| s.landing.as_ref())
            .filter(|l| l.landed_at >= gap.since);
        landed.extend(fresh.map(|l| (l.modified, l.id, l.file_name.clone())));
        queues.push((name.clone(), queue.is_ended()));
    }
    landed.sort();
    let told = ledger
        .messages_since(&desk.station.name, gap.since)?
        .into_iter()
        .map(|(file, body)| {
            let first = body.lines().next().unwrap_or_default().to_owned();
            (file, first)
        })
        .collect();
    Ok(Happened {
        landed: landed.into_iter().map(|(_, _, name)| name).collect(),
        told,
        queues,
    })
}
