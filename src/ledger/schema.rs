//! The tables, and how an older ledger becomes a current one.

use rusqlite::Connection;

/// Version of the tables below, kept in SQLite's `user_version`.
pub const VERSION: i64 = 5;
/// The first version with a chain.
pub const FIRST_CHAINED: i64 = 5;

/// Version of an open database; 0 for a new one.
pub fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Brings a database from version `found` to [`VERSION`] and sets how it works.
pub fn apply(connection: &mut Connection, found: i64) -> rusqlite::Result<()> {
    connection.busy_timeout(std::time::Duration::from_secs(5))?;
    if crate::outside::is_played() {
        // A played kill takes no power from the disk, and a seventh of a played night went into locks.
        connection.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    }
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "fullfsync", true)?;
    connection.set_prepared_statement_cache_capacity(64);
    if found < 1 {
        let transaction = connection.transaction()?;
        transaction.execute_batch(VERSION_1)?;
        transaction.pragma_update(None, "user_version", 1)?;
        transaction.commit()?;
    }
    if found < 2 {
        let transaction = connection.transaction()?;
        transaction.execute_batch(VERSION_2)?;
        transaction.pragma_update(None, "user_version", 2)?;
        transaction.commit()?;
    }
    if found < 3 {
        let transaction = connection.transaction()?;
        transaction.execute_batch(VERSION_3)?;
        transaction.pragma_update(None, "user_version", 3)?;
        transaction.commit()?;
    }
    if found < 4 {
        let transaction = connection.transaction()?;
        transaction.execute_batch(VERSION_4)?;
        transaction.pragma_update(None, "user_version", 4)?;
        transaction.commit()?;
    }
    if found < 5 {
        let transaction = connection.transaction()?;
        transaction.execute_batch(VERSION_5)?;
        super::chain::take_over(&transaction, found)?;
        transaction.pragma_update(None, "user_version", 5)?;
        transaction.commit()?;
    }
    connection.execute_batch(DERIVED)?;
    Ok(())
}

/// What only makes looking things up independent of how much there is. It says nothing that the tables do not say, and is made
/// where it is not there: so it needs no version, and a program that does not know it does no harm.
///
/// `named`: which run list names a stem, and as what. `shelf`: up to which list that has been noted. `former`: queues that lost
/// landings to others and may be gone; by their names the chain shows that nothing else of these was changed. `written`: the
/// result files of queues that ended, as they were left; nothing where they are owed.
const DERIVED: &str = "
CREATE TABLE IF NOT EXISTS named (
    station       TEXT NOT NULL,
    stem          TEXT NOT NULL,
    modified_ns   INTEGER NOT NULL,
    list_id       INTEGER NOT NULL,
    kind          TEXT NOT NULL,
    PRIMARY KEY (station, stem, modified_ns, list_id)
) STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS shelf (
    station       TEXT PRIMARY KEY,
    list_id       INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS former (
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    PRIMARY KEY (station, queue)
) STRICT, WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS landing_by_time ON landing (station, modified_ns, id);
CREATE INDEX IF NOT EXISTS landing_by_name ON landing (station, stem, queue, modified_ns);
DROP INDEX IF EXISTS landing_by_stem;
CREATE INDEX IF NOT EXISTS run_list_by_time ON run_list (station, seen_ns);
CREATE INDEX IF NOT EXISTS message_by_time ON message (station, written_ns);
CREATE INDEX IF NOT EXISTS outbox_due ON outbox (audience, id, carrier, next_try_ns) WHERE state = 'waiting';
CREATE INDEX IF NOT EXISTS outbox_times ON outbox (next_try_ns, carrier, id) WHERE state = 'waiting';
CREATE TABLE IF NOT EXISTS written (
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    at_ns         INTEGER NOT NULL,
    files         TEXT NOT NULL,
    PRIMARY KEY (station, queue)
) STRICT, WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS written_by_time ON written (station, at_ns);
CREATE INDEX IF NOT EXISTS written_owed ON written (station, queue) WHERE files = '';
CREATE INDEX IF NOT EXISTS queue_open ON queue (station, queue) WHERE ended_ns IS NULL;
";

/// `chain`: one link for each version of a record, see [`chain`](super::chain). `used`: the method and the calibration with
/// which a station works, and since when. `queue.head`: its last link. A document gets a number of its own, which stays.
const VERSION_5: &str = "
CREATE TABLE chain (
    id            INTEGER PRIMARY KEY,
    of_table      TEXT NOT NULL,
    of_row        INTEGER NOT NULL,
    digest        BLOB NOT NULL,
    link          BLOB NOT NULL
) STRICT;

CREATE TABLE numbered (
    id            INTEGER PRIMARY KEY,
    sha256        TEXT NOT NULL UNIQUE,
    kind          TEXT NOT NULL,
    path          TEXT NOT NULL,
    seen_ns       INTEGER NOT NULL,
    content       TEXT NOT NULL
) STRICT;
INSERT INTO numbered (sha256, kind, path, seen_ns, content)
    SELECT sha256, kind, path, seen_ns, content FROM document ORDER BY seen_ns, sha256;
DROP TABLE document;
ALTER TABLE numbered RENAME TO document;

CREATE TABLE used (
    id            INTEGER PRIMARY KEY,
    station       TEXT NOT NULL,
    kind          TEXT NOT NULL,
    sha256        TEXT NOT NULL,
    path          TEXT NOT NULL,
    since_ns      INTEGER NOT NULL
) STRICT;
CREATE INDEX used_by_station ON used (station, kind, id);

ALTER TABLE queue ADD COLUMN head INTEGER;
";

/// Pressure of each queue, and the mark of life that shows that the ledger can be written.
const VERSION_3: &str = "
CREATE TABLE pressure (
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    record        TEXT NOT NULL,
    PRIMARY KEY (station, queue)
) STRICT, WITHOUT ROWID;

CREATE TABLE alive (
    one           INTEGER PRIMARY KEY CHECK (one = 1),
    at_ns         INTEGER NOT NULL
) STRICT;
";

/// `landing` only grows: a later content of a name is a further row, the one with the highest id counts.
/// Times are nanoseconds since 1970; paths are bytes, since a file system's names need not be text.
const VERSION_1: &str = "
CREATE TABLE landing (
    id            INTEGER PRIMARY KEY,
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    stem          TEXT NOT NULL,
    revision      INTEGER NOT NULL,
    file_name     TEXT NOT NULL,
    path          BLOB NOT NULL,
    sha256        TEXT NOT NULL,
    modified_ns   INTEGER NOT NULL,
    landed_ns     INTEGER NOT NULL,
    method_sha256 TEXT NOT NULL,
    program       TEXT NOT NULL,
    evaluation    TEXT NOT NULL
) STRICT;
CREATE INDEX landing_by_queue ON landing (station, queue, id);
CREATE INDEX landing_by_stem ON landing (station, stem, id);

CREATE TABLE file (
    station       TEXT NOT NULL,
    path          BLOB NOT NULL,
    size          INTEGER NOT NULL,
    modified_ns   INTEGER NOT NULL,
    method_sha256 TEXT NOT NULL,
    PRIMARY KEY (station, path)
) STRICT, WITHOUT ROWID;

CREATE TABLE run_list (
    id            INTEGER PRIMARY KEY,
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    path          BLOB NOT NULL,
    sha256        TEXT NOT NULL,
    modified_ns   INTEGER NOT NULL,
    seen_ns       INTEGER NOT NULL,
    content       BLOB NOT NULL
) STRICT;
CREATE INDEX run_list_by_queue ON run_list (station, queue, id);

CREATE TABLE document (
    sha256        TEXT PRIMARY KEY,
    kind          TEXT NOT NULL,
    path          TEXT NOT NULL,
    seen_ns       INTEGER NOT NULL,
    content       TEXT NOT NULL
) STRICT;

CREATE TABLE queue (
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    ended_ns      INTEGER,
    PRIMARY KEY (station, queue)
) STRICT, WITHOUT ROWID;

CREATE TABLE alert (
    id            INTEGER PRIMARY KEY,
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    key           TEXT NOT NULL,
    raised_ns     INTEGER NOT NULL,
    cleared_ns    INTEGER,
    record        TEXT NOT NULL
) STRICT;
CREATE INDEX alert_by_queue ON alert (station, queue, key);

CREATE TABLE message (
    station       TEXT NOT NULL,
    file_name     TEXT NOT NULL,
    written_ns    INTEGER NOT NULL,
    body          TEXT NOT NULL,
    PRIMARY KEY (station, file_name)
) STRICT, WITHOUT ROWID;
";

/// `outbox`: letters on their way, one row for each carrier. `told`: what is known of what was told, one document for each
/// queue (for the station as a whole the queue is empty). `running`: the daemon's mark; `alive_ns` is null after an orderly stop;
/// `gap_from_ns` and `gap_to_ns` are the last sign of life and the first start of a time in which nobody watched, until people know.
const VERSION_2: &str = "
CREATE TABLE outbox (
    id            INTEGER PRIMARY KEY,
    station       TEXT NOT NULL,
    key           TEXT NOT NULL,
    repeat        INTEGER NOT NULL,
    audience      TEXT NOT NULL,
    carrier       TEXT NOT NULL,
    letter        TEXT NOT NULL,
    queued_ns     INTEGER NOT NULL,
    next_try_ns   INTEGER NOT NULL,
    tries         INTEGER NOT NULL,
    state         TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'refused', 'expired')),
    last_error    TEXT,
    sent_ns       INTEGER
) STRICT;
CREATE UNIQUE INDEX outbox_by_key ON outbox (station, key, repeat, carrier);
CREATE INDEX outbox_waiting ON outbox (next_try_ns) WHERE state = 'waiting';

CREATE TABLE told (
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    book          TEXT NOT NULL,
    PRIMARY KEY (station, queue)
) STRICT, WITHOUT ROWID;

CREATE TABLE running (
    id            INTEGER PRIMARY KEY CHECK (id = 1),
    alive_ns      INTEGER,
    gap_from_ns   INTEGER,
    gap_to_ns     INTEGER
) STRICT;
";

/// `repeat`: injections that repeat others or are repeated, with what they gave. `of_queue` and `of_stem` say what is repeated,
/// `base` the stem that only the file's name gives. Derived from `landing`, and written anew whenever its queue is judged.
const VERSION_4: &str = "
CREATE TABLE repeat (
    station       TEXT NOT NULL,
    queue         TEXT NOT NULL,
    stem          TEXT NOT NULL,
    of_queue      TEXT,
    of_stem       TEXT,
    base          TEXT,
    record        TEXT NOT NULL,
    PRIMARY KEY (station, queue, stem)
) STRICT, WITHOUT ROWID;
CREATE INDEX repeat_of ON repeat (station, of_queue, of_stem);
CREATE INDEX repeat_base ON repeat (station, base);
";
