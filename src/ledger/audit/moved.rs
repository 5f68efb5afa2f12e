//! Earlier versions of a record: which of them the program itself can have written.
//!
//! Whoever changes a record from outside can add a link for it as well. So what the chain held of it before must be what it holds
//! now, apart from what the program changes: the queue of a landing that a list moved, and an alert that is over.

use std::collections::HashMap;

use rusqlite::{Connection, Row};

use crate::ledger::chain::{self, Hash, Table};
use crate::ledger::timestamp;
use crate::night::station::UNLISTED;

/// Column of [`Table::all`] for a landing: its queue.
const QUEUE: usize = 2;
/// Column of [`Table::all`] for a landing: when its file was written.
const MODIFIED: usize = 8;
/// Column of [`Table::all`] for an alert: when it was over.
const CLEARED: usize = 5;
const DAY_NS: i64 = 86_400 * 1_000_000_000;

/// Names that the queues of each station have or had.
pub(super) struct Names<'c> {
    connection: &'c Connection,
    of: HashMap<String, Vec<String>>,
    /// The name that was right last: what is moved together comes from one queue.
    last: String,
}

impl<'c> Names<'c> {
    pub(super) fn new(connection: &'c Connection) -> Names<'c> {
        Names {
            connection,
            of: HashMap::new(),
            last: String::new(),
        }
    }

    /// The first of a record's earlier links (number, digest; in their order) that the program cannot have written.
    pub(super) fn strange(
        &mut self,
        table: Table,
        row: &Row<'_>,
        earlier: &[(i64, Hash)],
    ) -> rusqlite::Result<Option<i64>> {
        let Some((first, _)) = earlier.first() else {
            return Ok(None);
        };
        match table {
            Table::Document | Table::Used | Table::RunList => Ok(Some(*first)),
            Table::Alert => {
                let is_over = row.get::<_, Option<i64>>(CLEARED)?.is_some();
                Ok((earlier.len() > 1 || !is_over).then_some(*first))
            }
            Table::Landing => {
                for (link, digest) in earlier {
                    if !self.was_in_another_queue(row, digest)? {
                        return Ok(Some(*link));
                    }
                }
                Ok(None)
            }
        }
    }

    /// The landing had this digest when it lay in some queue.
    fn was_in_another_queue(&mut self, row: &Row<'_>, digest: &Hash) -> rusqlite::Result<bool> {
        let station: String = row.get(1)?;
        if !self.of.contains_key(&station) {
            let names = names(self.connection, &station)?;
            self.of.insert(station.clone(), names);
        }
        let known = self.of.get(&station).map_or(&[][..], Vec::as_slice);
        let near = days_about(row.get(MODIFIED)?);
        let likely = std::iter::once(&self.last).chain(&near);
        for name in likely.chain(known) {
            if chain::digest_with(row, QUEUE, name)? == *digest {
                self.last = name.clone();
                return Ok(true);
            }
        }
        Ok(false)
    }
}

/// What the ledger knows, and names of unlisted queues that it may have forgotten.
fn names(connection: &Connection, station: &str) -> rusqlite::Result<Vec<String>> {
    let texts = |sql: &str| -> rusqlite::Result<Vec<String>> {
        let mut statement = connection.prepare(sql)?;
        statement.query_map([station], |row| row.get(0))?.collect()
    };
    let mut out = texts(
        "SELECT queue FROM landing WHERE station = ?1 UNION SELECT queue FROM run_list WHERE station = ?1
         UNION SELECT queue FROM alert WHERE station = ?1 UNION SELECT queue FROM queue WHERE station = ?1",
    )?;
    // An older ledger gets this table at its next start.
    if !texts("SELECT name FROM sqlite_master WHERE name = 'former' AND ?1 <> ''")?.is_empty() {
        out.extend(texts("SELECT queue FROM former WHERE station = ?1")?);
    }
    let mut days = connection
        .prepare("SELECT DISTINCT modified_ns / ?2 * ?2 FROM landing WHERE station = ?1")?;
    let days = days.query_map(rusqlite::params![station, DAY_NS], |row| row.get(0))?;
    for day in days {
        out.extend(days_about(day?));
    }
    Ok(out)
}

/// Unlisted queues of the days about a moment: the zone in which they were named is not known.
fn days_about(at_ns: i64) -> Vec<String> {
    let by = [0, -DAY_NS, DAY_NS];
    let name = |by: i64| {
        let at = timestamp(at_ns.saturating_add(by));
        format!(
            "{UNLISTED}{}",
            crate::text::local(at, &jiff::tz::TimeZone::UTC).date()
        )
    };
    by.into_iter().map(name).collect()
}
