//! The sheet on the disk, kept up with as few bytes written as its promise allows.
//!
//! New rows at the end are appended with one write. Any other change replaces the whole file by a renamed one, so that a
//! reader sees a whole file at every instant. From [`LARGE`] on that would cost more than it is worth for the rows that
//! a standard changes just before the end: these are overwritten in place, and for the moment of that write a reader may
//! see old and new rows side by side. A change further back replaces the file at any size.

use std::fs::{self, OpenOptions};
use std::io::{self, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use super::{HEADER, slot_rows};
use crate::night::queue::Queue;
use crate::outside;
use crate::report::whole::{self, WriteError};

/// From this size on the end of the file is overwritten in place, bytes.
pub const LARGE: u64 = 1024 * 1024;
/// So much of the end may be overwritten in place, bytes.
pub const TAIL: u64 = 256 * 1024;

/// What an update did to the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Written {
    /// It held everything already.
    Nothing,
    /// Rows were added at its end.
    Appended,
    /// Its end was overwritten in place.
    Tail,
    /// It was replaced.
    Whole,
}

/// One queue's `sheet.csv`.
#[derive(Debug)]
pub struct SheetFile {
    path: PathBuf,
    /// Bytes of each slot's rows as they stand in the file.
    lengths: Vec<u64>,
    /// Size of the file as this program left it; `None`: not known, compare all of it.
    size: Option<u64>,
    /// Slots whose rows are not in the file as they should be.
    pending: std::collections::BTreeSet<usize>,
    /// Something was written in place, of which a power cut might leave nothing.
    unsynced: bool,
    large: u64,
    tail: u64,
}

impl SheetFile {
    /// The sheet at this path, which may hold rows from before a restart.
    pub fn new(path: PathBuf) -> SheetFile {
        SheetFile {
            path,
            lengths: Vec::new(),
            size: None,
            pending: std::collections::BTreeSet::new(),
            unsynced: false,
            large: LARGE,
            tail: TAIL,
        }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// True where an update failed and has to be tried again.
    pub fn is_behind(&self) -> bool {
        self.size.is_none() || !self.pending.is_empty()
    }

    /// Brings the file up to date. `changed`: slots whose rows changed; `rebuilt`: any of them may be another injection.
    /// With neither it does what an earlier call could not.
    ///
    /// # Errors
    /// The file cannot be read or written (held by a spreadsheet program, read-only, a full disk). What was to be written is
    /// remembered: a later call, with or without changes, makes up for it.
    pub fn update(
        &mut self,
        queue: &Queue,
        changed: &[usize],
        rebuilt: bool,
        zone: &TimeZone,
    ) -> Result<Written, WriteError> {
        self.pending.extend(changed);
        if rebuilt || self.lengths.len() > queue.slots().len() {
            self.size = None;
        }
        let Some(size) = self
            .size
            .filter(|known| size_of(&self.path) == Some(*known))
        else {
            return self.compare(queue, zone);
        };
        self.lengths.resize(queue.slots().len(), 0);
        let Some(first) = self
            .pending
            .iter()
            .copied()
            .find(|k| *k < self.lengths.len())
        else {
            self.pending.clear();
            return Ok(Written::Nothing);
        };
        let behind: u64 = self.lengths.iter().skip(first).sum();
        if behind == 0 {
            self.overwrite(queue, zone, first, size, Written::Appended)
        } else if size >= self.large && behind <= self.tail {
            self.overwrite(queue, zone, first, size - behind, Written::Tail)
        } else {
            self.compare(queue, zone)
        }
    }

    /// What was written in place outlasts a power cut from now on; a file that was replaced does already.
    ///
    /// # Errors
    /// The file cannot be opened, or its disk fails.
    pub fn sync(&mut self) -> Result<(), WriteError> {
        if self.unsynced {
            outside::disk("sync", &self.path)
                .and_then(|()| OpenOptions::new().write(true).open(&self.path))
                .and_then(|file| file.sync_all())
                .map_err(WriteError::of(&self.path, "sync"))?;
            self.unsynced = false;
        }
        Ok(())
    }

    /// Makes the whole sheet and writes it where the file does not hold just that.
    fn compare(&mut self, queue: &Queue, zone: &TimeZone) -> Result<Written, WriteError> {
        self.size = None;
        let mut text = HEADER.to_owned();
        let lengths = append(&mut text, queue, zone, 0);
        let written = whole::keep(&self.path, text.as_bytes())?;
        self.unsynced &= !written;
        self.settled(lengths, 0, text.len() as u64);
        Ok(if written {
            Written::Whole
        } else {
            Written::Nothing
        })
    }

    /// Writes the rows of all slots from `first` on at this offset, where the file ends or its last rows begin.
    fn overwrite(
        &mut self,
        queue: &Queue,
        zone: &TimeZone,
        first: usize,
        offset: u64,
        how: Written,
    ) -> Result<Written, WriteError> {
        let mut text = String::new();
        let lengths = append(&mut text, queue, zone, first);
        let before = self.size.take();
        if text.is_empty() && how == Written::Appended {
            self.settled(lengths, first, offset);
            return Ok(Written::Nothing);
        }
        let doing = if how == Written::Appended {
            "append to"
        } else {
            "overwrite the end of"
        };
        self.unsynced = true;
        let done = write_at(&self.path, offset, text.as_bytes());
        if done.is_err() && how == Written::Appended {
            // Half a row is worse than none. Where this fails too, the next update finds another size and repairs it.
            if let Some(size) = before {
                let _ = outside::disk("shorten", &self.path)
                    .and_then(|()| OpenOptions::new().write(true).open(&self.path))
                    .and_then(|f| f.set_len(size));
            }
        }
        done.map_err(WriteError::of(&self.path, doing))?;
        self.settled(lengths, first, offset + text.len() as u64);
        Ok(how)
    }

    fn settled(&mut self, lengths: Vec<u64>, first: usize, size: u64) {
        self.lengths.truncate(first);
        self.lengths.extend(lengths);
        self.size = Some(size);
        self.pending.clear();
    }
}

/// Appends the rows of all slots from `first` on; gives their lengths, bytes.
fn append(text: &mut String, queue: &Queue, zone: &TimeZone, first: usize) -> Vec<u64> {
    let rows = queue.slots().iter().skip(first).map(|slot| {
        let start = text.len();
        slot_rows(text, queue, slot, zone);
        (text.len() - start) as u64
    });
    rows.collect()
}

fn size_of(path: &Path) -> Option<u64> {
    outside::disk("look at", path).ok()?;
    fs::metadata(path).ok().map(|m| m.len())
}

/// One write at this offset; what stood behind its end is cut off.
fn write_at(path: &Path, offset: u64, bytes: &[u8]) -> io::Result<()> {
    outside::disk("open", path)?;
    let mut file = OpenOptions::new().write(true).open(path)?;
    let size = file.metadata()?.len();
    file.seek(SeekFrom::Start(offset))?;
    outside::write_all(&mut file, bytes, path)?;
    let end = offset + bytes.len() as u64;
    if size > end {
        outside::disk("shorten", path)?;
        file.set_len(end)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
