//! The outbox: letters on their way, and what was told of each queue.
//!
//! A letter is queued in the transaction that keeps what raised it, and marked sent only after the other side's word.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Transaction, params};

use super::{Ledger, LedgerError, nanoseconds, timestamp};
use crate::night::alarm::AlertChanges;
use crate::night::pace::later;
use crate::post::backoff::LONGEST_S;
use crate::post::{Audience, Letter};
use crate::pressure::digest::Record;
use crate::tell::policy::Book;

/// Letters that are done with are kept so long, s: long enough to look up what was sent.
const KEPT_S: i64 = 30 * 24 * 3600;

/// A letter that waits.
#[derive(Debug, Clone, PartialEq)]
pub struct Waiting {
    /// Its number.
    pub id: i64,
    /// Name of the carrier.
    pub carrier: String,
    /// The letter.
    pub letter: Letter,
    /// When it was queued.
    pub queued_at: Timestamp,
    /// When it is tried next.
    pub next_try: Timestamp,
    /// Attempts so far.
    pub tries: u32,
}

/// What became of a letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// The other side has it.
    Sent,
    /// It was refused for good.
    Refused,
    /// It could not be handed over for a day.
    Expired,
}

impl Fate {
    fn word(self) -> &'static str {
        match self {
            Fate::Sent => "sent",
            Fate::Refused => "refused",
            Fate::Expired => "expired",
        }
    }
}

/// What is told and kept together.
#[derive(Debug, Clone, Default)]
pub struct Told<'a> {
    /// Alerts raised and cleared.
    pub changes: AlertChanges,
    /// Letters, each for every carrier.
    pub letters: &'a [Letter],
    /// Names of the carriers.
    pub carriers: &'a [String],
    /// What is known now of what was told; `None`: as before.
    pub book: Option<&'a Book>,
    /// Up to where the pressure has been judged: what it raised is among the alerts, and is not raised again. `None`: as before.
    pub pressure: Option<&'a Record>,
    /// The queue has ended at this time.
    pub ended_at: Option<Timestamp>,
    /// The message about the time in which nobody watched is among the letters, or has been written.
    pub gap_told: bool,
}

/// Both are read in the order of an index and no further than needed: thousands may wait.
const DUE: &str = "SELECT id, carrier FROM outbox INDEXED BY outbox_due
    WHERE state = 'waiting' AND next_try_ns <= ?1 ORDER BY audience, id";
const TIMES: &str = "SELECT id, carrier, next_try_ns FROM outbox INDEXED BY outbox_times
    WHERE state = 'waiting' ORDER BY next_try_ns";

impl Ledger {
    /// Keeps what was raised and cleared, the letters that tell of it and what is known of what was told, as one transaction.
    ///
    /// # Errors
    /// When the database cannot be written: then nothing of it is kept.
    pub fn keep_told(
        &mut self,
        station: &str,
        queue: &str,
        told: &Told<'_>,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        self.write("keep told", station, |transaction| {
            let touched = super::told::keep(transaction, station, queue, &told.changes)?;
            for letter in told.letters {
                for carrier in told.carriers {
                    insert(transaction, carrier, letter, now)?;
                }
            }
            if let Some(book) = told.book {
                let text = json(book)?;
                transaction
                    .prepare_cached("INSERT INTO told (station, queue, book) VALUES (?1, ?2, ?3) ON CONFLICT DO UPDATE SET book = excluded.book")?
                    .execute(params![station, queue, text])?;
            }
            if let Some(record) = told.pressure {
                super::pressure::keep(transaction, station, queue, record)?;
            }
            if told.ended_at.is_some() {
                super::records::set_queue(transaction, station, queue, told.ended_at)?;
            }
            if told.gap_told {
                transaction.execute(
                    "UPDATE running SET gap_from_ns = NULL, gap_to_ns = NULL",
                    [],
                )?;
            }
            Ok(((), touched))
        })
    }

    /// What was told of a queue so far.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn book(&self, station: &str, queue: &str) -> Result<Book, LedgerError> {
        self.leave("book")?;
        let text: Option<String> = self
            .connection
            .query_row(
                "SELECT book FROM told WHERE station = ?1 AND queue = ?2",
                params![station, queue],
                |row| row.get(0),
            )
            .optional()
            .map_err(|e| self.sqlite(e))?;
        let Some(text) = text else {
            return Ok(Book::default());
        };
        Ok(serde_json::from_str(&text).unwrap_or_else(|error| {
            // Telling twice is better than not at all.
            tracing::error!(%error, station, queue, "what was told of this queue cannot be read: it is told again");
            Book::default()
        }))
    }

    /// Letters that wait, are due and are `wanted` (by number and carrier), the most urgent first: those told at once before
    /// summaries, older before newer. Only so many are looked at in full: thousands may wait.
    ///
    /// # Errors
    /// When the database cannot be read. A letter that is damaged is given up and logged.
    pub fn due_letters(
        &self,
        now: Timestamp,
        most: usize,
        mut wanted: impl FnMut(i64, &str) -> bool,
    ) -> Result<Vec<Waiting>, LedgerError> {
        self.leave("due letters")?;
        let mut statement = self
            .connection
            .prepare_cached(DUE)
            .map_err(|e| self.sqlite(e))?;
        let mut rows = statement
            .query([nanoseconds(now)])
            .map_err(|e| self.sqlite(e))?;
        let mut ids: Vec<i64> = Vec::new();
        while ids.len() < most
            && let Some(row) = rows.next().map_err(|e| self.sqlite(e))?
        {
            let id = row.get(0).map_err(|e| self.sqlite(e))?;
            let carrier: String = row.get(1).map_err(|e| self.sqlite(e))?;
            if wanted(id, &carrier) {
                ids.push(id);
            }
        }
        drop(rows);
        self.letters(&ids)
    }

    /// The letters of these numbers; those that are damaged are given up.
    fn letters(&self, ids: &[i64]) -> Result<Vec<Waiting>, LedgerError> {
        let mut statement = self
            .connection
            .prepare_cached(
                "SELECT carrier, letter, queued_ns, next_try_ns, tries FROM outbox WHERE id = ?1",
            )
            .map_err(|e| self.sqlite(e))?;
        let (mut out, mut damaged) = (Vec::new(), Vec::new());
        for &id in ids {
            let read = statement.query_row([id], |row| {
                let text: String = row.get(1)?;
                let letter = match serde_json::from_str(&text) {
                    Ok(letter) => letter,
                    Err(error) => return Ok(Err(error.to_string())),
                };
                Ok(Ok(Waiting {
                    id,
                    carrier: row.get(0)?,
                    letter,
                    queued_at: timestamp(row.get(2)?),
                    next_try: timestamp(row.get(3)?),
                    tries: row.get(4)?,
                }))
            });
            match read.map_err(|e| self.sqlite(e))? {
                Ok(waiting) => out.push(waiting),
                Err(error) => damaged.push((id, error)),
            }
        }
        for (id, error) in damaged {
            tracing::error!(
                id,
                error,
                "a letter of the outbox cannot be read and is given up"
            );
            self.connection
                .execute(
                    "UPDATE outbox SET state = 'refused', last_error = ?2 WHERE id = ?1",
                    params![id, error],
                )
                .map_err(|e| self.sqlite(e))?;
        }
        Ok(out)
    }

    /// When the first letter is due that waits and is `wanted`, by number and carrier.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn first_waiting(
        &self,
        mut wanted: impl FnMut(i64, &str) -> bool,
    ) -> Result<Option<Timestamp>, LedgerError> {
        self.leave("waiting times")?;
        let mut statement = self
            .connection
            .prepare_cached(TIMES)
            .map_err(|e| self.sqlite(e))?;
        let mut rows = statement.query([]).map_err(|e| self.sqlite(e))?;
        while let Some(row) = rows.next().map_err(|e| self.sqlite(e))? {
            let id = row.get(0).map_err(|e| self.sqlite(e))?;
            let carrier: String = row.get(1).map_err(|e| self.sqlite(e))?;
            if wanted(id, &carrier) {
                let at = row.get(2).map_err(|e| self.sqlite(e))?;
                return Ok(Some(timestamp(at)));
            }
        }
        Ok(None)
    }

    /// When the next letter is due; `None` where none waits.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn next_letter(&self) -> Result<Option<Timestamp>, LedgerError> {
        self.leave("next letter")?;
        let next: Option<i64> = self
            .connection
            .query_row(
                "SELECT min(next_try_ns) FROM outbox WHERE state = 'waiting'",
                [],
                |row| row.get(0),
            )
            .map_err(|e| self.sqlite(e))?;
        Ok(next.map(timestamp))
    }

    /// A letter was not handed over and is tried again.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn try_again(
        &mut self,
        id: i64,
        next_try: Timestamp,
        error: &str,
    ) -> Result<(), LedgerError> {
        self.leave("try again")?;
        self.connection
            .prepare_cached("UPDATE outbox SET tries = tries + 1, next_try_ns = ?2, last_error = ?3 WHERE id = ?1")
            .and_then(|mut s| s.execute(params![id, nanoseconds(next_try), error]))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// A letter is done with.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn finish_letter(
        &mut self,
        id: i64,
        fate: Fate,
        error: Option<&str>,
        now: Timestamp,
    ) -> Result<(), LedgerError> {
        self.leave("finish letter")?;
        let sent = (fate == Fate::Sent).then(|| nanoseconds(now));
        self.connection
            .prepare_cached(
                "UPDATE outbox SET tries = tries + 1, state = ?2, sent_ns = ?3, last_error = coalesce(?4, last_error) WHERE id = ?1",
            )
            .and_then(|mut s| s.execute(params![id, fate.word(), sent, error]))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// A carrier works (again): what waits for it after a failure is due at this time at the latest.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn hurry_letters(&mut self, carrier: &str, at: Timestamp) -> Result<(), LedgerError> {
        self.leave("hurry letters")?;
        self.connection
            .prepare_cached("UPDATE outbox SET next_try_ns = ?2 WHERE state = 'waiting' AND carrier = ?1 AND tries > 0 AND next_try_ns > ?2")
            .and_then(|mut s| s.execute(params![carrier, nanoseconds(at)]))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// The clock was set back, or may have been while nobody looked: no letter that waits was queued later than now, and none
    /// waits longer than the longest wait between two attempts.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn mind_the_clock(&mut self, now: Timestamp) -> Result<(), LedgerError> {
        self.leave("letters of a clock set back")?;
        self.connection
            .prepare_cached(
                "UPDATE outbox SET queued_ns = min(queued_ns, ?1), next_try_ns = ?1
                 WHERE state = 'waiting' AND (queued_ns > ?1 OR next_try_ns > ?2)",
            )
            .and_then(|mut s| {
                s.execute([
                    nanoseconds(now),
                    nanoseconds(later(now, LONGEST_S).unwrap_or(now)),
                ])
            })
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// Forgets letters that were done with a month ago.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn prune_letters(&mut self, now: Timestamp) -> Result<(), LedgerError> {
        self.leave("prune letters")?;
        let before = nanoseconds(now).saturating_sub(KEPT_S.saturating_mul(1_000_000_000));
        self.connection
            .execute(
                "DELETE FROM outbox WHERE state <> 'waiting' AND queued_ns < ?1",
                [before],
            )
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }
}

fn insert(
    transaction: &Transaction<'_>,
    carrier: &str,
    letter: &Letter,
    now: Timestamp,
) -> rusqlite::Result<()> {
    let audience = match letter.audience {
        Audience::Now => "now",
        Audience::Summary => "summary",
    };
    // A letter that is queued already, before a kill, is not queued twice.
    transaction
        .prepare_cached(
            "INSERT INTO outbox (station, key, repeat, audience, carrier, letter, queued_ns, next_try_ns, tries, state)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?7, 0, 'waiting') ON CONFLICT DO NOTHING",
        )?
        .execute(params![letter.station, letter.key, letter.repeat, audience, carrier, json(letter)?, nanoseconds(now)])
        .map(drop)
}

pub(super) fn json(value: &impl serde::Serialize) -> rusqlite::Result<String> {
    serde_json::to_string(value).map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waiting_letters_are_neither_sorted_nor_read_in_full() {
        let dir = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(dir.path()).unwrap();
        for sql in [DUE, TIMES] {
            let mut statement = ledger
                .connection
                .prepare(&format!("EXPLAIN QUERY PLAN {sql}"))
                .unwrap();
            let parameters = vec![0_i64; statement.parameter_count()];
            let rows = statement.query_map(rusqlite::params_from_iter(parameters), |row| {
                row.get::<_, String>(3)
            });
            let plan: Vec<String> = rows.unwrap().map(Result::unwrap).collect();
            assert_eq!(plan.len(), 1, "{plan:?}");
            assert!(plan[0].contains("USING COVERING INDEX"), "{plan:?}");
        }
    }
}
