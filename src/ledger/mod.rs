//! The truth: what has landed, what it gave, what was told. Everything under the results folder can be made again from it.
//!
//! SQLite in one file, write-ahead log, `synchronous = FULL`: when a call returns, its records survive a power cut.
//! One process owns a ledger; a lock file beside it says so. It must lie on a local disk: SQLite's locks do not hold
//! on network shares, and a share that comes back late would tear the file.

mod audit;
mod chain;
mod in_place;
mod known;
mod lock;
mod made;
mod outbox;
mod place;
mod pressure;
mod records;
mod repeats;
mod running;
mod schema;
mod shelf;
mod sound;
mod strays;
mod told;
mod written;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Connection, Transaction};

use crate::outside;

pub use audit::{Audit, audit};
pub use outbox::{Fate, Told, Waiting};
pub use place::is_network_share;
pub use records::{FileSeen, ListRecord, NewLanding, Stored};
pub use repeats::Relation;
pub use running::Gap;
pub use shelf::Names;

/// Name of the database in the state folder.
const FILE_NAME: &str = "ledger.sqlite";

/// What can go wrong with the ledger. Without one nothing can be promised: each ends the program, but what may pass by itself in a
/// running daemon ([`LedgerError::may_pass`]) is waited out.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The folder cannot be made or opened.
    #[error("{path}: {source}")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Another process has it.
    #[error(
        "{path}: another runsitter works with this state folder; end it first, or give this one a `state_dir` of its own"
    )]
    Locked {
        /// The folder, or the lock file in it.
        path: PathBuf,
    },
    /// The folder lies on a network share.
    #[error(
        "{path}: `state_dir` lies on a network share ({kind}), where a ledger gets damaged; put it on a local disk (results may stay on the share)"
    )]
    Share {
        /// The folder.
        path: PathBuf,
        /// The file system.
        kind: &'static str,
    },
    /// A newer program wrote it.
    #[error(
        "{path}: the ledger has version {found}, this program knows versions up to {known}; use the newer runsitter"
    )]
    Newer {
        /// The database.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// Ours.
        known: i64,
    },
    /// Some of its pages are not what was written.
    #[error(
        "{path}: the ledger is damaged ({what}); it was left as it is. Keep a copy of the whole folder; then move `machine` beside it, this file, and those that begin with its name, to another place: a new ledger is begun, and the files in the watched folders are read again"
    )]
    Damaged {
        /// The database.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// There was one, and now there is none.
    #[error(
        "{path}: found no ledger, though {sign}; nothing was changed, and what lies in the results' folders is as it was. Put the ledger back from a copy (this file, and those that begin with its name). To begin a new one on purpose, end runsitter, then move `machine` beside it, and what begins with this name, to another place: what lies in the watched folders is read again"
    )]
    Missing {
        /// The database.
        path: PathBuf,
        /// What says so.
        sign: &'static str,
    },
    /// What was open is no longer what lies there.
    #[error(
        "{path}: found {found}, expected what lay there when the ledger was opened: it was removed, moved or replaced, and what is written now would be lost. Put the state folder back as it was"
    )]
    Lost {
        /// The file or folder.
        path: PathBuf,
        /// What lies there now.
        found: &'static str,
    },
    /// Another program's database.
    #[error(
        "{path}: found a database of another program, expected a ledger or none; it was left as it is. Give runsitter a `state_dir` of its own"
    )]
    Foreign {
        /// The database.
        path: PathBuf,
    },
    /// It was written on another machine.
    #[error(
        "{path}: this ledger is kept on another machine ({host}); it was left as it is. To go on with it here, end the runsitter there for good and remove this file; to begin a new ledger, give this machine a `state_dir` of its own"
    )]
    Elsewhere {
        /// The file that says so.
        path: PathBuf,
        /// The other machine's name.
        host: String,
    },
    /// It is from before there was a chain.
    #[error(
        "{path}: the ledger has version {found}, without a chain of records; `watch`, `process` or `summary` brings it forward"
    )]
    Unchained {
        /// The database.
        path: PathBuf,
        /// Its version.
        found: i64,
    },
    /// SQLite says no.
    #[error("{path}: {source}{}", what_to_do(source))]
    Sqlite {
        /// The database.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// A record is not what this program writes.
    #[error("{path}: record {id} of {table} cannot be read: {message}")]
    Record {
        /// The database.
        path: PathBuf,
        /// Table.
        table: &'static str,
        /// Row.
        id: i64,
        /// Why.
        message: String,
    },
}

/// An open ledger. Dropping it releases the lock.
#[derive(Debug)]
pub struct Ledger {
    path: PathBuf,
    connection: Connection,
    /// The highest number of a landing that was given.
    last_id: i64,
    known: known::Known,
    /// Station and queue of what was added to the chain since it was asked for.
    touched: BTreeSet<(String, String)>,
    /// What is open lies where it lay.
    in_place: in_place::InPlace,
    lock: lock::Lock,
}

impl LedgerError {
    /// What SQLite says of a database: damage is told apart.
    fn of(path: &Path, source: rusqlite::Error) -> LedgerError {
        let path = path.to_owned();
        if sound::is_damage(&source) {
            let what = source.to_string();
            return LedgerError::Damaged { path, what };
        }
        LedgerError::Sqlite { path, source }
    }

    /// It may pass by itself, and then nothing is lost: no room, a disk that cannot be written now, a folder that is put back.
    pub fn may_pass(&self) -> bool {
        use rusqlite::ErrorCode;
        match self {
            LedgerError::Io { .. } | LedgerError::Missing { .. } | LedgerError::Lost { .. } => true,
            LedgerError::Sqlite { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(
                    ErrorCode::DiskFull
                        | ErrorCode::SystemIoFailure
                        | ErrorCode::CannotOpen
                        | ErrorCode::ReadOnly
                        | ErrorCode::DatabaseBusy
                )
            ),
            _ => false,
        }
    }
}

impl Ledger {
    /// Opens the ledger of a state folder, making both where they are not there yet.
    ///
    /// # Errors
    /// When the folder cannot be used, lies on a network share, is in use, holds a ledger of a newer program, or did hold one.
    pub fn open(state_dir: &Path) -> Result<Ledger, LedgerError> {
        let io = |path: &Path| {
            let path = path.to_owned();
            move |source| LedgerError::Io { path, source }
        };
        outside::disk("make the folder", state_dir).map_err(io(state_dir))?;
        std::fs::create_dir_all(state_dir).map_err(io(state_dir))?;
        if let Some(kind) = is_network_share(state_dir) {
            return Err(LedgerError::Share {
                path: state_dir.to_owned(),
                kind,
            });
        }
        let lock = lock::Lock::take(state_dir)?;
        let path = state_dir.join(FILE_NAME);
        let machine = state_dir.join(sound::MACHINE_NAME);
        sound::look_at_file(&path, &machine)?;
        sound::keep_machine(&machine, false)?;
        // A kill may have left the mark half-written.
        crate::report::whole::sweep(state_dir);
        outside::disk("open", &path).map_err(io(&path))?;
        let connection = Connection::open(&path).map_err(|e| LedgerError::of(&path, e))?;
        let mut ledger = Ledger {
            path,
            connection,
            last_id: 0,
            known: known::Known::default(),
            touched: BTreeSet::new(),
            in_place: in_place::InPlace::default(),
            lock,
        };
        ledger.prepare()?;
        // Last: a kill before it leaves no mark, and then a ledger that is not there yet is not missed.
        sound::keep_machine(&machine, true)?;
        let held = ledger.lock.held_by.clone();
        let files = [held, ledger.path.clone(), sound::log_of(&ledger.path)];
        ledger.in_place = in_place::InPlace::of(files);
        Ok(ledger)
    }

    /// Opens a ledger that this program worked with before: where it is missing, no new one is begun.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn open_again(state_dir: &Path) -> Result<Ledger, LedgerError> {
        let path = state_dir.join(FILE_NAME);
        if !sound::is_there(&path)? {
            let sign = "runsitter worked with it until it was lost";
            return Err(LedgerError::Missing { path, sign });
        }
        Ledger::open(state_dir)
    }

    /// What is open still lies where it lay.
    ///
    /// # Errors
    /// When it was removed, moved or replaced: what is written then is lost.
    pub fn prove_in_place(&self) -> Result<(), LedgerError> {
        self.in_place.prove(&self.path)
    }

    fn prepare(&mut self) -> Result<(), LedgerError> {
        let found = sound::look_into(&self.connection, &self.path)?;
        self.leave("make the tables")?;
        schema::apply(&mut self.connection, found)
            .map_err(|source| LedgerError::of(&self.path, source))?;
        let last: Option<i64> = self
            .connection
            .query_row("SELECT max(id) FROM landing", [], |row| row.get(0))
            .map_err(|e| self.sqlite(e))?;
        self.last_id = last.unwrap_or(0);
        Ok(())
    }

    /// Writes as one transaction. The work gives the queues of the station to whose records something was added.
    fn write<T>(
        &mut self,
        deed: &'static str,
        station: &str,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<(T, Vec<String>)>,
    ) -> Result<T, LedgerError> {
        self.leave(deed)?;
        let path = &self.path;
        let sqlite = |source| LedgerError::of(path, source);
        let transaction = self.connection.transaction().map_err(sqlite)?;
        let (done, queues) = work(&transaction).map_err(sqlite)?;
        commit(transaction, path)?;
        self.in_place.prove(path)?;
        let mine = queues.into_iter().map(|queue| (station.to_owned(), queue));
        self.touched.extend(mine);
        Ok(done)
    }

    /// Before each call of the database: see [`outside::disk`].
    fn leave(&self, deed: &'static str) -> Result<(), LedgerError> {
        outside::disk(deed, &self.path).map_err(|source| LedgerError::Io {
            path: self.path.clone(),
            source,
        })
    }

    fn sqlite(&self, source: rusqlite::Error) -> LedgerError {
        LedgerError::of(&self.path, source)
    }

    fn record(&self, table: &'static str, id: i64, message: impl std::fmt::Display) -> LedgerError {
        LedgerError::Record {
            path: self.path.clone(),
            table,
            id,
            message: message.to_string(),
        }
    }

    /// The database file.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

/// Makes a transaction last.
fn commit(transaction: rusqlite::Transaction<'_>, path: &Path) -> Result<(), LedgerError> {
    outside::disk("commit", path).map_err(|source| LedgerError::Io {
        path: path.to_owned(),
        source,
    })?;
    transaction
        .commit()
        .map_err(|source| LedgerError::of(path, source))
}

/// What a person can do about it, where that is known.
fn what_to_do(source: &rusqlite::Error) -> &'static str {
    use rusqlite::ErrorCode;
    match source.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => "; make room on that disk",
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen) => "; give back the right to write there",
        Some(ErrorCode::SystemIoFailure) => "; look at that disk, or its quota",
        Some(ErrorCode::DatabaseBusy) => "; another program has it open",
        _ => "",
    }
}

/// Between these moments lies every time that the ledger keeps, in nanoseconds since 1970: from 1677 to 2262.
pub const KEPT_NS: [i64; 2] = [i64::MIN, i64::MAX];

/// Nanoseconds since 1970, as the ledger keeps time; earlier and later times become its first and its last.
fn nanoseconds(at: Timestamp) -> i64 {
    let [first, last] = KEPT_NS;
    let ns = at.as_nanosecond();
    i64::try_from(ns).unwrap_or(if ns < 0 { first } else { last })
}

fn timestamp(nanoseconds: i64) -> Timestamp {
    Timestamp::from_nanosecond(i128::from(nanoseconds)).unwrap_or(Timestamp::UNIX_EPOCH)
}

#[cfg(test)]
mod tests;
