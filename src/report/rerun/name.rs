//! File stems of repeats. Names stay: a repeat is of the same sample.

use std::collections::HashSet;

use crate::night::join::{MARK, unmarked};

/// Longest stem before its mark, bytes: with mark and extension every file system takes it.
const LONGEST: usize = 100;

/// Stems in use, whatever their letters' case: some file systems do not tell it apart.
pub(super) struct Names {
    taken: HashSet<String>,
}

impl Names {
    pub(super) fn taken<'a>(stems: impl Iterator<Item = &'a str>) -> Names {
        Names {
            taken: stems.map(str::to_lowercase).collect(),
        }
    }

    /// A stem for the repeat of this one, not given before: `t-7` → `t-7-repeat`, `t-7-repeat2`, …
    pub(super) fn repeat(&mut self, stem: &str) -> String {
        let (base, mut n) = match unmarked(stem) {
            Some((base, n)) => (base, n.saturating_add(1)),
            None => (stem, 1),
        };
        let base = crate::tell::name::safe(base, LONGEST);
        loop {
            let candidate = if n == 1 {
                format!("{base}-{MARK}")
            } else {
                format!("{base}-{MARK}{n}")
            };
            if self.taken.insert(candidate.to_lowercase()) {
                return candidate;
            }
            n = n.saturating_add(1);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stems_are_given_once() {
        let mut names = Names::taken(["t-7", "T-7-Repeat"].into_iter());
        assert_eq!(names.repeat("t-7"), "t-7-repeat2");
        assert_eq!(names.repeat("t-7"), "t-7-repeat3");
        assert_eq!(names.repeat("t-7-repeat"), "t-7-repeat4");
        assert_eq!(names.repeat("crock3-d2-r2"), "crock3-d2-r2-repeat");
        assert_eq!(names.repeat("../a\u{202e}:b"), "a--b-repeat");
    }

    #[test]
    fn a_long_stem_is_cut_and_stays_unique() {
        let mut names = Names::taken(std::iter::empty());
        let long = "ä".repeat(400);
        let (a, b) = (names.repeat(&long), names.repeat(&long));
        assert!(a != b && a.len() < 120 && b.len() < 120, "{a} {b}");
    }
}
