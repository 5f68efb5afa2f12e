//! Alerts and messages.

use jiff::Timestamp;
use rusqlite::{Transaction, params};

use super::chain::{Links, Table};
use super::{Ledger, LedgerError, nanoseconds};
use crate::night::alarm::{Alert, AlertChanges};

impl Ledger {
    /// The alerts of a queue, in the order in which they were raised.
    ///
    /// # Errors
    /// When the database cannot be read or a record is damaged.
    pub fn alerts(&self, station: &str, queue: &str) -> Result<Vec<Alert>, LedgerError> {
        self.leave("alerts")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT id, record FROM alert WHERE station = ?1 AND queue = ?2 ORDER BY id",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(params![station, queue], |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?))
            })
            .map_err(|e| self.sqlite(e))?;
        let mut out = Vec::new();
        for row in rows {
            let (id, text) = row.map_err(|e| self.sqlite(e))?;
            out.push(serde_json::from_str(&text).map_err(|e| self.record("alert", id, e))?);
        }
        Ok(out)
    }

    /// Keeps what was raised and cleared, as one transaction.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_alerts(
        &mut self,
        station: &str,
        queue: &str,
        changes: &AlertChanges,
    ) -> Result<(), LedgerError> {
        if changes.is_empty() {
            return Ok(());
        }
        self.write("keep alerts", station, |transaction| {
            Ok(((), keep(transaction, station, queue, changes)?))
        })
    }

    /// Keeps the text of a message under its file's name.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_message(
        &mut self,
        station: &str,
        file_name: &str,
        body: &str,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        self.leave("keep message")?;
        self.connection
            .execute(
                "INSERT INTO message (station, file_name, written_ns, body) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT DO UPDATE SET body = excluded.body",
                params![station, file_name, nanoseconds(now), body],
            )
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// Messages that were written since then: file name and text.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn messages_since(
        &self,
        station: &str,
        since: Timestamp,
    ) -> Result<Vec<(String, String)>, LedgerError> {
        self.leave("messages since")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT file_name, body FROM message INDEXED BY message_by_time
                 WHERE station = ?1 AND written_ns >= ?2 ORDER BY file_name",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(params![station, nanoseconds(since)], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// All messages of a station: file name and text.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn messages(&self, station: &str) -> Result<Vec<(String, String)>, LedgerError> {
        self.leave("messages")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT file_name, body FROM message WHERE station = ?1 ORDER BY file_name",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map([station], |row| Ok((row.get(0)?, row.get(1)?)))
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }
}

/// Keeps what was raised and cleared as a part of a transaction; gives the queues concerned.
pub(super) fn keep(
    transaction: &Transaction<'_>,
    station: &str,
    queue: &str,
    changes: &AlertChanges,
) -> rusqlite::Result<Vec<String>> {
    let text_of = |alert: &Alert| {
        serde_json::to_string(alert)
            .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))
    };
    if changes.is_empty() {
        return Ok(Vec::new());
    }
    let mut links = Links::open(transaction)?;
    for alert in &changes.raised {
        transaction
            .prepare_cached("INSERT INTO alert (station, queue, key, raised_ns, record) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![station, queue, alert.key, nanoseconds(alert.raised_at), text_of(alert)?])?;
        links.add(Table::Alert, transaction.last_insert_rowid(), Some(queue))?;
    }
    for alert in &changes.cleared {
        let mut statement = transaction.prepare_cached(
            "UPDATE alert SET cleared_ns = ?4, record = ?5 WHERE station = ?1 AND queue = ?2 AND key = ?3 AND cleared_ns IS NULL RETURNING id",
        )?;
        let at = alert.cleared_at.map(nanoseconds);
        let rows: Vec<i64> = statement
            .query_map(
                params![station, queue, alert.key, at, text_of(alert)?],
                |row| row.get(0),
            )?
            .collect::<Result<_, _>>()?;
        for row in rows {
            links.add(Table::Alert, row, Some(queue))?;
        }
    }
    links.close(station)
}
