//! `runsitter watch` as a child of the test; it never outlives the test.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use crate::lab::program;

/// So long a test waits for something that should happen at once, on a machine that has other things to do.
const PATIENCE: Duration = Duration::from_secs(40);

/// The daemon at work.
pub struct Daemon {
    child: Child,
    log: PathBuf,
}

impl Daemon {
    /// Starts it and waits until it says that it watches.
    pub fn start(root: &Path) -> Daemon {
        Daemon::start_logging(root, "runsitter=info")
    }

    /// The same with a log as `RUST_LOG` asks for it; information must be among it.
    pub fn start_logging(root: &Path, filter: &str) -> Daemon {
        Daemon::start_by(program(), root, filter)
    }

    /// The same by a command that runs the program.
    pub fn start_by(mut program: Command, root: &Path, filter: &str) -> Daemon {
        let log = root.join("watch.log");
        let file = File::create(&log).unwrap();
        let child = program
            .args(["watch", "--config", "runsitter.toml"])
            .current_dir(root)
            .env("RUST_LOG", filter)
            .stdout(Stdio::null())
            .stderr(file)
            .spawn()
            .unwrap();
        let mut daemon = Daemon { child, log };
        let ready = |text: &str| text.lines().any(|l| l.trim_end().ends_with("watching"));
        daemon.wait_until("it watches", || {
            fs::read_to_string(root.join("watch.log")).is_ok_and(|t| ready(&t))
        });
        daemon
    }

    /// The number of its process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// What it has logged.
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Waits for something; a daemon that has ended meanwhile, or too long a wait, fails the test.
    #[track_caller]
    pub fn wait_until(&mut self, what: &str, happened: impl Fn() -> bool) {
        let started = Instant::now();
        while !happened() {
            let ended = self.child.try_wait().unwrap();
            assert!(
                ended.is_none(),
                "the daemon ended with {ended:?} while the test waited until {what}:\n{}",
                self.log()
            );
            assert!(
                started.elapsed() < PATIENCE,
                "waited {PATIENCE:?} until {what}:\n{}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Sends a signal and waits for the end, at most 5 s.
    pub fn signal(mut self, name: &str) -> ExitStatus {
        let id = self.child.id().to_string();
        assert!(
            Command::new("kill")
                .args([&format!("-{name}"), &id])
                .status()
                .unwrap()
                .success()
        );
        let started = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(
                started.elapsed() < Duration::from_secs(5),
                "5 s after SIG{name} it still runs:\n{}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Ends it as a service manager does: it must end well, within 5 s.
    #[track_caller]
    pub fn stop(self) {
        let log = self.log.clone();
        let status = self.signal("TERM");
        assert_eq!(
            status.code(),
            Some(0),
            "{}",
            fs::read_to_string(log).unwrap_or_default()
        );
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It has ended already where this fails.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
