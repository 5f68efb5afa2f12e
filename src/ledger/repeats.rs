//! What repeats what, and what each gave: so that a night finds its repeats, and a repeat its night, without either's being
//! taken up.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension, Params, params};

use super::{Ledger, LedgerError};
use crate::night::join::{Family, Member, Place};

/// An injection of a family, as the ledger keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct Relation {
    /// What it repeats, where that is known.
    pub of: Option<Place>,
    /// The stem that its file's name says it repeats, where no list does.
    pub base: Option<String>,
    /// What it gave.
    pub member: Member,
}

/// `of_queue`, `of_stem`, `base`, `record`.
type Row = (Option<String>, Option<String>, Option<String>, String);

impl Ledger {
    /// Keeps what an injection repeats and gave.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn keep_relation(&mut self, station: &str, relation: &Relation) -> Result<(), LedgerError> {
        self.leave("keep relation")?;
        let Relation { of, base, member } = relation;
        let record = serde_json::to_string(member).map_err(|e| self.record("repeat", 0, e))?;
        self.connection
            .prepare_cached("INSERT OR REPLACE INTO repeat (station, queue, stem, of_queue, of_stem, base, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")
            .and_then(|mut s| {
                s.execute(params![
                    station,
                    member.queue,
                    member.stem,
                    of.as_ref().map(|p| &p.queue),
                    of.as_ref().map(|p| &p.stem),
                    base,
                    record
                ])
            })
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// Forgets an injection that repeats nothing any more.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub fn drop_relation(&mut self, station: &str, place: &Place) -> Result<(), LedgerError> {
        self.leave("drop relation")?;
        self.connection
            .prepare_cached("DELETE FROM repeat WHERE station = ?1 AND queue = ?2 AND stem = ?3")
            .and_then(|mut s| s.execute(params![station, place.queue, place.stem]))
            .map(drop)
            .map_err(|e| self.sqlite(e))
    }

    /// What is kept of one injection.
    ///
    /// # Errors
    /// When the database cannot be read or a record is damaged.
    pub fn relation(&self, station: &str, place: &Place) -> Result<Option<Relation>, LedgerError> {
        self.leave("relation")?;
        let row: Option<Row> = self
            .connection
            .prepare_cached("SELECT of_queue, of_stem, base, record FROM repeat WHERE station = ?1 AND queue = ?2 AND stem = ?3")
            .and_then(|mut s| {
                s.query_row(params![station, place.queue, place.stem], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
                })
                .optional()
            })
            .map_err(|e| self.sqlite(e))?;
        let Some((queue, stem, base, record)) = row else {
            return Ok(None);
        };
        let member = serde_json::from_str(&record).map_err(|e| self.record("repeat", 0, e))?;
        let of = queue.zip(stem).map(|(q, s)| Place::new(&q, &s));
        Ok(Some(Relation { of, base, member }))
    }

    /// Stems of a queue's injections of which something is kept, or which others repeat.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn related_stems(
        &self,
        station: &str,
        queue: &str,
    ) -> Result<BTreeSet<String>, LedgerError> {
        self.leave("related stems")?;
        let mut out = BTreeSet::new();
        for sql in [
            "SELECT stem FROM repeat WHERE station = ?1 AND queue = ?2",
            "SELECT DISTINCT of_stem FROM repeat WHERE station = ?1 AND of_queue = ?2",
        ] {
            let mut statement = self
                .connection
                .prepare_cached(sql)
                .map_err(|e| self.sqlite(e))?;
            let rows = statement
                .query_map(params![station, queue], |row| row.get(0))
                .map_err(|e| self.sqlite(e))?;
            for stem in rows {
                out.insert(stem.map_err(|e| self.sqlite(e))?);
            }
        }
        Ok(out)
    }

    /// Some injection repeats another by its file's name alone.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn has_marked(&self, station: &str) -> Result<bool, LedgerError> {
        self.leave("has marked")?;
        let some = "SELECT 1 FROM repeat WHERE station = ?1 AND base IS NOT NULL LIMIT 1";
        self.connection
            .prepare_cached(some)
            .and_then(|mut s| s.exists([station]))
            .map_err(|e| self.sqlite(e))
    }

    /// Injections that repeat this stem by their files' names alone.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn marked(&self, station: &str, base: &str) -> Result<Vec<Place>, LedgerError> {
        self.leave("marked")?;
        self.places(
            "SELECT queue, stem FROM repeat WHERE station = ?1 AND base = ?2 ORDER BY queue, stem",
            params![station, base],
        )
    }

    /// An injection's family: everything that repeats it or that it repeats, directly or through others.
    ///
    /// # Errors
    /// When the database cannot be read or a record is damaged.
    pub fn family(&self, station: &str, place: &Place) -> Result<Family, LedgerError> {
        self.leave("family")?;
        let mut family = Family::default();
        let mut next = vec![place.clone()];
        while let Some(place) = next.pop() {
            if family.contains(&place) {
                continue;
            }
            next.extend(self.places(
                "SELECT queue, stem FROM repeat WHERE station = ?1 AND of_queue = ?2 AND of_stem = ?3 ORDER BY queue, stem",
                params![station, place.queue, place.stem],
            )?);
            let (of, member) = match self.relation(station, &place)? {
                Some(relation) => (relation.of, Some(relation.member)),
                None => (None, None),
            };
            next.extend(of.clone());
            family.insert(place, of, member);
        }
        Ok(family)
    }

    fn places(&self, sql: &str, values: impl Params) -> Result<Vec<Place>, LedgerError> {
        self.leave("places")?;
        let mut statement = self
            .connection
            .prepare_cached(sql)
            .map_err(|e| self.sqlite(e))?;
        let rows = statement
            .query_map(values, |row| {
                Ok(Place {
                    queue: row.get(0)?,
                    stem: row.get(1)?,
                })
            })
            .map_err(|e| self.sqlite(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sqlite(e))
    }

    /// Whether a queue has ended; `None` where nothing has landed in it.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn has_ended(&self, station: &str, queue: &str) -> Result<Option<bool>, LedgerError> {
        self.leave("has ended")?;
        self.connection
            .prepare_cached(
                "SELECT ended_ns IS NOT NULL FROM queue WHERE station = ?1 AND queue = ?2",
            )
            .and_then(|mut s| s.query_row([station, queue], |row| row.get(0)).optional())
            .map_err(|e| self.sqlite(e))
    }
}
