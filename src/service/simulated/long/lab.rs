//! A laboratory with many instruments through many nights: its clock, and what it writes when.

use std::cell::RefCell;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::mpsc::Sender;
use std::time::{Duration, Instant, SystemTime};

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::gauge::{Held, cpu, held};
use crate::intake::watcher::Hint;
use crate::outside::{Leave, World};
use crate::random::{Purpose, Random};
use crate::service::simulated::bench::{self, CYCLE_S, Injection};
use crate::service::watch::Signal;

/// A call of the disk takes so long.
const CALL: Duration = Duration::from_micros(50);
/// The instruments begin in so many groups, one after the other.
const GROUPS: usize = 10;
/// So far apart, s.
const APART_S: u64 = 7;
/// Exports of so many nights ago are taken away.
const KEPT: usize = 3;
/// A trace comes again so many nights later, now and then.
pub(super) const AGAIN: usize = 10;
/// A reading of the pressure every so often, s.
const READING_S: u64 = 21;
const DAY_S: u64 = 24 * 3600;

/// How much of everything.
#[derive(Debug, Clone, Copy)]
pub(super) struct Size {
    pub stations: usize,
    pub nights: usize,
    pub injections: usize,
    /// Stations with a pressure log: it is looked at every five seconds, which takes most of the time then.
    pub pressure: usize,
}

/// What a night took, and how things stood at its end.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Measured {
    pub held: Held,
    /// CPU time of the daemon's loop.
    pub used: Duration,
    /// Traces written so far.
    pub written: usize,
    /// Bytes of the ledger without its log.
    pub ledger: u64,
}

/// The next thing to happen: night, injection (0: the run list; past the last one: the night is over), group.
type Step = (usize, usize, usize);

struct State {
    now: Duration,
    next: Step,
    signals: Option<Sender<Signal>>,
    written: usize,
    /// CPU time of the thread at the end of the last night, and that of the laboratory's own work since.
    since: Duration,
    own: Duration,
    measured: Vec<Measured>,
}

pub(super) struct Lab {
    root: PathBuf,
    size: Size,
    base: Instant,
    start: Timestamp,
    queue: Vec<Injection>,
    state: RefCell<State>,
}

impl Lab {
    /// Lays the laboratory out; gives it with its configuration.
    pub(super) fn build(root: &Path, size: Size) -> (Lab, String) {
        bench::lay_out(root, false);
        let mut config = "state_dir = \"state\"\nresults_dir = \"results\"\n".to_owned();
        for station in 0..size.stations {
            let name = name(station);
            fs::create_dir_all(root.join(&name)).unwrap();
            let _ = write!(
                config,
                "\n[[station]]\nname = \"{name}\"\nwatch = \"{name}\"\nfiles = [\"*.csv\"]\nrun_list = \"{name}/*.runlist.csv\"\nmethod = \"method.toml\"\ncalibration = \"calibration.toml\"\nsettle_s = 2\npoll_s = 600\n"
            );
            if station < size.pressure {
                config += &format!(
                    "[station.pressure]\nfile = \"{name}.pressure.log\"\nunit = \"MPa\"\n"
                );
                fs::write(pressure(root, station), "time,pressure\n").unwrap();
            }
        }
        config += "\n[alert.heartbeat]\nfile = \"alive/alive.txt\"\nevery_s = 3600\n";
        let mut random = Random::stream(7, 0, Purpose::Order);
        let mut queue = bench::queue(&mut random, size.injections as u64);
        for row in &mut queue {
            row.air = false;
        }
        let lab = Lab {
            root: root.to_owned(),
            size,
            base: Instant::now(),
            start: Timestamp::from_second(super::super::world::EVENING_S).unwrap(),
            queue,
            state: RefCell::new(State {
                now: Duration::ZERO,
                next: (0, 0, 0),
                signals: None,
                written: 0,
                since: cpu(),
                own: Duration::ZERO,
                measured: Vec::new(),
            }),
        };
        (lab, config)
    }

    pub(super) fn listen(&self, signals: Sender<Signal>) {
        self.state.borrow_mut().signals = Some(signals);
    }

    pub(super) fn measured(&self) -> Vec<Measured> {
        self.state.borrow().measured.clone()
    }

    fn at(&self, (night, injection, group): Step) -> Duration {
        let in_night = if injection > self.size.injections {
            DAY_S - 60
        } else {
            injection as u64 * CYCLE_S + group as u64 * APART_S
        };
        Duration::from_secs(night as u64 * DAY_S + in_night)
    }

    fn happen(&self, state: &mut State) {
        let (night, injection, group) = state.next;
        if injection > self.size.injections {
            self.measure(state);
            state.next = (night + 1, 0, 0);
            if night + 1 == self.size.nights {
                tell(state, Signal::Stop);
            }
            return;
        }
        for station in (group..self.size.stations).step_by(GROUPS) {
            match injection.checked_sub(1) {
                None => self.evening(state, station, night),
                Some(k) => self.injected(state, station, night, k),
            }
        }
        state.next = if group + 1 < GROUPS {
            (night, injection, group + 1)
        } else {
            (night, injection + 1, 0)
        };
    }

    fn measure(&self, state: &mut State) {
        let total = cpu();
        let used = total.saturating_sub(state.since).saturating_sub(state.own);
        (state.since, state.own) = (total, Duration::ZERO);
        let ledger = fs::metadata(self.root.join("state/ledger.sqlite")).map_or(0, |m| m.len());
        state.measured.push(Measured {
            held: held(),
            used,
            written: state.written,
            ledger,
        });
    }

    /// The run list, in most nights; what is old is taken away.
    fn evening(&self, state: &mut State, station: usize, night: usize) {
        for back in [KEPT, AGAIN + KEPT] {
            if let Some(old) = night.checked_sub(back) {
                let _ = fs::remove_dir_all(self.exports(station, old));
                let _ = fs::remove_file(self.list(station, old));
            }
        }
        match (station + night) % 7 {
            // No list at all, or a late one.
            3 | 5 => {}
            _ => self.write_list(state, station, night),
        }
    }

    fn write_list(&self, state: &mut State, station: usize, night: usize) {
        let mut text = bench::run_list(&self.of(night));
        if (station + night) % 11 == 4 {
            // A list that cannot be used.
            text = text.replacen("blank", "bank", 1);
        }
        self.write(state, station, &self.list(station, night), &text);
    }

    fn injected(&self, state: &mut State, station: usize, night: usize, k: usize) {
        let last = k + 1 == self.size.injections;
        if last && (station + night) % 7 == 5 {
            self.write_list(state, station, night);
        }
        if last && (station + night) % 9 == 2 {
            // The queue stops before its last injection.
            return;
        }
        self.export(state, station, night, k, 0);
        if k == 3 && (station + night) % 10 == 9 {
            // A trace of a night long over is exported again.
            if let Some(old) = night.checked_sub(AGAIN) {
                self.export(state, station, old, k, 1);
            }
        }
        if station < self.size.pressure {
            self.log_pressure(state, station);
        }
    }

    /// The queue of a night: blanks and standards are called the same every night, samples are not.
    fn of(&self, night: usize) -> Vec<Injection> {
        let mut queue = self.queue.clone();
        for row in queue.iter_mut().filter(|r| r.kind == "sample") {
            row.stem = format!("n{night:04}-{}", row.stem);
        }
        queue
    }

    fn export(&self, state: &mut State, station: usize, night: usize, k: usize, version: u64) {
        let mut row = self.of(night).swap_remove(k);
        // Its noise is that of no other.
        row.replicate = ((night * self.size.stations + station) * 1000 + k) as u64;
        let path = self
            .exports(station, night)
            .join(format!("{}.csv", row.stem));
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        self.write(state, station, &path, &bench::trace(&row, version));
        state.written += 1;
    }

    fn write(&self, state: &State, station: usize, path: &Path, text: &str) {
        fs::write(path, text).unwrap();
        let file = File::options().write(true).open(path).unwrap();
        file.set_modified(self.true_time(state)).unwrap();
        tell(state, Signal::Hint(station, Hint::Look(path.to_owned())));
    }

    /// Readings since the last injection.
    fn log_pressure(&self, state: &State, station: usize) {
        let path = pressure(&self.root, station);
        let mut file = File::options().append(true).open(path).unwrap();
        let mut text = String::new();
        for k in 0..CYCLE_S / READING_S {
            let back = i64::try_from(CYCLE_S - READING_S * (k + 1)).unwrap();
            let at = self.wall_of(state) - SignedDuration::from_secs(back);
            let wave = 0.02 * (k as f64).sin();
            let _ = writeln!(text, "{at:.0},{:.3}", 5.2 + wave);
        }
        file.write_all(text.as_bytes()).unwrap();
    }

    fn exports(&self, station: usize, night: usize) -> PathBuf {
        self.root.join(name(station)).join(format!("n{night:04}"))
    }

    fn list(&self, station: usize, night: usize) -> PathBuf {
        self.root
            .join(name(station))
            .join(format!("n{night:04}.runlist.csv"))
    }

    fn wall_of(&self, state: &State) -> Timestamp {
        self.start + SignedDuration::try_from(state.now).unwrap()
    }

    fn true_time(&self, state: &State) -> SystemTime {
        let start = u64::try_from(self.start.as_second()).unwrap();
        SystemTime::UNIX_EPOCH + Duration::from_secs(start) + state.now
    }
}

fn name(station: usize) -> String {
    format!("acids-{station:03}")
}

fn pressure(root: &Path, station: usize) -> PathBuf {
    root.join(format!("{}.pressure.log", name(station)))
}

fn tell(state: &State, signal: Signal) {
    if let Some(signals) = &state.signals {
        let _ = signals.send(signal);
    }
}

impl World for Lab {
    fn wall(&self) -> Timestamp {
        self.wall_of(&self.state.borrow())
    }

    fn zone(&self) -> TimeZone {
        TimeZone::UTC
    }

    fn steady(&self) -> Instant {
        self.base + self.state.borrow().now
    }

    fn leave(&self, _: &'static str, _: &Path) -> Leave {
        self.state.borrow_mut().now += CALL;
        Leave::Granted
    }

    fn pass(&self, until: Instant) -> bool {
        let mut state = self.state.borrow_mut();
        let until = until.saturating_duration_since(self.base);
        let at = self.at(state.next);
        if at > until || state.next.0 >= self.size.nights {
            state.now = state.now.max(until);
            return false;
        }
        state.now = state.now.max(at);
        let before = cpu();
        self.happen(&mut state);
        if state.next.1 != 0 || state.next.2 != 0 {
            state.own += cpu().saturating_sub(before);
        }
        true
    }

    fn killed_writing(&self, _: &Path) {}
}
