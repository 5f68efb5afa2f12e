//! What stands behind a queue's results: its last record in the chain, and changes of method or calibration.

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};

use super::chain::{Links, Table};
use super::{Ledger, LedgerError, nanoseconds, timestamp};
use crate::night::made::{Change, Head};

impl Ledger {
    /// Keeps the text of a method or calibration by its hash, and since when the station works with it.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_document(
        &mut self,
        station: &str,
        kind: &str,
        path: &Path,
        sha256: &str,
        content: &str,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        let path = path.to_string_lossy();
        let at = nanoseconds(now);
        self.write("keep document", station, |transaction| {
            let mut links = Links::open(transaction)?;
            let new = transaction.execute(
                "INSERT INTO document (sha256, kind, path, seen_ns, content) VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING",
                params![sha256, kind, path, at, content],
            )?;
            if new > 0 {
                links.add(Table::Document, transaction.last_insert_rowid(), None)?;
            }
            let last: Option<String> = transaction
                .query_row(
                    "SELECT sha256 FROM used WHERE station = ?1 AND kind = ?2 ORDER BY id DESC LIMIT 1",
                    params![station, kind],
                    |row| row.get(0),
                )
                .optional()?;
            if last.as_deref() != Some(sha256) {
                transaction.execute(
                    "INSERT INTO used (station, kind, sha256, path, since_ns) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![station, kind, sha256, path, at],
                )?;
                links.add(Table::Used, transaction.last_insert_rowid(), None)?;
            }
            Ok(((), links.close(station)?))
        })
    }

    /// Every change of a station's method or calibration, in the order in which they were found.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn changes(&self, station: &str) -> Result<Vec<Change>, LedgerError> {
        self.leave("changes")?;
        let read = || -> rusqlite::Result<Vec<Change>> {
            self.connection
                .prepare_cached(
                    "SELECT kind, since_ns, before, sha256 FROM
                       (SELECT id, kind, since_ns, sha256, lag(sha256) OVER (PARTITION BY kind ORDER BY id) AS before
                        FROM used WHERE station = ?1)
                     WHERE before IS NOT NULL ORDER BY id",
                )?
                .query_map([station], |row| {
                    Ok(Change {
                        what: row.get(0)?,
                        at: timestamp(row.get(1)?),
                        from: row.get(2)?,
                        to: row.get(3)?,
                    })
                })?
                .collect()
        };
        read().map_err(|e| self.sqlite(e))
    }

    /// When the first trace of a queue landed, whatever landed for it again since then.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn first_landing(
        &self,
        station: &str,
        queue: &str,
    ) -> Result<Option<Timestamp>, LedgerError> {
        self.leave("first landing")?;
        self.connection
            .prepare_cached(
                "SELECT landed_ns FROM landing INDEXED BY landing_by_queue WHERE station = ?1 AND queue = ?2 ORDER BY id LIMIT 1",
            )
            .and_then(|mut s| {
                s.query_row([station, queue], |row| Ok(timestamp(row.get(0)?)))
                    .optional()
            })
            .map_err(|e| self.sqlite(e))
    }

    /// The last record of a queue in the chain.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn head(&self, station: &str, queue: &str) -> Result<Option<Head>, LedgerError> {
        self.leave("head")?;
        self.connection
            .prepare_cached(
                "SELECT c.id, c.link FROM queue q JOIN chain c ON c.id = q.head WHERE q.station = ?1 AND q.queue = ?2",
            )
            .and_then(|mut s| {
                s.query_row([station, queue], |row| {
                    let link: [u8; 32] = row.get(1)?;
                    Ok(Head {
                        record: row.get(0)?,
                        link: crate::text::hex(&link),
                    })
                })
                .optional()
            })
            .map_err(|e| self.sqlite(e))
    }

    /// Queues of a station that have new records since the last call.
    pub fn take_touched(&mut self, station: &str) -> Vec<String> {
        let mine: Vec<String> = self
            .touched
            .iter()
            .filter(|(s, _)| s == station)
            .map(|(_, q)| q.clone())
            .collect();
        self.touched.retain(|(s, _)| s != station);
        mine
    }
}
