//! The chain: each record that counts carries the hash of the one before, so that a record that is changed, removed or put in
//! from outside shows.
//!
//! Every version of a record has a link. Its digest is over what the record held then; the last digest of a record must be that
//! of what it holds now. A landing that a late list moves to another queue, and an alert that is cleared, are records of their
//! own in the chain, so nothing in these tables is outside it. Nothing else gets a second link, and a landing's earlier digests
//! are those of what it holds now under another queue's name: a record that was changed and linked anew shows by that. What is
//! derived or only serves the daemon's work (letters, marks of life, the time at which a queue ended, pressure, repeats) is not
//! in it.
//!
//! ```text
//! field  = type (1 byte: 0 null, 1 integer, 2 real, 3 text, 4 bytes), length (8 bytes, little-endian), bytes
//! digest = SHA-256 of all fields of the record, in the order of the table's columns
//! link   = SHA-256 of the link before (32 bytes, zeros for the first), the table's name as a field, the record's number as a
//!          field, the digest
//! ```

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, params};
use sha2::{Digest as _, Sha256};

/// A SHA-256.
pub(super) type Hash = [u8; 32];

/// A table whose records are in the chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Table {
    /// Texts of methods and calibrations.
    Document,
    /// Which of them a station worked with, and since when.
    Used,
    /// Run lists.
    RunList,
    /// Traces.
    Landing,
    /// Alerts.
    Alert,
}

impl Table {
    /// All of them, in the order in which an older ledger gets its chain.
    pub(super) const ALL: [Table; 5] = [
        Table::Document,
        Table::Used,
        Table::RunList,
        Table::Landing,
        Table::Alert,
    ];

    /// Its name in the database.
    pub(super) fn name(self) -> &'static str {
        match self {
            Table::Document => "document",
            Table::Used => "used",
            Table::RunList => "run_list",
            Table::Landing => "landing",
            Table::Alert => "alert",
        }
    }

    /// The table of this name.
    pub(super) fn of(name: &str) -> Option<Table> {
        Table::ALL.into_iter().find(|t| t.name() == name)
    }

    /// The columns of a record after its number, in the order in which they are hashed.
    fn columns(self) -> &'static str {
        match self {
            Table::Document => "sha256, kind, path, seen_ns, content",
            Table::Used => "station, kind, sha256, path, since_ns",
            Table::RunList => "station, queue, path, sha256, modified_ns, seen_ns, content",
            Table::Landing => {
                "station, queue, stem, revision, file_name, path, sha256, modified_ns, landed_ns, method_sha256, program, evaluation"
            }
            Table::Alert => "station, queue, key, raised_ns, cleared_ns, record",
        }
    }

    /// The column of [`Table::all`] by which people know a record: a trace's stem, a list's queue, what an alert is about.
    pub(super) fn name_column(self) -> usize {
        match self {
            Table::Document | Table::Landing | Table::Alert => 3,
            Table::Used | Table::RunList => 2,
        }
    }

    /// Asks for all records in the order of their numbers: number, then what is hashed.
    pub(super) fn all(self) -> String {
        format!(
            "SELECT id, {} FROM {} ORDER BY id",
            self.columns(),
            self.name()
        )
    }

    /// Its records belong to a queue: then station and queue stand first.
    fn has_queue(self) -> bool {
        matches!(self, Table::RunList | Table::Landing | Table::Alert)
    }

    fn one(self) -> String {
        format!(
            "SELECT id, {} FROM {} WHERE id = ?1",
            self.columns(),
            self.name()
        )
    }
}

/// Digest of a record whose first column is its number.
pub(super) fn digest(row: &rusqlite::Row<'_>) -> rusqlite::Result<Hash> {
    digest_of(row, None)
}

/// The same with another text in one of its columns.
pub(super) fn digest_with(
    row: &rusqlite::Row<'_>,
    column: usize,
    text: &str,
) -> rusqlite::Result<Hash> {
    digest_of(row, Some((column, text)))
}

fn digest_of(row: &rusqlite::Row<'_>, other: Option<(usize, &str)>) -> rusqlite::Result<Hash> {
    let mut hasher = Sha256::new();
    for k in 1..row.as_ref().column_count() {
        match other {
            Some((column, text)) if column == k => {
                put(&mut hasher, ValueRef::Text(text.as_bytes()))
            }
            _ => put(&mut hasher, row.get_ref(k)?),
        }
    }
    Ok(hasher.finalize().into())
}

/// The link that follows upon another.
pub(super) fn link(before: &Hash, table: &str, row: i64, digest: &[u8]) -> Hash {
    let mut hasher = Sha256::new();
    hasher.update(before);
    put(&mut hasher, ValueRef::Text(table.as_bytes()));
    put(&mut hasher, ValueRef::Integer(row));
    hasher.update(digest);
    hasher.finalize().into()
}

fn put(hasher: &mut Sha256, value: ValueRef<'_>) {
    let mut field = |kind: u8, bytes: &[u8]| {
        hasher.update([kind]);
        hasher.update((bytes.len() as u64).to_le_bytes());
        hasher.update(bytes);
    };
    match value {
        ValueRef::Null => field(0, &[]),
        ValueRef::Integer(n) => field(1, &n.to_le_bytes()),
        ValueRef::Real(x) => field(2, &x.to_le_bytes()),
        ValueRef::Text(text) => field(3, text),
        ValueRef::Blob(bytes) => field(4, bytes),
    }
}

/// Adds to the chain, within the transaction that writes the records.
pub(super) struct Links<'c> {
    connection: &'c Connection,
    last: i64,
    link: Hash,
    /// Queue → number of the last link that concerns it.
    heads: BTreeMap<String, i64>,
    touched: BTreeSet<String>,
}

impl<'c> Links<'c> {
    /// Goes on where the chain ends.
    pub(super) fn open(connection: &'c Connection) -> rusqlite::Result<Links<'c>> {
        let end: Option<(i64, Hash)> = connection
            .prepare_cached("SELECT id, link FROM chain ORDER BY id DESC LIMIT 1")?
            .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        let (last, link) = end.unwrap_or((0, [0; 32]));
        Ok(Links {
            connection,
            last,
            link,
            heads: BTreeMap::new(),
            touched: BTreeSet::new(),
        })
    }

    /// A record was written, or written anew; it is read back, so that what is hashed is what the database holds.
    pub(super) fn add(
        &mut self,
        table: Table,
        row: i64,
        queue: Option<&str>,
    ) -> rusqlite::Result<()> {
        let digest = self
            .connection
            .prepare_cached(&table.one())?
            .query_row([row], digest)?;
        self.push(table.name(), row, &digest)?;
        if let Some(queue) = queue {
            match self.heads.get_mut(queue) {
                Some(head) => *head = self.last,
                None => drop(self.heads.insert(queue.to_owned(), self.last)),
            }
        }
        Ok(())
    }

    /// A queue lost records to another one.
    pub(super) fn touch(&mut self, queue: &str) {
        self.touched.insert(queue.to_owned());
    }

    /// A link of its own.
    pub(super) fn push(&mut self, table: &str, row: i64, digest: &[u8]) -> rusqlite::Result<()> {
        self.link = link(&self.link, table, row, digest);
        self.last += 1;
        self.connection
            .prepare_cached(
                "INSERT INTO chain (id, of_table, of_row, digest, link) VALUES (?1, ?2, ?3, ?4, ?5)",
            )?
            .execute(params![self.last, table, row, digest, self.link])
            .map(drop)
    }

    /// Every queue gets its head; gives the queues concerned.
    pub(super) fn close(self, station: &str) -> rusqlite::Result<Vec<String>> {
        for (queue, head) in &self.heads {
            set_head(self.connection, station, queue, *head)?;
        }
        let mut touched = self.touched;
        touched.extend(self.heads.into_keys());
        Ok(touched.into_iter().collect())
    }
}

fn set_head(
    connection: &Connection,
    station: &str,
    queue: &str,
    head: i64,
) -> rusqlite::Result<()> {
    connection
        .prepare_cached("UPDATE queue SET head = ?3 WHERE station = ?1 AND queue = ?2")?
        .execute(params![station, queue, head])
        .map(drop)
}

/// An older ledger gets its chain: its records in the order of their numbers, then a link that says how many were taken over.
pub(super) fn take_over(connection: &Connection, version: i64) -> rusqlite::Result<()> {
    let mut links = Links::open(connection)?;
    let mut heads: BTreeMap<(String, String), i64> = BTreeMap::new();
    for table in Table::ALL {
        let mut statement = connection.prepare(&table.all())?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            links.push(table.name(), row.get(0)?, &digest(row)?)?;
            if table.has_queue() {
                heads.insert((row.get(1)?, row.get(2)?), links.last);
            }
        }
    }
    if links.last > 0 {
        links.push(TAKEN_OVER, version, &[0; 32])?;
    }
    for ((station, queue), head) in heads {
        set_head(connection, &station, &queue, head)?;
    }
    Ok(())
}

/// Name of the link behind the records that an older ledger brought; its number is that ledger's version.
pub(super) const TAKEN_OVER: &str = "taken over";
