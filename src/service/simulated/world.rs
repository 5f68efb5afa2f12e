//! The world around the daemon: clocks, the disk's answers, the instrument, the post.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::Sender;
use std::time::{Duration, Instant, SystemTime};

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::event::Event;
use super::fault::{FailCall, Fault, Part, Undone};
use super::held::PROOF;
use super::post::{Mood, Post};
use super::tally::Tally;
use crate::intake::watcher::Hint;
use crate::outside::{Leave, World};
use crate::post::Refusal;
use crate::post::worker::Report;
use crate::random::Random;
use crate::service::watch::Signal;

/// Work at a call takes so long.
const CALL: Duration = Duration::from_micros(50);

/// What the world remembers.
pub(super) struct State {
    pub now: Duration,
    base: Instant,
    start: Timestamp,
    /// What was added to the wall clock, ns.
    set_ns: i64,
    /// How long the steady clock stood still.
    stood: Duration,
    pub events: BTreeMap<(Duration, u64), Event>,
    next_event: u64,
    pub faults: Vec<Fault>,
    pub fail_call: Option<FailCall>,
    pub calls: u64,
    kill_at: Option<u64>,
    pub kills: u32,
    pub life: u32,
    signals: Option<Sender<Signal>>,
    pub root: PathBuf,
    pub zone: TimeZone,
    random: Random,
    mood: Mood,
    /// Events of the file system are told.
    pub hints: bool,
    /// None of them is lost, doubled or overflows.
    pub all_events: bool,
    pub refused: Vec<(Duration, &'static str, PathBuf)>,
    /// When the sign of life was written.
    pub beats: Vec<Duration>,
    /// Results that could not be written.
    undone: Undone,
    /// Signs of life that came all the same.
    pub false_beats: Vec<String>,
    /// Every content that a path ever had, whole or in pieces, by its hash.
    pub shown: BTreeMap<(PathBuf, String), Vec<u8>>,
    /// What happened how often.
    pub tally: Tally,
    in_event: bool,
    pub log: Vec<String>,
    /// Each call of the disk goes into the log.
    pub keep_deeds: bool,
    /// The deed before the last one.
    before: &'static str,
    /// A kill or the disk cut rows that were appended: power fails so, and the next update mends it. Nothing else may be left in
    /// pieces.
    pub cut_rows: bool,
}

/// The played world.
pub(super) struct Played {
    pub state: RefCell<State>,
    pub post: Post,
}

/// 2026-10-24 20:00 UTC: summer time ends in the night that follows, at 01:00 UTC.
pub(super) const EVENING_S: i64 = 1_792_872_000;

impl Played {
    pub(super) fn new(root: &Path, start_s: i64, random: Random) -> Played {
        let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        Played {
            post: Post::default(),
            state: RefCell::new(State {
                now: Duration::ZERO,
                base: Instant::now(),
                start: Timestamp::from_second(start_s).unwrap(),
                set_ns: 0,
                stood: Duration::ZERO,
                events: BTreeMap::new(),
                next_event: 0,
                faults: Vec::new(),
                fail_call: None,
                calls: 0,
                kill_at: None,
                kills: 0,
                life: 0,
                signals: None,
                root: root.to_owned(),
                zone,
                random,
                mood: Mood::Well,
                hints: true,
                all_events: false,
                refused: Vec::new(),
                beats: Vec::new(),
                undone: Undone::default(),
                false_beats: Vec::new(),
                shown: BTreeMap::new(),
                tally: Tally::default(),
                in_event: false,
                log: Vec::new(),
                keep_deeds: false,
                before: "",
                cut_rows: false,
            }),
        }
    }

    pub(super) fn plan(&self, at: Duration, event: Event) {
        self.state.borrow_mut().plan(at, event);
    }

    /// A daemon starts and listens here.
    pub(super) fn begin(&self, signals: Sender<Signal>) {
        let mut state = self.state.borrow_mut();
        state.signals = Some(signals);
        state.life += 1;
        state.undone = Undone::default();
    }

    /// Nobody listens for so long.
    pub(super) fn idle(&self, how_long: Duration) {
        let mut state = self.state.borrow_mut();
        state.signals = None;
        state.kill_at = None;
        let until = state.now + how_long;
        while state.step(until, &self.post) {}
    }

    /// Who carries letters in this world.
    pub(super) fn courier(&self) -> (Post, u32) {
        (Arc::clone(&self.post), self.state.borrow().life)
    }
}

impl World for Played {
    fn wall(&self) -> Timestamp {
        self.state.borrow().wall()
    }

    fn zone(&self) -> TimeZone {
        self.state.borrow().zone.clone()
    }

    fn steady(&self) -> Instant {
        let state = self.state.borrow();
        state.base + (state.now - state.stood)
    }

    fn leave(&self, deed: &'static str, path: &Path) -> Leave {
        self.state.borrow_mut().leave(deed, path, &self.post)
    }

    fn pass(&self, until: Instant) -> bool {
        let mut state = self.state.borrow_mut();
        let until = until.saturating_duration_since(state.base) + state.stood;
        state.step(until, &self.post)
    }

    fn killed_writing(&self, path: &Path) {
        let mut state = self.state.borrow_mut();
        state.tally.count("kill in the midst of a write");
        state.cut_rows |= state.before == "open";
        let left = path.with_file_name(".writing-killed.tmp");
        let _ = fs::write(left, "half");
    }
}

impl State {
    fn wall(&self) -> Timestamp {
        let by =
            SignedDuration::try_from(self.now).unwrap() + SignedDuration::from_nanos(self.set_ns);
        self.start.checked_add(by).unwrap()
    }

    /// The instrument's clock: nobody sets it.
    fn true_time(&self) -> SystemTime {
        let start = u64::try_from(self.start.as_second()).unwrap();
        SystemTime::UNIX_EPOCH + Duration::from_secs(start) + self.now
    }

    pub(super) fn plan(&mut self, at: Duration, event: Event) {
        self.next_event += 1;
        self.events.insert((at, self.next_event), event);
    }

    fn leave(&mut self, deed: &'static str, path: &Path, post: &Post) -> Leave {
        self.calls += 1;
        self.now += CALL;
        if deed != "write" {
            self.before = deed;
        }
        while self.due(self.now) {
            self.happen(post);
        }
        if self.keep_deeds {
            let short = path.strip_prefix(&self.root).unwrap_or(path);
            self.log
                .push(format!("{:?}   {deed} {}", self.now, short.display()));
        }
        if self.kill_at.is_some_and(|n| self.calls >= n) {
            self.kill_at = None;
            self.kills += 1;
            let part = Part::of(deed, path.strip_prefix(&self.root).unwrap_or(path))[0];
            self.tally.kill(part);
            self.log.push(format!(
                "{:?} killed at call {}: {deed} {}",
                self.now,
                self.calls,
                path.display()
            ));
            return Leave::Killed;
        }
        let part = Part::of(deed, path.strip_prefix(&self.root).unwrap_or(path));
        let mut kind = None;
        if let Some(fail) = &mut self.fail_call
            && self.calls >= fail.first
            && fail.times > 0
        {
            let same = *fail.part.get_or_insert(part[0]) == part[0];
            fail.times -= u64::from(fail.times != u64::MAX);
            kind = same.then_some(fail.kind);
        }
        let now = self.now;
        for fault in &mut self.faults {
            if !(fault.from..fault.until).contains(&now) || !part.contains(&fault.part) {
                continue;
            }
            if fault.pass > 0 {
                fault.pass -= 1;
            } else if fault.times > 0 {
                fault.times -= u64::from(fault.times != u64::MAX);
                if fault.failed_first.is_none() {
                    fault.failed_first = Some(now);
                    self.tally.fault(fault);
                }
                kind = Some(fault.kind);
            }
        }
        if let Some(kind) = kind {
            self.refused.push((self.now, deed, path.to_owned()));
            if part[0] == Part::Results {
                self.cut_rows = true;
                self.undone.refused(path, now);
            }
            return Leave::Refused(io::Error::new(kind, format!("played: {kind}")));
        }
        if matches!(part[0], Part::Results | Part::Readings) {
            self.undone.granted(deed, path, now);
        }
        if deed == "read" && self.is_written(path) {
            self.tally.count("file that is not whole was read");
        }
        if deed == "rename" && path.ends_with("alive.txt") {
            self.beats.push(self.now);
            if let Some(path) = self.undone.for_long(PROOF, now) {
                let what = format!("{now:?} though {} cannot be written", path.display());
                self.false_beats.push(what);
            }
        }
        Leave::Granted
    }

    /// More of this file is to come.
    fn is_written(&self, path: &Path) -> bool {
        let more = |e: &Event| matches!(e, Event::Append { path: p, .. } if p == path);
        self.events.values().any(more)
    }

    fn due(&self, now: Duration) -> bool {
        !self.in_event
            && self
                .events
                .first_key_value()
                .is_some_and(|((at, _), _)| *at <= now)
    }

    /// Goes on to the next event, at the latest to `until`; false where that has come.
    fn step(&mut self, until: Duration, post: &Post) -> bool {
        self.collect(post);
        let next = self.events.first_key_value().map(|((at, _), _)| *at);
        match next {
            Some(at) if at <= until => {
                self.now = self.now.max(at);
                self.happen(post);
                true
            }
            _ => {
                self.now = self.now.max(until);
                false
            }
        }
    }

    /// Letters that came to the post get their fate.
    fn collect(&mut self, post: &Post) {
        let mut jobs = post.lock().unwrap();
        for k in 0..jobs.len() {
            if std::mem::replace(&mut jobs[k].planned, true) {
                continue;
            }
            let mood = self.mood;
            let after = match mood {
                Mood::Well | Mood::Busy | Mood::Refuses => 1,
                Mood::Slow => 20 + self.random.below(60),
                Mood::Hangs => 3600,
            };
            self.plan(
                self.now + Duration::from_secs(after),
                Event::Word { job: k, mood },
            );
        }
    }

    fn happen(&mut self, post: &Post) {
        let Some((_, event)) = self.events.pop_first() else {
            return;
        };
        self.in_event = true;
        if self.log.len() < 400 || self.keep_deeds {
            let text = event.short(&self.root);
            self.log.push(format!("{:?} {text}", self.now));
        }
        match event {
            Event::Write { path, text } => {
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(&path, &text).unwrap();
                self.changed(&path);
            }
            Event::Append { path, text } => {
                if let Ok(mut file) = File::options().append(true).open(&path) {
                    file.write_all(text.as_bytes()).unwrap();
                    self.changed(&path);
                }
            }
            Event::Rename { from, to } => {
                if fs::rename(&from, &to).is_ok() {
                    self.changed_name(&to);
                }
            }
            Event::Copy { from, to } => {
                fs::create_dir_all(to.parent().unwrap()).unwrap();
                if fs::copy(&from, &to).is_ok() {
                    self.changed(&to);
                }
            }
            Event::Delete { path } => {
                if fs::remove_file(&path).is_ok() {
                    self.tally.count("file deleted");
                }
            }
            Event::Clock { by_s } => {
                self.tally.count(match by_s {
                    ..0 => "clock set back",
                    _ => "clock set forward",
                });
                self.set_ns += by_s * 1_000_000_000;
            }
            Event::Sleep { for_s, steady } => self.sleep(Duration::from_secs(for_s), steady, post),
            Event::Post(mood) => self.mood = mood,
            Event::Kill { calls } => {
                if self.signals.is_some() {
                    self.kill_at = Some(self.calls + calls);
                }
            }
            Event::Word { job, mood } => self.word(job, mood, post),
            Event::Stop => {
                if let Some(signals) = &self.signals {
                    let _ = signals.send(Signal::Stop);
                } else {
                    self.plan(self.now + Duration::from_secs(1), Event::Stop);
                }
            }
        }
        self.in_event = false;
    }

    /// The instrument goes on; what it does is not told to a machine that sleeps, but that something was.
    fn sleep(&mut self, how_long: Duration, steady: bool, post: &Post) {
        self.tally.count(match steady {
            true => "asleep for two hours, steady clock goes on",
            false => "asleep for two hours, steady clock stands still",
        });
        let until = self.now + how_long;
        let awake = self.signals.take();
        while self.step(until, post) {}
        if !steady {
            self.stood += how_long;
        }
        self.signals = awake;
        self.hint(Hint::LookEverywhere);
    }

    fn word(&mut self, job: usize, mood: Mood, post: &Post) {
        let mut jobs = post.lock().unwrap();
        let posted = &mut jobs[job];
        self.tally.count(match mood {
            Mood::Well => "letter arrives",
            Mood::Slow => "letter slow",
            Mood::Busy => "letter told to come back",
            Mood::Refuses => "letter refused",
            Mood::Hangs => "letter hangs",
        });
        let result = match mood {
            Mood::Well | Mood::Slow => {
                posted.arrived = true;
                Ok(())
            }
            Mood::Busy => Err(Refusal::Transient("played: busy".to_owned())),
            Mood::Refuses => Err(Refusal::Permanent("played: refused".to_owned())),
            Mood::Hangs => Err(Refusal::Transient("played: no answer".to_owned())),
        };
        if posted.life == self.life
            && let Some(signals) = &self.signals
        {
            let report = Report {
                id: posted.id,
                carrier: posted.carrier.clone(),
                result,
            };
            let _ = signals.send(Signal::Post(report));
        }
    }

    fn changed(&mut self, path: &Path) {
        let file = File::options().write(true).open(path).unwrap();
        file.set_modified(self.true_time()).unwrap();
        self.changed_name(path);
    }

    fn changed_name(&mut self, path: &Path) {
        let bytes = fs::read(path).unwrap();
        let sha = crate::service::evaluate::hex(&bytes);
        self.shown.insert((path.to_owned(), sha), bytes);
        let chance = match self.all_events {
            true => 20,
            false => self.random.below(20),
        };
        if !self.hints || self.signals.is_none() {
            return;
        }
        match chance {
            0 | 1 => self.tally.count("event lost"),
            2 => {
                self.tally.count("events overflowed");
                self.hint(Hint::LookEverywhere);
            }
            3 | 4 => {
                self.tally.count("event doubled");
                self.hint(Hint::Look(path.to_owned()));
                self.hint(Hint::Look(path.to_owned()));
            }
            _ => self.hint(Hint::Look(path.to_owned())),
        }
    }

    fn hint(&mut self, hint: Hint) {
        if let (Some(signals), true) = (&self.signals, self.hints) {
            let _ = signals.send(Signal::Hint(0, hint));
        }
    }
}
