//! One file, read once: hashed, parsed, integrated, matched. Many files: the same on all cores, in order.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use sha2::{Digest, Sha256};

use crate::intake::{Seen, scan};
use crate::method::Method;
use crate::outside;
use crate::quant::matching;
use crate::reading::{Evaluation, Unreadable};
use crate::trace::{self, Hints, Settings};

/// From this size on a file is hashed on another core while it is parsed: below, starting that costs more than it saves.
const HASH_BESIDE_FROM: usize = 1 << 20;
/// Results that may wait for an earlier one.
const WAITING: usize = 64;

/// What is needed to evaluate the files of a station.
#[derive(Debug, Clone, Copy)]
pub struct Bench<'a> {
    /// What is known of the traces' layout.
    pub settings: &'a Settings,
    /// The method.
    pub method: &'a Method,
}

/// A file that was read.
#[derive(Debug, Clone)]
pub struct Taken {
    /// As it was when it was read.
    pub seen: Seen,
    /// SHA-256 of its bytes, hex; empty where it was too large to be read.
    pub sha256: String,
    /// What it gave.
    pub evaluation: Evaluation,
    /// It may not be whole yet.
    pub may_grow: bool,
}

/// What became of the attempt to read a file.
#[derive(Debug)]
pub enum Outcome {
    /// It was read.
    Taken(Box<Taken>),
    /// It changed while it was read: it is not whole.
    Changed(Seen),
    /// It could not be read.
    Unread(Seen, io::Error),
}

/// Reads and evaluates one file. `buffer` is reused from file to file.
pub fn evaluate(seen: Seen, bench: Bench<'_>, buffer: &mut Vec<u8>) -> Outcome {
    let limit = bench.settings.max_bytes.unwrap_or(trace::MAX_BYTES);
    if seen.size > limit {
        let message = format!(
            "{} bytes, at most {limit} are read (`max_mb` of the station's trace settings)",
            seen.size
        );
        let evaluation = Evaluation::Unreadable(Unreadable {
            line: None,
            message,
        });
        return Outcome::Taken(Box::new(Taken {
            seen,
            sha256: String::new(),
            evaluation,
            may_grow: false,
        }));
    }
    match read(&seen, buffer) {
        Err(error) => Outcome::Unread(seen, error),
        Ok(false) => Outcome::Changed(seen),
        Ok(true) => {
            let (sha256, evaluation, may_grow) = digest(buffer, bench);
            Outcome::Taken(Box::new(Taken {
                seen,
                sha256,
                evaluation,
                may_grow,
            }))
        }
    }
}

/// Fills the buffer; false where the file is no longer as it was seen.
fn read(seen: &Seen, buffer: &mut Vec<u8>) -> io::Result<bool> {
    buffer.clear();
    outside::disk("open", &seen.path)?;
    let mut file = open(&seen.path)?;
    let before = file.metadata()?;
    if !before.is_file() || before.len() != seen.size {
        return Ok(false);
    }
    let size = usize::try_from(seen.size).unwrap_or(usize::MAX);
    buffer
        .try_reserve(size.saturating_add(1))
        .map_err(|_| io::Error::from(io::ErrorKind::OutOfMemory))?;
    outside::disk("read", &seen.path)?;
    // A file that grows meanwhile is read no further than one byte past what was seen.
    file.by_ref()
        .take(seen.size.saturating_add(1))
        .read_to_end(buffer)?;
    let after = file.metadata()?;
    Ok(buffer.len() == size
        && after.len() == seen.size
        && scan::modified(&after).is_none_or(|m| m == seen.modified))
}

/// Opens a file of the watched folder.
#[cfg(target_os = "linux")]
pub(super) fn open(path: &Path) -> io::Result<File> {
    use rustix::fs::{Mode, OFlags};
    // A link or a pipe may have taken the file's place since it was seen: neither is followed, neither blocks.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    Ok(File::from(rustix::fs::open(path, flags, Mode::empty())?))
}

/// Opens a file of the watched folder.
#[cfg(not(target_os = "linux"))]
pub(super) fn open(path: &Path) -> io::Result<File> {
    File::open(path)
}

fn digest(bytes: &[u8], bench: Bench<'_>) -> (String, Evaluation, bool) {
    if bytes.len() < HASH_BESIDE_FROM {
        let (evaluation, may_grow) = work_out(bytes, bench);
        return (hex(bytes), evaluation, may_grow);
    }
    std::thread::scope(|scope| {
        let hash = scope.spawn(|| hex(bytes));
        let (evaluation, may_grow) = work_out(bytes, bench);
        (
            hash.join().unwrap_or_else(|_| hex(bytes)),
            evaluation,
            may_grow,
        )
    })
}

/// SHA-256, hex.
pub fn hex(bytes: &[u8]) -> String {
    crate::text::hex(&Sha256::digest(bytes))
}

/// What bytes give as a trace of this method; true beside it where they may not be whole.
pub fn work_out(bytes: &[u8], bench: Bench<'_>) -> (Evaluation, bool) {
    let hints = Hints {
        run_time_min: Some(bench.method.conditions.run_time_min),
        wavelength_nm: bench.method.conditions.wavelength_nm,
    };
    match trace::read(bytes, bench.settings, &hints) {
        Ok(read) => {
            let evaluation = matching::evaluate(&read, bench.method);
            // A trace that ends before the last window may be one that is still being written.
            let short = matches!(evaluation, Evaluation::Unreadable(_));
            (evaluation, short)
        }
        Err(error) => {
            let unreadable = Unreadable {
                line: error.line,
                message: error.message,
            };
            (Evaluation::Unreadable(unreadable), error.may_grow)
        }
    }
}

/// Evaluates files on all cores and hands the outcomes over in the files' order.
pub fn evaluate_all(files: Vec<Seen>, bench: Bench<'_>, mut take: impl FnMut(Outcome)) {
    let workers = outside::cores().min(files.len());
    if workers <= 1 {
        let mut buffer = Vec::new();
        for seen in files {
            take(evaluate(seen, bench, &mut buffer));
        }
        return;
    }
    let next = AtomicUsize::new(0);
    let files = &files;
    let (send, receive) = mpsc::sync_channel(WAITING);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (send, next) = (send.clone(), &next);
            scope.spawn(move || {
                let mut buffer = Vec::new();
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    let Some(seen) = files.get(k) else { break };
                    if send
                        .send((k, evaluate(seen.clone(), bench, &mut buffer)))
                        .is_err()
                    {
                        break;
                    }
                }
            });
        }
        drop(send);
        let mut waiting = BTreeMap::new();
        let mut due = 0;
        for (k, outcome) in receive {
            waiting.insert(k, outcome);
            while let Some(outcome) = waiting.remove(&due) {
                take(outcome);
                due += 1;
            }
        }
    });
}
