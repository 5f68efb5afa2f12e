//! The system's file events as hints.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use notify::RecursiveMode;
use notify::event::{AccessKind, AccessMode, EventKind};

use crate::config::paths::real;
use crate::outside;

/// A hint from the system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Hint {
    /// Something happened to this path: look at it.
    Look(PathBuf),
    /// Events were lost, or a folder came or went: look at everything.
    LookEverywhere,
}

/// Watches folders for as long as it lives.
pub struct Watcher {
    inner: Box<dyn notify::Watcher>,
    watched: Arc<Mutex<Vec<Watched>>>,
}

/// A folder that is watched. The system follows no link, so it is watched where it really lies.
struct Watched {
    real: PathBuf,
    folder: PathBuf,
    below: bool,
}

/// Why events cannot be had; the folder must be polled.
#[derive(Debug, thiserror::Error)]
#[error("{path}: {message}")]
pub struct NoEvents {
    path: PathBuf,
    message: String,
}

impl Watcher {
    /// A watcher that hands hints to `tell`, from a thread of its own.
    ///
    /// # Errors
    /// When the system offers no events.
    pub fn new(tell: impl Fn(Hint) + Send + 'static) -> Result<Watcher, NoEvents> {
        let watched = Arc::new(Mutex::new(Vec::new()));
        let known = Arc::clone(&watched);
        let hear = move |event: notify::Result<notify::Event>| {
            hints(event, &|hint| match hint {
                Hint::Look(path) => as_configured(&path, &lock(&known))
                    .into_iter()
                    .for_each(|p| tell(Hint::Look(p))),
                everywhere => tell(everywhere),
            });
        };
        outside::watcher(hear)
            .map(|inner| Watcher { inner, watched })
            .map_err(|e| NoEvents {
                path: PathBuf::new(),
                message: explain(&e),
            })
    }

    /// Watches a folder, and what is below it where that is wanted.
    ///
    /// # Errors
    /// When the system refuses; the message says what to do where that is known.
    pub fn watch(&mut self, folder: &Path, below: bool) -> Result<(), NoEvents> {
        let real = real(folder);
        let mut watched = lock(&self.watched);
        // What is in a folder that is watched with all below it stays watched so.
        let below = below || watched.iter().any(|w| w.below && real.starts_with(&w.real));
        // Known before the first event comes.
        watched.push(Watched {
            real: real.clone(),
            folder: folder.to_owned(),
            below,
        });
        drop(watched);
        let mode = match below {
            true => RecursiveMode::Recursive,
            false => RecursiveMode::NonRecursive,
        };
        self.inner.watch(&real, mode).map_err(|e| NoEvents {
            path: folder.to_owned(),
            message: explain(&e),
        })
    }

    /// Stops watching a folder, if it was watched.
    pub fn unwatch(&mut self, folder: &Path) {
        let gone: Vec<Watched> = lock(&self.watched)
            .extract_if(.., |w| w.folder == folder)
            .collect();
        for gone in gone {
            // A folder that was removed has lost its watch already.
            let _ = self.inner.unwatch(&gone.real);
        }
    }
}

fn lock(watched: &Mutex<Vec<Watched>>) -> MutexGuard<'_, Vec<Watched>> {
    watched.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A path of which the system tells, as a look at the watched folders comes upon it.
fn as_configured(path: &Path, watched: &[Watched]) -> Vec<PathBuf> {
    let spelled = |w: &Watched| Some(w.folder.join(path.strip_prefix(&w.real).ok()?));
    watched.iter().filter_map(spelled).collect()
}

fn hints(event: notify::Result<notify::Event>, tell: &impl Fn(Hint)) {
    let Ok(event) = event else {
        tell(Hint::LookEverywhere);
        return;
    };
    // The flag of a lost event has no path: it comes first.
    if event.need_rescan() {
        tell(Hint::LookEverywhere);
        return;
    }
    match event.kind {
        // Readers, ourselves among them.
        EventKind::Access(AccessKind::Close(AccessMode::Write)) => {}
        EventKind::Access(_) => return,
        EventKind::Create(notify::event::CreateKind::Folder)
        | EventKind::Remove(notify::event::RemoveKind::Folder) => {
            tell(Hint::LookEverywhere);
            return;
        }
        EventKind::Remove(_) => return,
        _ => {}
    }
    for path in event.paths {
        tell(Hint::Look(path));
    }
}

fn explain(error: &notify::Error) -> String {
    match &error.kind {
        notify::ErrorKind::MaxFilesWatch => {
            "the kernel's limit of watched folders is reached (raise it with `sysctl fs.inotify.max_user_watches=524288`)".to_owned()
        }
        // ENOSPC and EMFILE are how Linux says that a limit of its own is reached.
        notify::ErrorKind::Io(io) if io.raw_os_error() == Some(28) => {
            "the kernel's limit of watched folders is reached (raise it with `sysctl fs.inotify.max_user_watches=524288`)".to_owned()
        }
        notify::ErrorKind::Io(io) if io.raw_os_error() == Some(24) => {
            "the kernel's limit of watchers is reached (raise it with `sysctl fs.inotify.max_user_instances=512`)".to_owned()
        }
        _ => error.to_string(),
    }
}
