//! Which calls of the played disk fail.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Between two calls of one attempt lies less than this.
const AT_ONCE: Duration = Duration::from_secs(1);

/// Which calls of the disk a fault concerns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Part {
    Ledger,
    Results,
    Sheet,
    Alerts,
    Exports,
    Heartbeat,
    Settings,
    /// Results are read, to be compared.
    Readings,
}

impl Part {
    /// What a call belongs to, by its path below the night's folder.
    pub fn of(deed: &str, below: &Path) -> Vec<Part> {
        let top = below.components().next().map(|c| c.as_os_str());
        let writes = !matches!(deed, "compare with" | "look at" | "list" | "read");
        let mut parts = Vec::new();
        match top.and_then(|t| t.to_str()) {
            Some("state") => parts.push(Part::Ledger),
            Some("exports") => parts.push(Part::Exports),
            Some("alive") => parts.push(Part::Heartbeat),
            Some("results") if !writes => parts.push(Part::Readings),
            Some("results") => {
                parts.push(Part::Results);
                if below.ends_with("sheet.csv") {
                    parts.push(Part::Sheet);
                }
                if below.starts_with("results/acids/alerts") {
                    parts.push(Part::Alerts);
                }
            }
            _ => parts.push(Part::Settings),
        }
        parts
    }
}

/// A time in which calls fail.
#[derive(Debug, Clone)]
pub(super) struct Fault {
    pub from: Duration,
    pub until: Duration,
    pub part: Part,
    pub kind: ErrorKind,
    /// Passes over so many calls first.
    pub pass: u64,
    /// Fails no more than so many calls.
    pub times: u64,
    /// When it failed a call first.
    pub failed_first: Option<Duration>,
}

/// Every call from the `first` on fails, `times` times.
#[derive(Debug, Clone, Copy)]
pub(super) struct FailCall {
    pub first: u64,
    pub times: u64,
    pub kind: ErrorKind,
    /// Those of one part alone: the part of the first.
    pub part: Option<Part>,
}

/// Results that could not be written and have not been since. Where what was to be written is as it should be without it (a
/// verdict went back to what the file holds), nothing is undone.
#[derive(Debug, Clone, Default)]
pub(super) struct Undone {
    since: BTreeMap<PathBuf, Duration>,
    /// What was granted lately: since when it had failed, and when it was granted.
    lately: BTreeMap<PathBuf, (Duration, Duration)>,
}

impl Undone {
    pub fn refused(&mut self, path: &Path, now: Duration) {
        if self.since.contains_key(path) {
            return;
        }
        // A look that was granted, and the write that follows upon it, are one attempt.
        let before = self.lately.remove(path);
        let again = before.filter(|(_, granted)| *granted + AT_ONCE >= now);
        let since = again.map_or(now, |(since, _)| since);
        self.since.insert(path.to_owned(), since);
    }

    pub fn granted(&mut self, deed: &str, path: &Path, now: Duration) {
        if let Some(since) = self.since.remove(path) {
            self.lately.insert(path.to_owned(), (since, now));
        }
        // The folder of what is removed is needed no more.
        if let Some(folder) = path.parent().filter(|_| deed == "remove") {
            self.since.remove(folder);
        }
    }

    /// What has been undone for so long.
    pub fn for_long(&self, long: Duration, now: Duration) -> Option<&Path> {
        let mut all = self.since.iter();
        let found = all.find(|(_, since)| **since + long < now);
        found.map(|(path, _)| path.as_path())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_tried_again_in_vain_stays_undone_and_what_need_not_be_done_does_not() {
        let s = Duration::from_secs;
        let (sheet, folder) = (
            Path::new("acids/crocks/sheet.csv"),
            Path::new("acids/crocks"),
        );
        let mut undone = Undone::default();
        undone.refused(sheet, s(0));
        assert_eq!(undone.for_long(s(36), s(36)), None);
        // Looked at, and refused again at once: the same failure.
        undone.granted("compare with", sheet, s(30));
        undone.refused(sheet, s(30));
        assert_eq!(undone.for_long(s(36), s(37)), Some(sheet));
        // Looked at, and nothing to be written.
        undone.granted("compare with", sheet, s(40));
        assert_eq!(undone.for_long(s(36), s(100)), None);
        undone.refused(sheet, s(50));
        assert_eq!(undone.for_long(s(36), s(80)), None, "a new failure");
        undone.granted("rename", sheet, s(81));
        undone.refused(folder, s(90));
        undone.granted("remove", sheet, s(91));
        assert_eq!(undone.for_long(s(1), s(100)), None);
    }
}
