//! Whose a folder is: traces, run lists, and what is neither, though it lies among them.
//!
//! The nearest decides. What lies in the results' folder is results, though that lies in a watched folder; what lies in a
//! watched folder are traces, though that lies in the results' folder. Folders are compared where they really lie: what
//! is spelled in another way, or reached through a link, is the same folder.

use std::path::{Path, PathBuf};

use crate::config::paths::{joined, led, real};
use crate::config::pattern::{Reach, reach};
use crate::config::{Config, Station};

#[derive(Debug, Clone)]
pub(super) struct Places {
    watch: PathBuf,
    lists: Option<Reach>,
    /// A folder that a person named.
    named: Option<PathBuf>,
    /// Files and folders that are not the station's, as they are configured.
    others: Vec<PathBuf>,
    results: PathBuf,
    state: PathBuf,
    /// Names of all stations: each has a folder among the results.
    stations: Vec<String>,
    /// The others again, as a look at the folders above comes upon them.
    foreign: Vec<PathBuf>,
    /// The watched folder, or a part of it, as the pattern of the run lists spells it, where that differs.
    spelled: Option<(PathBuf, PathBuf)>,
    /// The disk said where they all lie.
    pub(super) sure: bool,
}

impl Places {
    pub(super) fn new(config: &Config, station: &Station) -> Places {
        let mut others = vec![config.state_dir.clone()];
        for s in &config.stations {
            others.extend((s.name != station.name).then(|| s.watch.clone()));
            others.extend(s.pressure.as_ref().map(|p| p.file.clone()));
        }
        others.extend(config.alert.heartbeat.iter().filter_map(|h| h.file.clone()));
        let mut places = Places {
            watch: station.watch.clone(),
            lists: station.run_list.as_deref().map(reach),
            named: None,
            others,
            results: config.results_dir.clone(),
            state: config.state_dir.clone(),
            stations: config.stations.iter().map(|s| s.name.clone()).collect(),
            foreign: Vec::new(),
            spelled: None,
            sure: false,
        };
        places.look_again();
        places
    }

    /// A person named this folder: what lies in it is meant, unless it is of our own making.
    pub(super) fn name(&mut self, folder: &Path) {
        let (at, results) = (real(folder), real(&self.results));
        let mut ours: Vec<PathBuf> = self.stations.iter().map(|n| results.join(n)).collect();
        ours.push(real(&self.state));
        let own: Vec<PathBuf> = self.roots().map(real).collect();
        if nearest(&at, &ours) > nearest(&at, &own) {
            self.foreign.push(folder.to_owned());
        } else {
            self.named = Some(folder.to_owned());
            self.look_again();
        }
    }

    /// Looks where the folders really lie: links may be made, and shares mounted, at any time.
    pub(super) fn look_again(&mut self) {
        let mut sure = true;
        let mut real = |path: &Path| {
            let (led, said) = led(path);
            sure &= said;
            led
        };
        let roots: Vec<(&Path, PathBuf)> = self.roots().map(|r| (r, real(r))).collect();
        let mut foreign = Vec::new();
        let results = real(&self.results);
        for (root, _) in roots.iter().filter(|(_, led)| *led == results) {
            foreign.extend(self.stations.iter().map(|name| root.join(name)));
        }
        for other in self.others.iter().map(|p| real(p)).chain([results]) {
            for (root, led) in &roots {
                foreign.extend(
                    other
                        .strip_prefix(led)
                        .ok()
                        .map(|below| joined(root, below)),
                );
            }
        }
        let spelled = self.lists.as_ref().and_then(|lists| {
            let (watch, folder) = (real(&self.watch), real(&lists.folder));
            let pair = match (watch.strip_prefix(&folder), folder.strip_prefix(&watch)) {
                (Ok(below), _) => (self.watch.clone(), joined(&lists.folder, below)),
                (_, Ok(below)) => (joined(&self.watch, below), lists.folder.clone()),
                _ => return None,
            };
            (pair.0 != pair.1).then_some(pair)
        });
        (self.foreign, self.spelled, self.sure) = (foreign, spelled, sure);
    }

    fn roots(&self) -> impl Iterator<Item = &Path> {
        let lists = self.lists.as_ref().map(|l| l.folder.as_path());
        [Some(self.watch.as_path()), lists, self.named.as_deref()]
            .into_iter()
            .flatten()
    }

    /// True for what is not the station's, apart from folders on the way to what is.
    pub(super) fn skips(&self, path: &Path) -> bool {
        self.is_foreign(path, self.roots()) && !self.roots().any(|r| r.starts_with(path))
    }

    /// True where what lies here may be one of the station's traces.
    pub(super) fn holds_trace(&self, path: &Path) -> bool {
        path.starts_with(&self.watch)
            && !self.is_foreign(path, std::iter::once(self.watch.as_path()))
    }

    fn is_foreign<'a>(&self, path: &Path, roots: impl Iterator<Item = &'a Path>) -> bool {
        let other = nearest(path, &self.foreign);
        other.is_some() && other > nearest(path, roots)
    }

    /// True for a folder that lies deeper below that of the run lists than their pattern can match.
    pub(super) fn is_too_deep(&self, path: &Path) -> bool {
        let Some(Reach {
            folder,
            depth: Some(depth),
        }) = &self.lists
        else {
            return false;
        };
        let below = path.strip_prefix(folder);
        below.is_ok_and(|p| p.components().count() > *depth)
    }

    /// A path of the watched folder as the pattern of the run lists spells it, where that differs.
    pub(super) fn as_lists_spell(&self, path: &Path) -> Option<PathBuf> {
        let (here, there) = self.spelled.as_ref()?;
        Some(joined(there, path.strip_prefix(here).ok()?))
    }
}

/// How deep the nearest of the folders lies that hold this path.
fn nearest(path: &Path, folders: impl IntoIterator<Item = impl AsRef<Path>>) -> Option<usize> {
    let depth = |folder: &Path| {
        path.starts_with(folder)
            .then(|| folder.components().count())
    };
    folders.into_iter().filter_map(|f| depth(f.as_ref())).max()
}

#[cfg(test)]
mod tests;
