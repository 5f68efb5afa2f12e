//! The outside world of the daemon's shell: both clocks, waiting, and the calls of the disk.
//!
//! In life every function here is the system's own, and the compiler leaves nothing else of it. In unit tests a thread may
//! [`play`] a `World` of its own: its clocks are moved by hand, each call of the disk asks it for leave, and it decides what
//! happens while the daemon waits. So a simulator drives the real loop, and every call is named where it fails.

use std::fs::File;
use std::io::{self, Write as _};
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use jiff::tz::TimeZone;

#[cfg(test)]
pub(crate) use played::{Leave, World, play};

/// The wall clock.
pub fn wall() -> Timestamp {
    #[cfg(test)]
    if let Some(world) = played::world() {
        return world.wall();
    }
    Timestamp::now()
}

/// The time zone of this machine.
pub fn zone() -> TimeZone {
    #[cfg(test)]
    if let Some(world) = played::world() {
        return world.zone();
    }
    TimeZone::system()
}

/// The steady clock.
pub fn steady() -> Instant {
    #[cfg(test)]
    if let Some(world) = played::world() {
        return world.steady();
    }
    Instant::now()
}

/// How long ago a moment of the steady clock was.
pub fn since(moment: Instant) -> Duration {
    steady().saturating_duration_since(moment)
}

/// How many threads may evaluate files side by side.
pub fn cores() -> usize {
    if is_played() {
        return 1;
    }
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// This thread plays a world: nobody else opens its files.
pub fn is_played() -> bool {
    #[cfg(test)]
    let played = played::world().is_some();
    #[cfg(not(test))]
    let played = false;
    played
}

/// The system's file events; a played world has none of its own.
///
/// # Errors
/// When the system offers none.
pub fn watcher(
    hear: impl Fn(notify::Result<notify::Event>) + Send + 'static,
) -> notify::Result<Box<dyn notify::Watcher>> {
    if is_played() {
        return Ok(Box::new(notify::NullWatcher));
    }
    // What lies behind a link is nothing to us, and may be a whole disk.
    let settings = notify::Config::default().with_follow_symlinks(false);
    let system = <notify::RecommendedWatcher as notify::Watcher>::new(hear, settings)?;
    Ok(Box::new(system))
}

/// Waits for a message; at the longest for so long.
///
/// # Errors
/// When none came, or none can come any more.
pub fn receive<T>(messages: &Receiver<T>, longest: Duration) -> Result<T, RecvTimeoutError> {
    #[cfg(test)]
    if let Some(world) = played::world() {
        return played::receive(&*world, messages, longest);
    }
    messages.recv_timeout(longest)
}

/// Device and number of a file or folder: another one under the same name has another identity. Where the system has none, all
/// are one.
#[cfg(unix)]
pub fn identity(meta: &std::fs::Metadata) -> (u64, u64) {
    use std::os::unix::fs::MetadataExt as _;
    (meta.dev(), meta.ino())
}

/// Device and number of a file or folder: this system has none, so all are one.
#[cfg(not(unix))]
pub fn identity(_: &std::fs::Metadata) -> (u64, u64) {
    (0, 0)
}

/// To be called before each call of the disk, with what is to be done there and where.
///
/// # Errors
/// In life none; in a played world what the disk is to answer.
#[inline]
pub fn disk(deed: &'static str, path: &Path) -> io::Result<()> {
    #[cfg(test)]
    if let Some(world) = played::world() {
        return match world.leave(deed, path) {
            Leave::Granted => Ok(()),
            Leave::Refused(error) => Err(error),
            Leave::Killed => played::die(),
        };
    }
    let _ = (deed, path);
    Ok(())
}

/// Writes all bytes to a file that lies, or will lie, at `path`.
///
/// # Errors
/// When they cannot be written; some of them may be.
#[inline]
pub fn write_all(file: &mut File, bytes: &[u8], path: &Path) -> io::Result<()> {
    #[cfg(test)]
    if let Some(world) = played::world() {
        return played::write_all(&*world, file, bytes, path);
    }
    let _ = path;
    file.write_all(bytes)
}

#[cfg(test)]
mod played {
    use super::*;
    use std::cell::RefCell;
    use std::rc::Rc;

    /// What a played disk answers.
    pub(crate) enum Leave {
        Granted,
        Refused(io::Error),
        /// The program is killed here.
        Killed,
    }

    /// A world that is moved by hand.
    pub(crate) trait World {
        fn wall(&self) -> Timestamp;
        fn zone(&self) -> TimeZone;
        fn steady(&self) -> Instant;
        fn leave(&self, deed: &'static str, path: &Path) -> Leave;
        /// Lets the next thing happen, at the latest at this moment of the steady clock; false where that has come.
        fn pass(&self, until: Instant) -> bool;
        /// A kill in the midst of writing there.
        fn killed_writing(&self, path: &Path);
    }

    /// What unwinds a program that is killed.
    pub(crate) struct Killed;

    thread_local! {
        static WORLD: RefCell<Option<Rc<dyn World>>> = const { RefCell::new(None) };
    }

    pub(super) fn world() -> Option<Rc<dyn World>> {
        WORLD.try_with(|w| w.borrow().clone()).ok().flatten()
    }

    pub(super) fn die() -> ! {
        std::panic::resume_unwind(Box::new(Killed))
    }

    /// Lets `program` run in this world on this thread; `None` where it was killed.
    pub(crate) fn play<T>(world: Rc<dyn World>, program: impl FnOnce() -> T) -> Option<T> {
        struct Left;
        impl Drop for Left {
            fn drop(&mut self) {
                WORLD.with(|w| w.borrow_mut().take());
            }
        }
        WORLD.with(|w| *w.borrow_mut() = Some(world));
        let left = Left;
        let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(program));
        drop(left);
        match ended {
            Ok(value) => Some(value),
            Err(why) if why.is::<Killed>() => None,
            Err(why) => std::panic::resume_unwind(why),
        }
    }

    pub(super) fn receive<T>(
        world: &dyn World,
        messages: &Receiver<T>,
        longest: Duration,
    ) -> Result<T, RecvTimeoutError> {
        let until = world.steady() + longest;
        loop {
            if let Ok(message) = messages.try_recv() {
                return Ok(message);
            }
            if !world.pass(until) {
                return messages.try_recv().map_err(|_| RecvTimeoutError::Timeout);
            }
        }
    }

    pub(super) fn write_all(
        world: &dyn World,
        file: &mut File,
        bytes: &[u8],
        path: &Path,
    ) -> io::Result<()> {
        let half = bytes.get(..bytes.len() / 2).unwrap_or_default();
        match world.leave("write", path) {
            Leave::Granted => file.write_all(bytes),
            Leave::Refused(error) => {
                file.write_all(half)?;
                Err(error)
            }
            Leave::Killed => {
                let _ = file.write_all(half);
                world.killed_writing(path);
                die()
            }
        }
    }
}
