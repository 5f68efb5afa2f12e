//! The sign of life: a file that is rewritten, and an address that is called, only while everything works.
//!
//! Whoever must know that nobody watches any more looks at this file's age, or has a service notice that the calls stay
//! away. So both end as soon as a watched folder cannot be looked at, the ledger cannot be written, or a result cannot.

mod call;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use self::call::Caller;
use crate::config;
use crate::night::queue::Queue;
use crate::outside;
use crate::report::whole::{replace, sweep};
use crate::text::one_line;

/// What is proved for the heartbeat and the watchdog is proved this often at least where neither asks for more.
const PROVE: Duration = Duration::from_secs(30);
/// Where something does not work, it is looked at again after so long.
const TRY_AGAIN: Duration = Duration::from_secs(5);

/// When a sign of life is due, and whether everything worked when that was last proved.
#[derive(Debug)]
pub struct Heartbeat {
    file: Option<PathBuf>,
    caller: Option<Caller>,
    every: Duration,
    next_beat: Instant,
    next_proof: Instant,
    /// What did not work last time, told once.
    told: Option<String>,
    unwritable: bool,
}

impl Heartbeat {
    /// With the file and the address of the configuration, or without either for the watchdog alone.
    pub fn new(settings: Option<&config::Heartbeat>, now: Instant) -> Heartbeat {
        let every = settings.and_then(|s| Duration::try_from_secs_f64(s.every_s).ok());
        let file = settings.and_then(|s| s.file.clone());
        if let Some(folder) = file.as_deref().and_then(Path::parent) {
            sweep(folder);
        }
        Heartbeat {
            file,
            caller: settings.and_then(|s| s.url.as_deref()).map(Caller::new),
            every: every.unwrap_or(PROVE),
            next_beat: now,
            next_proof: now,
            told: None,
            unwritable: false,
        }
    }

    /// It is time to prove that everything works.
    pub fn is_due(&self, now: Instant) -> bool {
        now >= self.next_proof
    }

    /// When it has something to do; `None` for the watchdog alone: then the turns of the loop are enough.
    pub fn next_due(&self) -> Option<Instant> {
        (self.file.is_some() || self.caller.is_some()).then_some(self.next_proof)
    }

    /// What did not work when that was last proved.
    pub fn trouble(&self) -> Option<&str> {
        self.told.as_deref()
    }

    /// Takes what a proof gave (`Err`: what does not work), and gives the sign where that is due.
    pub fn take(&mut self, proof: Result<(), String>, now: Instant, line: &dyn Fn() -> String) {
        self.next_proof = now
            + if proof.is_ok() {
                self.every.min(PROVE)
            } else {
                TRY_AGAIN
            };
        match proof {
            Ok(()) => {
                if let Some(what) = self.told.take() {
                    tracing::info!("{what}: this is over, the sign of life goes on");
                }
                self.beat(now, line);
            }
            Err(what) => {
                if self.told.as_ref() != Some(&what) {
                    tracing::error!("no sign of life: {what}");
                    self.told = Some(what);
                }
            }
        }
    }

    fn beat(&mut self, now: Instant, line: &dyn Fn() -> String) {
        if now < self.next_beat {
            return;
        }
        self.next_beat = now + self.every;
        if let Some(caller) = &self.caller {
            caller.call();
        }
        let Some(file) = &self.file else {
            return;
        };
        match replace(file, line().as_bytes()) {
            Ok(()) => self.unwritable = false,
            Err(error) => {
                if !std::mem::replace(&mut self.unwritable, true) {
                    tracing::error!(%error, "the sign of life cannot be written; trying again");
                }
            }
        }
    }
}

/// The folder can be written: a file is made in it and removed.
///
/// # Errors
/// What is wrong with it.
pub fn prove_folder(folder: &Path) -> Result<(), String> {
    let made = outside::disk("try to write in", folder)
        .and_then(|()| std::fs::create_dir_all(folder))
        .and_then(|()| {
            tempfile::Builder::new()
                .prefix(".writing-")
                .suffix(".tmp")
                .tempfile_in(folder)
        });
    let closed = made.and_then(tempfile::NamedTempFile::close);
    closed.map_err(|e| format!("cannot write in {}: {e}", folder.display()))
}

/// `acids: crocks 14 of 24`; without a queue that runs `acids: idle`.
pub fn state<'q>(station: &str, queues: impl Iterator<Item = &'q Queue>) -> String {
    let running: Vec<String> = queues
        .filter(|q| q.has_begun() && !q.is_ended())
        .map(|q| {
            let landed = q.slots().iter().filter(|s| s.landing.is_some()).count();
            let of = if q.listed {
                format!(" of {}", q.slots().len())
            } else {
                String::new()
            };
            format!("{} {landed}{of}", one_line(&q.name))
        })
        .collect();
    let what = if running.is_empty() {
        "idle".to_owned()
    } else {
        running.join(", ")
    };
    format!("{}: {what}", one_line(station))
}

/// The file's one line: the time (RFC 3339, UTC) and the state of every station.
pub fn line(now: Timestamp, states: &[String]) -> String {
    format!("{now:.0} {}\n", states.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::Night;

    #[test]
    fn the_file_is_written_only_while_everything_works() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("alive.txt");
        let settings = config::Heartbeat {
            file: Some(file.clone()),
            url: None,
            every_s: 60.0,
        };
        let start = Instant::now();
        let after = |s| start + Duration::from_secs(s);
        let mut heart = Heartbeat::new(Some(&settings), start);
        let wrong = || Err("cannot write in there".to_owned());
        heart.take(wrong(), start, &|| "1\n".to_owned());
        assert!(!file.exists() && heart.trouble().is_some());
        assert_eq!(heart.next_due(), Some(after(5)));
        heart.take(Ok(()), after(5), &|| "2\n".to_owned());
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "2\n");
        // Proved every 30 s, written every 60 s.
        assert_eq!(heart.next_due(), Some(after(35)));
        heart.take(Ok(()), after(35), &|| "3\n".to_owned());
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "2\n");
        heart.take(wrong(), after(65), &|| "4\n".to_owned());
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "2\n");
        heart.take(Ok(()), after(70), &|| "5\n".to_owned());
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "5\n");
    }

    #[test]
    fn a_folder_that_is_none_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("results");
        assert_eq!(prove_folder(&path), Ok(()));
        assert_eq!(std::fs::read_dir(&path).unwrap().count(), 0);
        std::fs::remove_dir(&path).unwrap();
        std::fs::write(&path, "").unwrap();
        assert!(prove_folder(&path).unwrap_err().contains("results"));
    }

    #[test]
    fn the_line_says_where_the_queues_stand() {
        let mut night = Night::new("PsP");
        night.good(1).judged();
        let now = Timestamp::from_second(1_790_006_400).unwrap();
        let states = [
            state("acids", std::iter::once(&*night.queue())),
            state("sugars", std::iter::empty()),
        ];
        assert_eq!(
            line(now, &states),
            "2026-09-21T16:00:00Z acids: crocks 1 of 3; sugars: idle\n"
        );
    }
}
