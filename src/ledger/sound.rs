//! Whether a ledger may be opened: looked at before anything is written. What cannot be used stays byte for byte as it is.

use std::path::{Path, PathBuf};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode};
use sha2::{Digest as _, Sha256};

use super::{LedgerError, schema};
use crate::outside;

/// Up to this size every page is looked at when the ledger is opened, bytes: a tenth of a second. Larger ones are looked at by
/// `check --ledger`, and wherever they are read.
const LOOKED_AT_WHOLE: u64 = 32 * 1024 * 1024;
/// Stands for a machine that cannot be told from others.
const NAMELESS: &str = "-";
/// Name of the file that says on which machine the ledger is kept.
pub(super) const MACHINE_NAME: &str = "machine";

/// Looks at the file before it is opened: one that is missing, or lost its content, is not taken for a new one.
pub(super) fn look_at_file(path: &Path, machine: &Path) -> Result<(), LedgerError> {
    let damaged = |what: &str| LedgerError::Damaged {
        path: path.to_owned(),
        what: what.to_owned(),
    };
    if !is_there(path)? {
        // SQLite would begin a new one, and throw the log of the old one away.
        let sign = match () {
            () if machine.exists() => "`machine` beside it says that there was one",
            () if log_length(path) > 0 => "its log lies beside it",
            () => return Ok(()),
        };
        return Err(LedgerError::Missing {
            path: path.to_owned(),
            sign,
        });
    }
    let log = log_length(path);
    if std::fs::metadata(path).is_ok_and(|m| m.len() == 0) && (log > 0 || machine.exists()) {
        return Err(damaged("the file is empty"));
    }
    Ok(())
}

/// There is a file of this name.
pub(super) fn is_there(path: &Path) -> Result<bool, LedgerError> {
    let found = outside::disk("look for", path).and_then(|()| path.try_exists());
    found.map_err(|source| LedgerError::Io {
        path: path.to_owned(),
        source,
    })
}

/// The write-ahead log beside the database.
pub(super) fn log_of(path: &Path) -> PathBuf {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    log.into()
}

/// Bytes in it.
fn log_length(path: &Path) -> u64 {
    std::fs::metadata(log_of(path)).map_or(0, |m| m.len())
}

/// Looks into an open database; gives its version, 0 for a new one.
pub(super) fn look_into(connection: &Connection, path: &Path) -> Result<i64, LedgerError> {
    let failed = |source| LedgerError::of(path, source);
    // Until it is known to be ours and whole, closing it must not bring the log into it.
    let no_checkpoint = DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE;
    connection
        .set_db_config(no_checkpoint, true)
        .map_err(failed)?;
    let found = schema::version(connection).map_err(failed)?;
    let known = schema::VERSION;
    if found > known {
        return Err(LedgerError::Newer {
            path: path.to_owned(),
            found,
            known,
        });
    }
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_master", [], |r| r.get(0))
        .map_err(failed)?;
    let ours: i64 = connection
        .query_row(
            "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('landing', 'run_list', 'file', 'alert')",
            [],
            |r| r.get(0),
        )
        .map_err(failed)?;
    match (found, tables, ours) {
        (0, 0, _) => {}
        (1.., _, 4) => whole(connection, path)?,
        _ => {
            return Err(LedgerError::Foreign {
                path: path.to_owned(),
            });
        }
    }
    connection
        .set_db_config(no_checkpoint, false)
        .map_err(failed)?;
    Ok(found)
}

/// Every page is there, and in a ledger of the usual size each one is what it should be.
fn whole(connection: &Connection, path: &Path) -> Result<(), LedgerError> {
    let failed = |source| LedgerError::of(path, source);
    let damaged = |what: String| {
        Err(LedgerError::Damaged {
            path: path.to_owned(),
            what,
        })
    };
    let size: i64 = connection
        .query_row(
            "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size",
            [],
            |r| r.get(0),
        )
        .map_err(failed)?;
    let there = std::fs::metadata(path).map_or(0, |m| m.len());
    // With a log beside it the file may lack what still stands in the log.
    if log_length(path) == 0 && there < size.unsigned_abs() {
        return damaged(format!(
            "found {there} bytes, expected {size}: it is cut off"
        ));
    }
    if size.unsigned_abs() <= LOOKED_AT_WHOLE {
        let word: String = connection
            .query_row("PRAGMA quick_check(1)", [], |r| r.get(0))
            .map_err(failed)?;
        if word != "ok" {
            return damaged(crate::text::one_line(&word));
        }
    }
    Ok(())
}

/// SQLite says that pages are not what they should be.
pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
    )
}

/// The ledger stays on its machine: a copy that goes on elsewhere would tell of the same night twice. A ledger without a mark
/// gets that of this machine once it is there: a mark without a ledger would say that one was lost.
pub(super) fn keep_machine(file: &Path, is_there: bool) -> Result<(), LedgerError> {
    let id = machine();
    let io = |source| LedgerError::Io {
        path: file.to_owned(),
        source,
    };
    let there = match outside::disk("read", file).and_then(|()| std::fs::read_to_string(file)) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(io(error)),
    };
    let (marked, other) = there
        .trim_end()
        .split_once(' ')
        .unwrap_or((there.trim_end(), ""));
    match id.as_deref() {
        // Here machines cannot be told apart.
        None if !marked.is_empty() => Ok(()),
        Some(id) if id == marked => Ok(()),
        Some(_) if !marked.is_empty() && marked != NAMELESS => Err(LedgerError::Elsewhere {
            path: file.to_owned(),
            host: crate::text::one_line(other),
        }),
        _ if !is_there => Ok(()),
        id => {
            let text = format!("{} {}\n", id.unwrap_or(NAMELESS), host());
            crate::report::whole::replace(file, text.as_bytes()).map_err(|e| io(e.source))
        }
    }
}

/// What tells this machine from others, hashed as machine-id(5) asks for; `None` where the system has no such number.
fn machine() -> Option<String> {
    let id = std::fs::read_to_string("/etc/machine-id").ok()?;
    let id = id.trim();
    if id.is_empty() || id == "uninitialized" {
        return None;
    }
    let hash: [u8; 32] = Sha256::digest(format!("runsitter ledger\n{id}")).into();
    Some(crate::text::hex(&hash))
}

fn host() -> String {
    let name = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    crate::text::one_line(name.trim())
}
