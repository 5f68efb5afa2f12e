//! What lies in the watched folders and cannot be read: told once it has lasted.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::intake::settle::Moment;

/// A file that another program holds for a moment is no trouble: it may be unreadable for so many times the time in which
/// files settle,
const PATIENCE: u32 = 20;
/// and at least for so long.
const LEAST_PATIENCE: Duration = Duration::from_secs(2);

#[derive(Debug, Clone)]
struct Trouble {
    since: Moment,
    why: String,
}

/// Files and folders that should be read and cannot.
#[derive(Debug)]
pub struct Unread {
    patience: Duration,
    /// Files that have settled and cannot be opened or read.
    files: BTreeMap<PathBuf, Trouble>,
    /// What the last look at the folders could not look at.
    places: BTreeMap<PathBuf, Trouble>,
}

impl Unread {
    /// For a station whose files settle after so long.
    pub fn new(settle: Duration) -> Unread {
        Unread {
            patience: settle.saturating_mul(PATIENCE).max(LEAST_PATIENCE),
            files: BTreeMap::new(),
            places: BTreeMap::new(),
        }
    }

    /// A file that has settled could not be read; true where that is news.
    pub fn file(&mut self, path: &Path, why: &str, now: Moment) -> bool {
        note(&mut self.files, path, why, now)
    }

    /// What a look could not look at, and why; gives what is news.
    pub fn look(&mut self, failed: &[(PathBuf, String)], now: Moment) -> Vec<(PathBuf, String)> {
        self.places
            .retain(|path, _| failed.iter().any(|(p, _)| p == path));
        failed
            .iter()
            .filter(|(path, why)| note(&mut self.places, path, why, now))
            .cloned()
            .collect()
    }

    /// Forgets files that do not wait to be read any more.
    pub fn keep(&mut self, waits: impl Fn(&Path) -> bool) {
        self.files.retain(|path, _| waits(path));
    }

    /// What has lasted: how many there are, and the oldest with the reason why.
    pub fn lasting(&self, now: Moment) -> Option<(usize, String)> {
        let lasts = |t: &Trouble| now.saturating_sub(t.since) >= self.patience;
        let all = self.files.iter().chain(&self.places);
        let lasting: Vec<_> = all.filter(|(_, t)| lasts(t)).collect();
        let (path, trouble) = lasting.iter().min_by_key(|(_, t)| t.since)?;
        Some((
            lasting.len(),
            format!("{}: {}", path.display(), trouble.why),
        ))
    }

    /// When more of it will have lasted.
    pub fn next_due(&self, now: Moment) -> Option<Moment> {
        let all = self.files.values().chain(self.places.values());
        all.map(|t| t.since + self.patience)
            .filter(|due| *due > now)
            .min()
    }
}

fn note(troubles: &mut BTreeMap<PathBuf, Trouble>, path: &Path, why: &str, now: Moment) -> bool {
    match troubles.get_mut(path) {
        Some(trouble) => {
            why.clone_into(&mut trouble.why);
            false
        }
        None => {
            let why = why.to_owned();
            troubles.insert(path.to_owned(), Trouble { since: now, why });
            true
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn s(seconds: u64) -> Moment {
        Duration::from_secs(seconds)
    }

    #[test]
    fn only_what_lasts_is_told_and_the_oldest_is_named() {
        let mut unread = Unread::new(s(3));
        assert!(unread.file(Path::new("a.csv"), "permission denied", s(10)));
        assert!(!unread.file(Path::new("a.csv"), "permission denied", s(15)));
        let folder = (PathBuf::from("day-2"), "permission denied".to_owned());
        assert_eq!(unread.look(std::slice::from_ref(&folder), s(20)).len(), 1);
        assert_eq!(unread.look(&[folder], s(50)).len(), 0);
        assert_eq!(unread.lasting(s(69)), None);
        assert_eq!(unread.next_due(s(69)), Some(s(70)));
        let first = "a.csv: permission denied".to_owned();
        assert_eq!(unread.lasting(s(70)), Some((1, first.clone())));
        assert_eq!(unread.lasting(s(80)), Some((2, first)));
        unread.keep(|_| false);
        assert_eq!(unread.lasting(s(80)).map(|(n, _)| n), Some(1));
        unread.look(&[], s(81));
        assert_eq!(unread.lasting(s(81)), None);
    }
}
