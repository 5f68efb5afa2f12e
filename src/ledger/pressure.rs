//! What is known of a queue's pressure: the log itself may be gone by the morning.

use rusqlite::{Connection, OptionalExtension, params};

use super::{Ledger, LedgerError};
use crate::pressure::digest::Record;

/// Inside a transaction, or alone.
pub(super) fn keep(
    connection: &Connection,
    station: &str,
    queue: &str,
    record: &Record,
) -> rusqlite::Result<()> {
    let text = super::outbox::json(record)?;
    connection
        .execute(
            "INSERT INTO pressure (station, queue, record) VALUES (?1, ?2, ?3)
             ON CONFLICT DO UPDATE SET record = excluded.record",
            params![station, queue, text],
        )
        .map(drop)
}

impl Ledger {
    /// What is known of a queue's pressure.
    ///
    /// # Errors
    /// When the database cannot be read or the record is damaged.
    pub fn pressure(&self, station: &str, queue: &str) -> Result<Option<Record>, LedgerError> {
        self.leave("pressure")?;
        let mut statement = self
            .connection
            .prepare_cached("SELECT record FROM pressure WHERE station = ?1 AND queue = ?2")
            .map_err(|e| self.sqlite(e))?;
        let text: Option<String> = statement
            .query_row(params![station, queue], |row| row.get(0))
            .optional()
            .map_err(|e| self.sqlite(e))?;
        text.map(|t| serde_json::from_str(&t).map_err(|e| self.record("pressure", 0, e)))
            .transpose()
    }

    /// Keeps what is known of a queue's pressure.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_pressure(
        &mut self,
        station: &str,
        queue: &str,
        record: &Record,
    ) -> Result<(), LedgerError> {
        self.leave("keep pressure")?;
        keep(&self.connection, station, queue, record).map_err(|e| self.sqlite(e))
    }

    /// Writes a mark of life, and so shows that the ledger can be written.
    ///
    /// # Errors
    /// When it cannot.
    pub fn prove_writable(&mut self, now: jiff::Timestamp) -> Result<(), LedgerError> {
        self.leave("prove writable")?;
        self.connection
            .execute(
                "INSERT INTO alive (one, at_ns) VALUES (1, ?1) ON CONFLICT DO UPDATE SET at_ns = excluded.at_ns",
                [super::nanoseconds(now)],
            )
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }
}
