//! Traces without a list: when what counts was written, and queues that are empty again.

use jiff::Timestamp;
use rusqlite::params;

use super::{Ledger, LedgerError, nanoseconds, timestamp};
use crate::night::strays::Mark;

impl Ledger {
    /// Traces that count (the last content of each name in its queue) and were written before this one, the latest first, and
    /// whether each lies in an unlisted queue.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn written_before(
        &self,
        station: &str,
        before: Mark,
        most: usize,
    ) -> Result<Vec<(Mark, bool)>, LedgerError> {
        self.leave("written before")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT modified_ns, id, queue >= 'unlisted-' AND queue < 'unlisted.' FROM landing AS l
                 WHERE station = ?1 AND (modified_ns, id) < (?2, ?3) AND NOT EXISTS
                     (SELECT 1 FROM landing AS n WHERE n.station = l.station AND n.stem = l.stem AND n.id > l.id AND n.queue = l.queue)
                 ORDER BY modified_ns DESC, id DESC LIMIT ?4",
            )
            .map_err(|e| self.sqlite(e))?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let rows = statement
            .query_map(
                params![station, nanoseconds(before.0), before.1, most],
                |row| Ok(((timestamp(row.get(0)?), row.get(1)?), row.get(2)?)),
            )
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// Unlisted queues with a trace that was written between these times.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn unlisted_between(
        &self,
        station: &str,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<String>, LedgerError> {
        self.queue_names(
            "SELECT DISTINCT queue FROM landing INDEXED BY landing_by_time WHERE station = ?1 AND modified_ns BETWEEN ?2 AND ?3
             AND queue >= 'unlisted-' AND queue < 'unlisted.' ORDER BY queue",
            params![station, nanoseconds(from), nanoseconds(to)],
        )
    }

    /// A name's last content in an unlisted queue is this one; where a path is given, one that did not lie there.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn has_unlisted(
        &self,
        station: &str,
        stem: &str,
        sha256: &str,
        but: Option<&std::path::Path>,
    ) -> Result<bool, LedgerError> {
        self.leave("has unlisted")?;
        let but = but.map(|p| p.as_os_str().as_encoded_bytes());
        self.connection
            .prepare_cached(
                "SELECT 1 FROM landing AS l WHERE station = ?1 AND stem = ?2 AND queue >= 'unlisted-' AND queue < 'unlisted.'
                 AND sha256 = ?3 AND (?4 IS NULL OR path <> ?4) AND NOT EXISTS
                     (SELECT 1 FROM landing AS n WHERE n.station = l.station AND n.stem = l.stem AND n.id > l.id AND n.queue = l.queue)
                 LIMIT 1",
            )
            .and_then(|mut s| s.exists(params![station, stem, sha256, but]))
            .map_err(|e| self.sqlite(e))
    }
}
