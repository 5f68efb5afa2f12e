//! Which files of a folder are traces, and which are run lists.

use std::path::Path;

use globset::{GlobBuilder, GlobMatcher};

use super::places::Places;
use crate::config::{Config, Station};

/// What a file is to a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// It may be a trace.
    Trace,
    /// It may be a run list.
    RunList,
}

/// Patterns of one station, made ready, and whose the folders are.
#[derive(Debug, Clone)]
pub struct Filter {
    names: Vec<GlobMatcher>,
    run_list: Option<GlobMatcher>,
    run_list_name: Option<GlobMatcher>,
    places: Places,
}

/// A pattern that cannot be understood.
#[derive(Debug, thiserror::Error)]
#[error("pattern {pattern:?}: {message}")]
pub struct BadPattern {
    pattern: String,
    message: String,
}

fn matcher(pattern: &str) -> Result<GlobMatcher, BadPattern> {
    GlobBuilder::new(pattern)
        .case_insensitive(true)
        .literal_separator(true)
        .build()
        .map(|g| g.compile_matcher())
        .map_err(|e| BadPattern {
            pattern: pattern.to_owned(),
            message: e.kind().to_string(),
        })
}

impl Filter {
    /// The patterns of a station. What this program writes, pressure logs, and what other stations watch is left out.
    ///
    /// # Errors
    /// When a pattern cannot be understood.
    pub fn new(config: &Config, station: &Station) -> Result<Filter, BadPattern> {
        let names = station
            .files
            .iter()
            .map(|p| matcher(p))
            .collect::<Result<_, _>>()?;
        let run_list = station.run_list.as_deref().map(matcher).transpose()?;
        let last = station
            .run_list
            .as_deref()
            .map(|p| p.rsplit(['/', '\\']).next().unwrap_or(p));
        Ok(Filter {
            names,
            run_list,
            run_list_name: last.map(matcher).transpose()?,
            places: Places::new(config, station),
        })
    }

    /// The same for a folder that a person named: what lies in it is meant, wherever it lies.
    pub fn naming(&self, folder: &Path) -> Filter {
        let mut named = self.clone();
        named.places.name(folder);
        named
    }

    /// Looks again where links lead.
    pub fn look_again(&mut self) {
        self.places.look_again();
    }

    /// False where the disk did not say where links lead.
    pub fn is_sure(&self) -> bool {
        self.places.sure
    }

    /// True for files and folders that are never looked at, and for what lies in them.
    pub fn skips(&self, path: &Path) -> bool {
        self.places.skips(path)
    }

    /// The same for a look that is for run lists alone: no list lies deeper than their pattern matches.
    pub fn skips_for_lists(&self, path: &Path) -> bool {
        self.places.is_too_deep(path) || self.skips(path)
    }

    /// What a file is to the station; `None`: nothing. Outside the watched folder nothing is a trace.
    pub fn role(&self, path: &Path) -> Option<Role> {
        if self.is_run_list(path) {
            return (!self.skips(path)).then_some(Role::RunList);
        }
        let is_trace = self.places.holds_trace(path) && self.is_named(path);
        is_trace.then_some(Role::Trace)
    }

    /// The same for a file that `process` was pointed at: it may lie anywhere, and a run list is known by its name alone.
    pub fn role_anywhere(&self, path: &Path) -> Option<Role> {
        let name = path.file_name()?;
        if self.skips(path) {
            return None;
        }
        let named = self.run_list_name.as_ref();
        if self.is_run_list(path) || named.is_some_and(|m| m.is_match(name)) {
            return Some(Role::RunList);
        }
        self.is_named(path).then_some(Role::Trace)
    }

    fn is_run_list(&self, path: &Path) -> bool {
        let is = |p: &Path| self.run_list.as_ref().is_some_and(|m| m.is_match(p));
        is(path) || self.places.as_lists_spell(path).is_some_and(|p| is(&p))
    }

    fn is_named(&self, path: &Path) -> bool {
        let name = path.file_name().map(Path::new);
        name.is_some_and(|n| self.names.iter().any(|m| m.is_match(n)))
    }
}
