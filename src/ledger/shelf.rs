//! Run lists of nights that are over: they stay in the ledger and are found by what they name, so that neither a start nor a
//! landing costs more for every list that there ever was.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Row, Transaction, params};

use super::records::path_of;
use super::{Ledger, LedgerError, ListRecord, nanoseconds, timestamp};

/// So many lists are noted at a time: a ledger of an earlier program may have thousands.
const AT_ONCE: i64 = 64;

/// What a run list names.
#[derive(Debug, Clone)]
pub struct Names {
    /// Number of the list.
    pub id: i64,
    /// When its file was written.
    pub modified: Timestamp,
    /// Stems, each with the word of its kind.
    pub stems: Vec<(String, &'static str)>,
}

/// The first columns of a query that gives lists.
fn list_of(row: &Row<'_>) -> rusqlite::Result<ListRecord> {
    Ok(ListRecord {
        queue: row.get(0)?,
        content: row.get(1)?,
        modified: timestamp(row.get(2)?),
        sha256: row.get(3)?,
        path: path_of(row.get(4)?),
    })
}

impl Ledger {
    /// The last usable run list of a queue.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn list(&self, station: &str, queue: &str) -> Result<Option<ListRecord>, LedgerError> {
        self.leave("list")?;
        self.connection
            .prepare_cached(
                "SELECT queue, content, modified_ns, sha256, path FROM run_list
                 WHERE station = ?1 AND queue = ?2 ORDER BY id DESC LIMIT 1",
            )
            .and_then(|mut s| s.query_row([station, queue], list_of).optional())
            .map_err(|e| self.sqlite(e))
    }

    /// The station has run lists.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn has_lists(&self, station: &str) -> Result<bool, LedgerError> {
        self.leave("has lists")?;
        self.connection
            .prepare_cached("SELECT 1 FROM run_list WHERE station = ?1 LIMIT 1")
            .and_then(|mut s| s.exists([station]))
            .map_err(|e| self.sqlite(e))
    }

    /// Some of the run lists of which it is not noted yet what they name, with their numbers, oldest first.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn unnoted_lists(&self, station: &str) -> Result<Vec<(i64, ListRecord)>, LedgerError> {
        self.leave("unnoted lists")?;
        // By number: all other lists are passed over without a look.
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT queue, content, modified_ns, sha256, path, id FROM run_list
                 WHERE id > coalesce((SELECT list_id FROM shelf WHERE station = ?1), 0) AND +station = ?1
                 ORDER BY id LIMIT ?2",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(params![station, AT_ONCE], |row| {
                Ok((row.get(5)?, list_of(row)?))
            })
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// Notes what run lists name, oldest first, as one transaction.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn note_lists(&mut self, station: &str, lists: &[Names]) -> Result<(), LedgerError> {
        self.leave("note lists")?;
        let path = self.path.clone();
        let sqlite = |source| LedgerError::of(&path, source);
        let transaction = self.connection.transaction().map_err(sqlite)?;
        for list in lists {
            note(&transaction, station, list).map_err(sqlite)?;
        }
        super::commit(transaction, &path)
    }

    /// Queues whose run list names a stem (as this kind, where one is given), with the dates of their lists, nearest first: those
    /// not newer than `at`, newest first, and where there is none of these the others, oldest first. At most so many.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn listing(
        &self,
        station: &str,
        stem: &str,
        kind: Option<&str>,
        at: Timestamp,
        most: usize,
    ) -> Result<Vec<(String, Timestamp)>, LedgerError> {
        self.leave("listing")?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        // A list that was replaced names nothing any more.
        for sql in [
            "SELECT r.queue, n.modified_ns FROM named n JOIN run_list r ON r.id = n.list_id
             WHERE n.station = ?1 AND n.stem = ?2 AND n.modified_ns <= ?3 AND (?4 IS NULL OR n.kind = ?4)
             AND NOT EXISTS (SELECT 1 FROM run_list l WHERE l.station = ?1 AND l.queue = r.queue AND l.id > n.list_id)
             ORDER BY n.modified_ns DESC, r.queue DESC LIMIT ?5",
            "SELECT r.queue, n.modified_ns FROM named n JOIN run_list r ON r.id = n.list_id
             WHERE n.station = ?1 AND n.stem = ?2 AND n.modified_ns > ?3 AND (?4 IS NULL OR n.kind = ?4)
             AND NOT EXISTS (SELECT 1 FROM run_list l WHERE l.station = ?1 AND l.queue = r.queue AND l.id > n.list_id)
             ORDER BY n.modified_ns, r.queue LIMIT ?5",
        ] {
            let mut statement = self
                .connection
                .prepare_cached(sql)
                .map_err(|e| self.sqlite(e))?;
            let rows = statement
                .query_map(params![station, stem, nanoseconds(at), kind, most], |row| {
                    Ok((row.get(0)?, timestamp(row.get(1)?)))
                })
                .map_err(|e| self.sqlite(e))?;
            let found: Vec<_> = rows
                .collect::<Result<_, _>>()
                .map_err(|e| self.sqlite(e))?;
            if !found.is_empty() {
                return Ok(found);
            }
        }
        Ok(Vec::new())
    }

    /// Queues that go on.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn open_queues(&self, station: &str) -> Result<Vec<String>, LedgerError> {
        self.queue_names(
            "SELECT queue FROM queue INDEXED BY queue_open WHERE station = ?1 AND ended_ns IS NULL ORDER BY queue",
            params![station],
        )
    }

    /// Queues that lost everything to a late list and were not dropped any more.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn emptied_queues(&self, station: &str) -> Result<Vec<String>, LedgerError> {
        self.queue_names(
            "SELECT q.queue FROM queue q INDEXED BY queue_open WHERE q.station = ?1 AND q.ended_ns IS NULL
               AND NOT EXISTS (SELECT 1 FROM landing l WHERE l.station = q.station AND l.queue = q.queue)
               AND NOT EXISTS (SELECT 1 FROM run_list r WHERE r.station = q.station AND r.queue = q.queue)
             ORDER BY q.queue",
            params![station],
        )
    }

    /// Queues of which nothing has landed yet and whose list was read since then.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn awaited(&self, station: &str, since: Timestamp) -> Result<Vec<String>, LedgerError> {
        self.queue_names(
            "SELECT DISTINCT l.queue FROM run_list l WHERE l.station = ?1 AND l.seen_ns >= ?2
             AND NOT EXISTS (SELECT 1 FROM queue q WHERE q.station = ?1 AND q.queue = l.queue) ORDER BY l.queue",
            params![station, nanoseconds(since)],
        )
    }

    /// Names of queues, by a query that asks for nothing else.
    pub(super) fn queue_names(
        &self,
        sql: &str,
        values: impl rusqlite::Params,
    ) -> Result<Vec<String>, LedgerError> {
        self.leave("queue names")?;
        let mut statement = self
            .connection
            .prepare_cached(sql)
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(values, |row| row.get(0))
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// Queues in which a trace of this stem lies and whose name begins so, with the time at which its file was written.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn landed_in(
        &self,
        station: &str,
        stem: &str,
        prefix: &str,
    ) -> Result<Vec<(String, Timestamp)>, LedgerError> {
        self.leave("landed in")?;
        // `char::MAX` sorts behind whatever may follow the prefix.
        let end = format!("{prefix}{}", char::MAX);
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT queue, max(modified_ns) FROM landing WHERE station = ?1 AND stem = ?2 AND queue BETWEEN ?3 AND ?4
                 GROUP BY queue ORDER BY queue",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map([station, stem, prefix, &end], |row| {
                Ok((row.get(0)?, timestamp(row.get(1)?)))
            })
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }
}

fn note(transaction: &Transaction<'_>, station: &str, list: &Names) -> rusqlite::Result<()> {
    let at = nanoseconds(list.modified);
    for (stem, kind) in &list.stems {
        transaction
            .prepare_cached("INSERT OR REPLACE INTO named (station, stem, modified_ns, list_id, kind) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![station, stem, at, list.id, kind])?;
    }
    transaction
        .prepare_cached("INSERT INTO shelf (station, list_id) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET list_id = excluded.list_id")?
        .execute(params![station, list.id])
        .map(drop)
}
