//! The whole log at once: what `process` does.

use std::path::PathBuf;

use jiff::Timestamp;

use super::gauge::Gauge;
use super::tracked::landed_slots;
use crate::ledger::{Ledger, LedgerError};
use crate::night::pace::{QUIET_CYCLES, later};
use crate::outside;
use crate::pressure::Reading;
use crate::service::desk::{Desk, DeskError};

impl Desk {
    /// Judges the whole log for every queue that has begun: what `process` does, by the log's times and those of the traces.
    ///
    /// Gives the log where it could not be read.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn judge_whole_log(
        &mut self,
        ledger: &mut Ledger,
    ) -> Result<Option<(PathBuf, std::io::Error)>, DeskError> {
        let Some(mut gauge) = self.gauge.take() else {
            return Ok(None);
        };
        let readings = gauge.read();
        let unread = gauge.unread.take();
        let mut spans: Vec<(Timestamp, Timestamp, bool, String)> = self
            .queues()
            .iter()
            .filter_map(|(name, q)| {
                let first = landed_slots(q).map(|(_, _, at)| at).min()?;
                let last = landed_slots(q).map(|(_, _, at)| at).max()?;
                let cycle_s = self.pressure_terms().cycle_s;
                let end = later(last, QUIET_CYCLES * cycle_s)?;
                Some((later(first, -cycle_s)?, end, q.listed, name.clone()))
            })
            .collect();
        spans.sort();
        for (k, (from, to, listed, name)) in spans.iter().enumerate() {
            let others: Vec<_> = spans.iter().enumerate().filter(|(j, _)| *j != k).collect();
            let over = |s: &(Timestamp, Timestamp, bool, String)| s.0 < *to && *from < s.1;
            // Strays beside a listed queue: its conditions stand there already.
            if !listed && others.iter().any(|(_, s)| s.2 && over(s)) {
                continue;
            }
            let next = others.iter().map(|(_, s)| s.0).filter(|s| s > from).min();
            let end = next.map_or(*to, |n| n.min(*to));
            let mine = readings.iter().filter(|r| (*from..=end).contains(&r.at));
            let mine: Vec<Reading> = mine.copied().collect();
            self.judge_queue(&mut gauge, ledger, name, mine)?;
        }
        self.gauge = Some(gauge);
        Ok(unread)
    }

    fn judge_queue(
        &mut self,
        gauge: &mut Gauge,
        ledger: &Ledger,
        name: &str,
        readings: Vec<Reading>,
    ) -> Result<(), LedgerError> {
        let Some(mut tracked) = self.tracked(ledger, name, outside::wall())? else {
            return Ok(());
        };
        let mut changes = self.advance(gauge, &mut tracked, readings);
        let Some(judged) = tracked.judged else {
            return Ok(());
        };
        if tracked.until.is_none_or(|until| judged >= until) {
            changes.extend(tracked.course.end(judged));
            self.apply(name, &changes);
            self.clear_stale(&tracked, judged);
        }
        self.save(&mut tracked, true);
        Ok(())
    }
}
