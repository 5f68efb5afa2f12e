//! What happens in a played night.

use std::path::{Path, PathBuf};

use super::post::Mood;

/// What happens at a moment of the night.
#[derive(Debug, Clone)]
pub(super) enum Event {
    /// The instrument writes a file, or a first piece of it.
    Write {
        path: PathBuf,
        text: String,
    },
    /// The next piece of a file.
    Append {
        path: PathBuf,
        text: String,
    },
    Rename {
        from: PathBuf,
        to: PathBuf,
    },
    Copy {
        from: PathBuf,
        to: PathBuf,
    },
    Delete {
        path: PathBuf,
    },
    /// The wall clock is set, s.
    Clock {
        by_s: i64,
    },
    /// The machine sleeps, s; the steady clock stops, or goes on.
    Sleep {
        for_s: u64,
        steady: bool,
    },
    /// How the post is from now on.
    Post(Mood),
    /// The daemon is killed at one of its next calls.
    Kill {
        calls: u64,
    },
    /// What became of a letter.
    Word {
        job: usize,
        mood: Mood,
    },
    /// The daemon is told to stop.
    Stop,
}

impl Event {
    /// For the record of a night.
    pub(super) fn short(&self, root: &Path) -> String {
        let rel = |p: &PathBuf| p.strip_prefix(root).unwrap_or(p).display().to_string();
        match self {
            Event::Write { path, text } => format!("write {} ({} bytes)", rel(path), text.len()),
            Event::Append { path, text } => format!("append {} ({} bytes)", rel(path), text.len()),
            Event::Rename { from, to } => format!("rename {} to {}", rel(from), rel(to)),
            Event::Copy { from, to } => format!("copy {} to {}", rel(from), rel(to)),
            Event::Delete { path } => format!("delete {}", rel(path)),
            other => format!("{other:?}"),
        }
    }
}
