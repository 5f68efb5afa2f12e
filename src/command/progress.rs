//! A bar on a terminal, silence in a pipe.

use std::io::{IsTerminal as _, Write as _};
use std::time::{Duration, Instant};

/// So often a bar is drawn anew.
const PAUSE: Duration = Duration::from_millis(100);
/// Cells of the bar.
const WIDTH: usize = 30;

/// A progress bar on the error output, where that is a terminal.
pub struct Bar {
    shown: bool,
    drawn: Option<Instant>,
    noun: &'static str,
}

impl Bar {
    /// A bar that counts things of this name.
    pub fn new(noun: &'static str) -> Bar {
        Bar {
            shown: std::io::stderr().is_terminal(),
            drawn: None,
            noun,
        }
    }

    /// So many of so many are done.
    pub fn set(&mut self, done: usize, total: usize) {
        let now = Instant::now();
        if !self.shown
            || total == 0
            || done < total && self.drawn.is_some_and(|d| now.duration_since(d) < PAUSE)
        {
            return;
        }
        self.drawn = Some(now);
        let full = WIDTH * done / total;
        let bar: String = (0..WIDTH)
            .map(|k| if k < full { '#' } else { '.' })
            .collect();
        let _ = write!(
            std::io::stderr(),
            "\r[{bar}] {done} of {total} {}\u{1b}[K",
            self.noun
        );
    }

    /// Takes the bar off the terminal, so that other lines can be written.
    pub fn clear(&mut self) {
        if self.shown && self.drawn.take().is_some() {
            let _ = write!(std::io::stderr(), "\r\u{1b}[K");
        }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.clear();
    }
}
