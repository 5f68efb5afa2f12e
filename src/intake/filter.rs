//! Which files of a folder are traces, and which are run lists.

use std::path::{Path, PathBuf};

use globset::{GlobBuilder, GlobMatcher};

use crate::config::{Config, Station};

/// What a file is to a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// It may be a trace.
    Trace,
    /// It may be a run list.
    RunList,
}

/// Patterns of one station, made ready.
#[derive(Debug, Clone)]
pub struct Filter {
    names: Vec<GlobMatcher>,
    run_list: Option<GlobMatcher>,
    run_list_name: Option<GlobMatcher>,
    never: Vec<PathBuf>,
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
    /// The patterns of a station. Its pressure log, and the results and state folders should they lie inside, are left out.
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
        // Folders of ours count only where they lie among the traces: the traces may lie below the results as well.
        let ours = [&config.results_dir, &config.state_dir];
        let mut never: Vec<PathBuf> = ours
            .into_iter()
            .filter(|f| f.starts_with(&station.watch))
            .cloned()
            .collect();
        never.extend(station.pressure.as_ref().map(|p| p.file.clone()));
        never.extend(config.alert.heartbeat.iter().filter_map(|h| h.file.clone()));
        Ok(Filter {
            names,
            run_list,
            run_list_name: last.map(matcher).transpose()?,
            never,
        })
    }

    /// True for files and folders that are never looked at, and for what lies in them.
    pub fn skips(&self, path: &Path) -> bool {
        self.never.iter().any(|n| path.starts_with(n))
    }

    /// What a file in the watched folder is; `None`: nothing to us.
    pub fn role(&self, path: &Path) -> Option<Role> {
        self.role_with(
            path,
            self.run_list.as_ref().is_some_and(|m| m.is_match(path)),
        )
    }

    /// The same for a file that `process` was pointed at: there a run list is known by its name alone.
    pub fn role_anywhere(&self, path: &Path) -> Option<Role> {
        let name = path.file_name()?;
        let listed = self.run_list.as_ref().is_some_and(|m| m.is_match(path))
            || self
                .run_list_name
                .as_ref()
                .is_some_and(|m| m.is_match(name));
        self.role_with(path, listed)
    }

    fn role_with(&self, path: &Path, run_list: bool) -> Option<Role> {
        if self.skips(path) {
            return None;
        }
        if run_list {
            return Some(Role::RunList);
        }
        let name = Path::new(path.file_name()?);
        self.names
            .iter()
            .any(|m| m.is_match(name))
            .then_some(Role::Trace)
    }

    /// The folder outside which no run list can lie: the pattern's part before its first wildcard.
    pub fn run_list_folder(station: &Station) -> Option<PathBuf> {
        let pattern = station.run_list.as_deref()?;
        let wild = pattern.find(['*', '?', '[', '{']).unwrap_or(pattern.len());
        let fixed = pattern.get(..wild)?;
        let end = fixed.rfind(['/', '\\']).unwrap_or(0);
        let folder = fixed.get(..end)?;
        Some(PathBuf::from(if folder.is_empty() { "/" } else { folder }))
    }
}
