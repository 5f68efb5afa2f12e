//! The run list: a CSV that says what each injection of a queue is.

pub(crate) mod cells;
pub mod file;
mod header;
mod levels;
mod mangled;
pub mod pattern;
mod quotes;
mod row;
pub(crate) mod rows;
mod text;
mod write;

pub use text::MAX_BYTES;

/// What an injection is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Eluent or water: nothing should show.
    Blank,
    /// A known solution that checks the calibration.
    Standard,
    /// A known solution that makes the calibration.
    Calibrator,
    /// An unknown.
    Sample,
    /// Wakes the column up; never judged.
    Conditioning,
}

impl Kind {
    /// The five kinds.
    pub const ALL: [Kind; 5] = [
        Kind::Blank,
        Kind::Standard,
        Kind::Calibrator,
        Kind::Sample,
        Kind::Conditioning,
    ];

    /// The word in run lists and sheets.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Blank => "blank",
            Kind::Standard => "standard",
            Kind::Calibrator => "calibrator",
            Kind::Sample => "sample",
            Kind::Conditioning => "conditioning",
        }
    }

    /// The kind that a word means, whatever its case; surrounding blanks do not count.
    pub fn parse(word: &str) -> Option<Kind> {
        let word = word.trim();
        Kind::ALL
            .into_iter()
            .find(|k| k.word().eq_ignore_ascii_case(word))
    }
}

/// One injection as planned.
#[derive(Debug, Clone, PartialEq)]
pub struct Injection {
    /// Place in the queue, from 1; unique in a list.
    pub position: u64,
    /// Tray, free text.
    pub tray: String,
    /// Vial, free text.
    pub vial: String,
    /// What it is.
    pub kind: Kind,
    /// What it is called.
    pub name: String,
    /// Stem of its trace's file name: no folder, no extension; unique in a list.
    pub stem: String,
    /// Injected volume, µL, where the list says.
    pub volume_ul: Option<f64>,
    /// Total dilution of the sample in the vial, at least above 0. Default 1.
    pub dilution: f64,
    /// Name of the method's level (standards, calibrators); empty: none.
    pub level: String,
    /// What is followed over time (a crock); empty: none.
    pub series: String,
    /// Time in the series, h.
    pub time_h: Option<f64>,
    /// Replicate number or word; empty: none.
    pub replicate: String,
    /// Values of the list's extra columns, in the order of [`RunList::extra`].
    pub extra: Vec<String>,
}

/// A run list that can be used.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunList {
    /// In order of position.
    pub injections: Vec<Injection>,
    /// Names of extra columns, as written.
    pub extra: Vec<String>,
    /// Things read as meant, worth saying: a decimal comma, a semicolon, empty rows at the end.
    pub notes: Vec<String>,
    /// Line of each injection in the file, from 1, in the order of [`RunList::injections`]; empty for a list that
    /// was not read from a file.
    pub lines: Vec<u64>,
}

pub(crate) use mangled::Mangled;
pub(crate) use row::{DILUTION, TIME_H, VOLUME_UL};

/// Whether a run list has a column of this name that means something; the name in lower case.
pub(crate) fn has_column(name: &str) -> bool {
    header::Column::ALL.iter().any(|c| c.name() == name)
}

/// With what the names of queues without a run list begin.
pub const UNLISTED: &str = "unlisted-";

/// The queue's name: the run list's file name without its extensions (`crocks.runlist.csv` → `crocks`). A list that is called
/// like the queue of what no list names gets another one: `list-unlisted-…`.
pub fn queue_name(file_name: &str) -> String {
    let mut name = file_name;
    for suffix in [".csv", ".txt", ".tsv", ".runlist"] {
        if name.len() > suffix.len() && name.to_ascii_lowercase().ends_with(suffix) {
            name = name.get(..name.len() - suffix.len()).unwrap_or(name);
        }
    }
    if name.starts_with(UNLISTED) {
        return format!("list-{name}");
    }
    name.to_owned()
}

/// The stem of a path as run lists write it: what stands after the last `/` or `\`, without the last extension. What
/// begins with a digit is no extension: `crocks.01` is a name of its own.
pub fn stem(path: &str) -> &str {
    let name = path.rsplit(['/', '\\']).next().unwrap_or(path);
    match name.rfind('.') {
        Some(dot) if dot > 0 && name[dot + 1..].starts_with(|c: char| c.is_ascii_alphabetic()) => {
            &name[..dot]
        }
        _ => name,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_queue_is_named_by_its_list() {
        assert_eq!(queue_name("crocks.runlist.csv"), "crocks");
        assert_eq!(queue_name("crocks.csv"), "crocks");
        assert_eq!(queue_name("week.2.runlist.csv"), "week.2");
        assert_eq!(
            queue_name("unlisted-2026-09-21.runlist.csv"),
            "list-unlisted-2026-09-21"
        );
    }

    #[test]
    fn a_path_counts_by_its_stem() {
        assert_eq!(stem("a/b\\c.d.csv"), "c.d");
        assert_eq!(stem(".hidden"), ".hidden");
        assert_eq!(stem("crocks.01"), "crocks.01");
        assert_eq!(stem("crocks.01.csv"), "crocks.01");
        assert_eq!(stem("../../etc/passwd"), "passwd");
    }
}
