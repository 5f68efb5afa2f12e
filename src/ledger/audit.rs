//! Walks the chain from its beginning and says where a record is not what was written.

mod moved;

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::chain::{self, Hash, TAKEN_OVER, Table};
use super::{FILE_NAME, LedgerError, schema, sound};
use crate::text;

/// More breaks than these are counted, not listed.
const LISTED: usize = 20;

/// What a walk along the chain found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Audit {
    /// The database.
    pub path: PathBuf,
    /// Links of the chain.
    pub records: i64,
    /// SHA-256 of the last one, hex; `None` for an empty chain.
    pub head: Option<String>,
    /// So many first links were made when an older ledger was taken over: the chain vouches for them from then on.
    pub taken_over: i64,
    /// Where it breaks, at most 20 places.
    pub breaks: Vec<String>,
    /// All places where it breaks.
    pub broken: usize,
    /// The link asked for is in the chain; `None` where none was asked for.
    pub holds: Option<bool>,
}

impl Audit {
    fn break_at(&mut self, what: String) {
        self.broken += 1;
        if self.breaks.len() < LISTED {
            self.breaks.push(what);
        }
    }
}

/// Reads the ledger of a state folder beside a daemon that may be at work, and changes nothing. `None` where there is none yet.
/// `expected`: number and beginning of a link that a summary printed.
///
/// # Errors
/// When it cannot be read, is damaged, or of another version.
pub fn audit(
    state_dir: &Path,
    expected: Option<(i64, &str)>,
) -> Result<Option<Audit>, LedgerError> {
    let path = state_dir.join(FILE_NAME);
    sound::look_at_file(&path, &state_dir.join(sound::MACHINE_NAME))?;
    if !sound::is_there(&path)? {
        return Ok(None);
    }
    let failed = |source| LedgerError::of(&path, source);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(&path, flags).map_err(failed)?;
    let (found, known) = (
        schema::version(&connection).map_err(failed)?,
        schema::VERSION,
    );
    if found > known {
        return Err(LedgerError::Newer { path, found, known });
    }
    if found < schema::FIRST_CHAINED {
        return Err(LedgerError::Unchained { path, found });
    }
    // One state of the ledger from here to the end, whatever lands meanwhile.
    connection.execute_batch("BEGIN").map_err(failed)?;
    let word: String = connection
        .query_row("PRAGMA integrity_check(1)", [], |r| r.get(0))
        .map_err(failed)?;
    if word != "ok" {
        let what = text::one_line(&word);
        return Err(LedgerError::Damaged { path, what });
    }
    let mut audit = Audit {
        path: path.clone(),
        ..Audit::default()
    };
    let digests = walk(&connection, &mut audit, expected).map_err(failed)?;
    compare(&connection, digests, &mut audit).map_err(failed)?;
    Ok(Some(audit))
}

/// The number of a link and the digest in it.
type Entry = (i64, Hash);

/// What the chain says of each record.
#[derive(Default)]
struct Digests {
    last: HashMap<(Table, i64), Entry>,
    /// Those before the last one, in their order: of the few records that have several.
    earlier: HashMap<(Table, i64), Vec<Entry>>,
}

impl Digests {
    fn add(&mut self, record: (Table, i64), entry: Entry) {
        if let Some(before) = self.last.insert(record, entry) {
            self.earlier.entry(record).or_default().push(before);
        }
    }
}

fn walk(
    connection: &Connection,
    audit: &mut Audit,
    expected: Option<(i64, &str)>,
) -> rusqlite::Result<Digests> {
    let mut digests = Digests::default();
    let mut before: Hash = [0; 32];
    audit.holds = expected.map(|_| false);
    let mut statement =
        connection.prepare("SELECT id, of_table, of_row, digest, link FROM chain ORDER BY id")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (id, name, of): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let digest = row.get_ref(3)?.as_bytes()?;
        let link = row.get_ref(4)?.as_bytes()?;
        audit.records += 1;
        if id != audit.records {
            let missing = audit.records;
            audit.break_at(format!("record {missing} of the chain is missing"));
            audit.records = id;
        }
        if link != chain::link(&before, &name, of, digest) {
            audit.break_at(format!(
                "record {id} of the chain ({name} {of}) does not follow from the one before"
            ));
        }
        // Go on from what stands there: one break is told once.
        before = link.try_into().unwrap_or([0; 32]);
        match (Table::of(&name), digest.try_into()) {
            (Some(table), Ok(digest)) => digests.add((table, of), (id, digest)),
            _ if name == TAKEN_OVER => audit.taken_over = id,
            _ => audit.break_at(format!("record {id} of the chain is of no known kind")),
        }
        if let Some((number, beginning)) = expected
            && number == id
        {
            audit.holds = Some(text::hex(&before).starts_with(beginning));
        }
    }
    audit.head = (audit.records > 0).then(|| text::hex(&before));
    Ok(digests)
}

/// Holds what the tables hold now against the last digests, and these against the earlier ones.
fn compare(
    connection: &Connection,
    mut digests: Digests,
    audit: &mut Audit,
) -> rusqlite::Result<()> {
    let mut names = moved::Names::new(connection);
    for table in Table::ALL {
        let name = table.name();
        let mut statement = connection.prepare(&table.all())?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            // Its name as it stands there now, for whoever looks for it.
            let of: String = row.get(table.name_column()).unwrap_or_default();
            let of = text::one_line(&of);
            let earlier = digests.earlier.remove(&(table, id)).unwrap_or_default();
            match digests.last.remove(&(table, id)) {
                Some((link, digest)) if digest != chain::digest(row)? => audit.break_at(format!(
                    "{name} {id} ({of}) is not what record {link} of the chain says: it was changed"
                )),
                Some(_) => {
                    if let Some(link) = names.strange(table, row, &earlier)? {
                        audit.break_at(format!(
                            "{name} {id} ({of}) is not what record {link} of the chain says, though a later one says so: it was changed"
                        ));
                    }
                }
                None => audit.break_at(format!(
                    "{name} {id} ({of}) is not in the chain: it was put in from outside"
                )),
            }
        }
    }
    let mut gone: Vec<_> = digests.last.into_iter().collect();
    gone.sort_by_key(|(_, (link, _))| *link);
    for ((table, id), (link, _)) in gone {
        let name = table.name();
        audit.break_at(format!(
            "{name} {id}, record {link} of the chain, is gone: it was removed"
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
