//! What is known of the result files of queues that have ended: how they were left, or that they are owed.

use jiff::Timestamp;
use rusqlite::{Connection, params};

use super::{Ledger, LedgerError, nanoseconds};

impl Ledger {
    /// Queues whose results were written since then, with what was kept of their files; those too whose results are owed, with
    /// nothing.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn written_since(
        &self,
        station: &str,
        since: Timestamp,
    ) -> Result<Vec<(String, String)>, LedgerError> {
        self.leave("written since")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT queue, files FROM written INDEXED BY written_by_time WHERE station = ?1 AND at_ns >= ?2
                 UNION SELECT queue, files FROM written INDEXED BY written_owed WHERE station = ?1 AND files = ''
                 ORDER BY queue",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(params![station, nanoseconds(since)], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// The results of a queue are written, and lie there so.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_written(
        &mut self,
        station: &str,
        queue: &str,
        files: &str,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        self.leave("keep written")?;
        self.connection
            .prepare_cached(
                "INSERT INTO written (station, queue, at_ns, files) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT DO UPDATE SET at_ns = excluded.at_ns, files = excluded.files",
            )
            .and_then(|mut s| s.execute(params![station, queue, nanoseconds(now), files]))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// The results of a queue that has ended are about to change.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn owe_results(&mut self, station: &str, queue: &str) -> Result<(), LedgerError> {
        self.leave("owe results")?;
        owe(&self.connection, station, queue).map_err(|e| self.sqlite(e))
    }
}

/// Notes that the results of a queue are owed if it has ended: of one that goes on they always are. Also as a part of a
/// transaction.
pub(super) fn owe(connection: &Connection, station: &str, queue: &str) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO written (station, queue, at_ns, files)
             SELECT station, queue, ended_ns, '' FROM queue WHERE station = ?1 AND queue = ?2 AND ended_ns IS NOT NULL
             ON CONFLICT DO UPDATE SET files = ''",
        )?
        .execute([station, queue])
        .map(drop)
}
