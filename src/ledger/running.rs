//! The mark of a daemon that runs: what is left of it tells the next start that nobody watched.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};

use super::{Ledger, LedgerError, nanoseconds, timestamp};

/// A time in which nobody watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The last sign of life.
    pub from: Timestamp,
    /// The first start after it: what happened meanwhile landed from then on.
    pub since: Timestamp,
    /// The last start: after several crashes nobody watched until then.
    pub to: Timestamp,
}

/// The last landing counts as a sign of life when it lies so near behind the mark, s: the mark is set once a minute.
const NEAR_S: i64 = 120;

impl Ledger {
    /// A daemon starts. Where the last one left its mark, the time since then was not watched; it is given until
    /// [`Told::gap_told`](super::Told::gap_told) says that people know.
    ///
    /// # Errors
    /// When the database cannot be read or written.
    pub fn start_running(&mut self, now: Timestamp) -> Result<Option<Gap>, LedgerError> {
        self.leave("start running")?;
        let row: Option<(Option<i64>, Option<i64>, Option<i64>)> = self
            .connection
            .query_row(
                "SELECT alive_ns, gap_from_ns, gap_to_ns FROM running WHERE id = 1",
                [],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
            )
            .optional()
            .map_err(|e| self.sqlite(e))?;
        let (alive, untold, first) = row.unwrap_or((None, None, None));
        let gap = match (untold, alive) {
            // A gap of which nobody was told yet grows.
            (Some(from), _) => Some(from),
            (None, Some(alive)) => Some(self.last_sign(alive)?),
            (None, None) => None,
        };
        let to = gap.map(|from| nanoseconds(now).max(from));
        let since = to.map(|to| untold.and(first).unwrap_or(to));
        self.connection
            .execute(
                "INSERT INTO running (id, alive_ns, gap_from_ns, gap_to_ns) VALUES (1, ?1, ?2, ?3)
                 ON CONFLICT DO UPDATE SET alive_ns = excluded.alive_ns, gap_from_ns = excluded.gap_from_ns, gap_to_ns = excluded.gap_to_ns",
                params![nanoseconds(now), gap, since],
            )
            .map_err(|e| self.sqlite(e))?;
        Ok(gap.zip(since.zip(to)).map(|(from, (since, to))| Gap {
            from: timestamp(from),
            since: timestamp(since),
            to: timestamp(to),
        }))
    }

    /// From the last landing back to the mark: what landed before it is passed over, however much that is.
    fn last_sign(&self, alive: i64) -> Result<i64, LedgerError> {
        self.leave("last sign")?;
        let near = alive.saturating_add(NEAR_S.saturating_mul(1_000_000_000));
        let mut statement = self
            .connection
            .prepare_cached("SELECT landed_ns FROM landing ORDER BY id DESC")
            .map_err(|e| self.sqlite(e))?;
        let mut rows = statement.query([]).map_err(|e| self.sqlite(e))?;
        let mut last = alive;
        while let Some(row) = rows.next().map_err(|e| self.sqlite(e))? {
            let landed: i64 = row.get(0).map_err(|e| self.sqlite(e))?;
            if landed < alive {
                break;
            }
            if landed <= near {
                last = last.max(landed);
            }
        }
        Ok(last)
    }

    /// The daemon lives.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn mark_alive(&mut self, now: Timestamp) -> Result<(), LedgerError> {
        self.leave("mark alive")?;
        self.connection
            .prepare_cached("UPDATE running SET alive_ns = ?1 WHERE id = 1")
            .and_then(|mut s| s.execute([nanoseconds(now)]))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// The daemon stops in good order: its next start has nothing to tell of. A gap of which nobody was told yet stays.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn stop_running(&mut self) -> Result<(), LedgerError> {
        self.leave("stop running")?;
        self.connection
            .execute("UPDATE running SET alive_ns = NULL WHERE id = 1", [])
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }
}
