//! Reading and writing records.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Transaction, params};

use super::chain::{Links, Table};
use super::{Ledger, LedgerError, nanoseconds, timestamp};
use crate::night::Landing;
use crate::reading::Evaluation;

/// A file as it was last taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileSeen {
    /// Bytes.
    pub size: u64,
    /// Modification time.
    pub modified: Timestamp,
    /// Hash of the method with which it was evaluated.
    pub method_sha256: String,
}

/// A trace that is about to land.
#[derive(Debug, Clone)]
pub struct NewLanding<'a> {
    /// Where the file lies.
    pub path: &'a Path,
    /// Bytes.
    pub size: u64,
    /// The queue to which it belongs.
    pub queue: &'a str,
    /// The record, with its number.
    pub landing: &'a Landing,
    /// The method with which it was evaluated.
    pub method_sha256: &'a str,
}

/// A landing as the ledger keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// The record.
    pub landing: Landing,
    /// The method with which it was evaluated.
    pub method_sha256: String,
}

/// A run list as it was when it was read.
#[derive(Debug, Clone, PartialEq)]
pub struct ListRecord {
    /// Name of its queue.
    pub queue: String,
    /// The file's bytes.
    pub content: Vec<u8>,
    /// The file's modification time.
    pub modified: Timestamp,
    /// SHA-256 of the bytes.
    pub sha256: String,
    /// Where it lay.
    pub path: std::path::PathBuf,
}

impl Ledger {
    /// What is known of a file.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn file(&self, station: &str, path: &Path) -> Result<Option<FileSeen>, LedgerError> {
        self.leave("file")?;
        let mut statement = self
            .connection
            .prepare_cached("SELECT size, modified_ns, method_sha256 FROM file WHERE station = ?1 AND path = ?2")
            .map_err(|e| self.sqlite(e))?;
        statement
            .query_row(params![station, bytes(path)], |row| {
                Ok(FileSeen {
                    size: row.get::<_, i64>(0)?.unsigned_abs(),
                    modified: timestamp(row.get(1)?),
                    method_sha256: row.get(2)?,
                })
            })
            .optional()
            .map_err(|e| self.sqlite(e))
    }

    /// Where the file of a landing lay.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn path_of(&self, landing: i64) -> Result<Option<PathBuf>, LedgerError> {
        self.leave("path of a landing")?;
        self.connection
            .prepare_cached("SELECT path FROM landing WHERE id = ?1")
            .and_then(|mut s| s.query_row([landing], |row| row.get(0)).optional())
            .map(|path| path.map(path_of))
            .map_err(|e| self.sqlite(e))
    }

    /// A number for a landing, given once: all stations share the ledger.
    pub fn take_landing_id(&mut self) -> i64 {
        self.last_id += 1;
        self.last_id
    }

    /// Commits a batch of landings, and the files that brought nothing new, as one transaction.
    ///
    /// # Errors
    /// When the database cannot be written: then nothing of the batch has landed.
    pub fn land(
        &mut self,
        station: &str,
        batch: &[NewLanding<'_>],
        unchanged: &[(PathBuf, FileSeen)],
    ) -> Result<(), LedgerError> {
        let files = batch.iter().map(|new| new.path);
        for file in files.chain(unchanged.iter().map(|(file, _)| file.as_path())) {
            self.known.forget(station, file);
        }
        self.write("land", station, |transaction| {
            let mut links = Links::open(transaction)?;
            for new in batch {
                let seen = FileSeen {
                    size: new.size,
                    modified: new.landing.modified,
                    method_sha256: new.method_sha256.to_owned(),
                };
                insert(transaction, station, new)?;
                links.add(Table::Landing, new.landing.id, Some(new.queue))?;
                see(transaction, station, new.path, &seen)?;
            }
            for (file, seen) in unchanged {
                see(transaction, station, file, seen)?;
            }
            Ok(((), links.close(station)?))
        })
    }

    /// The last content of every name in a queue, in the order in which they landed.
    ///
    /// # Errors
    /// When the database cannot be read or a record is damaged.
    pub fn landings(&self, station: &str, queue: &str) -> Result<Vec<Stored>, LedgerError> {
        self.leave("landings")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT id, stem, revision, file_name, sha256, modified_ns, landed_ns, method_sha256, evaluation FROM landing
                 WHERE id IN (SELECT max(id) FROM landing INDEXED BY landing_by_queue WHERE station = ?1 AND queue = ?2 GROUP BY stem)
                 ORDER BY id",
            )
            .map_err(|e| self.sqlite(e))?;
        let mut rows = statement
            .query(params![station, queue])
            .map_err(|e| self.sqlite(e))?;
        let mut out = Vec::new();
        while let Some(row) = rows.next().map_err(|e| self.sqlite(e))? {
            out.push(self.stored(row)?);
        }
        Ok(out)
    }

    fn stored(&self, row: &rusqlite::Row<'_>) -> Result<Stored, LedgerError> {
        self.leave("stored")?;
        let id: i64 = row.get(0).map_err(|e| self.sqlite(e))?;
        let text: String = row.get(8).map_err(|e| self.sqlite(e))?;
        let evaluation: Evaluation =
            serde_json::from_str(&text).map_err(|e| self.record("landing", id, e))?;
        let read = || -> rusqlite::Result<Stored> {
            Ok(Stored {
                landing: Landing {
                    id,
                    stem: row.get(1)?,
                    revision: row.get(2)?,
                    file_name: row.get(3)?,
                    sha256: row.get(4)?,
                    modified: timestamp(row.get(5)?),
                    landed_at: timestamp(row.get(6)?),
                    evaluation,
                },
                method_sha256: row.get(7)?,
            })
        };
        read().map_err(|e| self.sqlite(e))
    }

    /// Queues in which a trace of this stem lies.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn queues_of_stem(&self, station: &str, stem: &str) -> Result<Vec<String>, LedgerError> {
        self.leave("queues of stem")?;
        let mut statement = self
            .connection
            .prepare_cached("SELECT DISTINCT queue FROM landing WHERE station = ?1 AND stem = ?2 ORDER BY queue")
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(params![station, stem], |row| row.get(0))
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// A late or changed list moves what has landed: all revisions of these stems now belong to another queue.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn move_landings(
        &mut self,
        station: &str,
        moves: &[(i64, String, String)],
    ) -> Result<(), LedgerError> {
        self.write("move landings", station, |transaction| {
            let mut links = Links::open(transaction)?;
            for (id, stem, queue) in moves {
                let from: Option<String> = transaction
                    .prepare_cached("SELECT queue FROM landing WHERE id = ?1")?
                    .query_row([id], |row| row.get(0))
                    .optional()?;
                let Some(from) = from.filter(|from| from != queue) else {
                    continue;
                };
                let mut statement = transaction.prepare_cached(
                    "UPDATE landing SET queue = ?4 WHERE station = ?1 AND stem = ?2 AND queue = ?3 RETURNING id",
                )?;
                let moved: Vec<i64> = statement
                    .query_map(params![station, stem, from, queue], |row| row.get(0))?
                    .collect::<Result<_, _>>()?;
                if !moved.is_empty() {
                    transaction
                        .prepare_cached("INSERT OR IGNORE INTO former (station, queue) VALUES (?1, ?2)")?
                        .execute(params![station, from])?;
                    // It goes on, whatever it was before.
                    set_queue(transaction, station, queue, None)?;
                }
                for row in moved {
                    links.add(Table::Landing, row, Some(queue))?;
                }
                links.touch(&from);
                super::written::owe(transaction, station, &from)?;
                // Emptied, it counts as open until it is dropped: a start after a kill finds it.
                transaction
                    .prepare_cached(
                        "UPDATE queue SET ended_ns = NULL WHERE station = ?1 AND queue = ?2
                         AND NOT EXISTS (SELECT 1 FROM landing WHERE station = ?1 AND queue = ?2)",
                    )?
                    .execute(params![station, from])?;
            }
            Ok(((), links.close(station)?))
        })
    }

    /// Every queue of a station with something landed in it, and whether it has ended.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn queues(&self, station: &str) -> Result<Vec<(String, bool)>, LedgerError> {
        self.leave("queues")?;
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT queue, ended_ns IS NOT NULL FROM queue WHERE station = ?1 ORDER BY queue",
            )
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map([station], |row| Ok((row.get(0)?, row.get(1)?)))
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// The queue in which a trace landed last.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn last_queue(&self, station: &str) -> Result<Option<String>, LedgerError> {
        self.leave("last queue")?;
        self.connection
            .query_row(
                // Backwards from the last landing of all stations: the wanted one is near.
                "SELECT queue FROM landing WHERE +station = ?1 ORDER BY id DESC LIMIT 1",
                [station],
                |row| row.get(0),
            )
            .optional()
            .map_err(|e| self.sqlite(e))
    }

    /// Notes whether a queue goes on (`None`) or has ended.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn set_queue(
        &mut self,
        station: &str,
        queue: &str,
        ended_at: Option<Timestamp>,
    ) -> Result<(), LedgerError> {
        self.leave("set queue")?;
        set_queue(&self.connection, station, queue, ended_at).map_err(|e| self.sqlite(e))
    }

    /// Forgets a queue that lost everything to a late list; its landings have moved.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn drop_queue(&mut self, station: &str, queue: &str) -> Result<(), LedgerError> {
        self.leave("drop queue")?;
        let drop_from = |table| {
            let sql = format!("DELETE FROM {table} WHERE station = ?1 AND queue = ?2");
            self.connection.execute(&sql, [station, queue])
        };
        drop_from("written")
            .and_then(|_| drop_from("queue"))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// Keeps a run list, unless it is the one kept last for its queue; true where it is new.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_list(
        &mut self,
        station: &str,
        list: &ListRecord,
        now: Timestamp,
    ) -> Result<bool, LedgerError> {
        self.leave("keep list")?;
        let last: Option<(String, i64)> = self
            .connection
            .query_row(
                "SELECT sha256, modified_ns FROM run_list WHERE station = ?1 AND queue = ?2 ORDER BY id DESC LIMIT 1",
                params![station, list.queue],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()
            .map_err(|e| self.sqlite(e))?;
        if last == Some((list.sha256.clone(), nanoseconds(list.modified))) {
            return Ok(false);
        }
        self.write("keep list", station, |transaction| {
            let mut links = Links::open(transaction)?;
            transaction.execute(
                "INSERT INTO run_list (station, queue, path, sha256, modified_ns, seen_ns, content) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![station, list.queue, bytes(&list.path), list.sha256, nanoseconds(list.modified), nanoseconds(now), list.content],
            )?;
            links.add(Table::RunList, transaction.last_insert_rowid(), Some(&list.queue))?;
            Ok((true, links.close(station)?))
        })
    }
}

/// Notes whether a queue goes on, also as a part of a transaction.
pub(super) fn set_queue(
    connection: &rusqlite::Connection,
    station: &str,
    queue: &str,
    ended_at: Option<Timestamp>,
) -> rusqlite::Result<()> {
    connection
        .execute(
            "INSERT INTO queue (station, queue, ended_ns) VALUES (?1, ?2, ?3)
             ON CONFLICT DO UPDATE SET ended_ns = excluded.ended_ns WHERE ended_ns IS NOT excluded.ended_ns",
            params![station, queue, ended_at.map(nanoseconds)],
        )
        .map(drop)
}

fn insert(
    transaction: &Transaction<'_>,
    station: &str,
    new: &NewLanding<'_>,
) -> rusqlite::Result<()> {
    let landing = new.landing;
    let evaluation = serde_json::to_string(&landing.evaluation)
        .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
    transaction
        .prepare_cached(
            "INSERT INTO landing (id, station, queue, stem, revision, file_name, path, sha256, modified_ns, landed_ns, method_sha256, program, evaluation)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
        )?
        .execute(params![
            landing.id,
            station,
            new.queue,
            landing.stem,
            landing.revision,
            landing.file_name,
            bytes(new.path),
            landing.sha256,
            nanoseconds(landing.modified),
            nanoseconds(landing.landed_at),
            new.method_sha256,
            env!("CARGO_PKG_VERSION"),
            evaluation
        ])?;
    transaction
        .prepare_cached("INSERT INTO queue (station, queue) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET ended_ns = NULL WHERE ended_ns IS NOT NULL")?
        .execute(params![station, new.queue])?;
    Ok(())
}

fn see(
    transaction: &Transaction<'_>,
    station: &str,
    path: &Path,
    seen: &FileSeen,
) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("INSERT OR REPLACE INTO file (station, path, size, modified_ns, method_sha256) VALUES (?1, ?2, ?3, ?4, ?5)")?
        .execute(params![station, bytes(path), i64::try_from(seen.size).unwrap_or(i64::MAX), nanoseconds(seen.modified), seen.method_sha256])
        .map(drop)
}

fn bytes(path: &Path) -> &[u8] {
    path.as_os_str().as_encoded_bytes()
}

#[cfg(unix)]
pub(super) fn path_of(bytes: Vec<u8>) -> std::path::PathBuf {
    use std::os::unix::ffi::OsStringExt;
    std::ffi::OsString::from_vec(bytes).into()
}

#[cfg(not(unix))]
pub(super) fn path_of(bytes: Vec<u8>) -> std::path::PathBuf {
    String::from_utf8_lossy(&bytes).into_owned().into()
}
