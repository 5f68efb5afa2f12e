//! The daemon's loop.
//!
//! One thread owns the ledger and all desks and waits on one channel: hints from the folders, the order to stop. It
//! looks at folders (events are hints), takes what has settled, lets time pass, writes what is due, and sleeps until the
//! next thing is due. [`run`] is the one way in, for the program and for tests.

mod clock;
mod dispatch;
mod eye;
mod gap;
mod unread;

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::time::{Duration, Instant};

use jiff::SignedDuration;

use self::clock::Clock;
pub use self::dispatch::Hire;
use self::dispatch::{Dispatch, Lost};
use self::eye::Eye;
use self::gap::Mark;
use super::carriers;
use super::desk::{Desk, DeskError, Listener};
use super::heartbeat::{self, Heartbeat};
use crate::config::Config;
use crate::intake::watcher::Hint;
use crate::ledger::Ledger;
use crate::outside;
use crate::post::Carrier;
use crate::post::worker::Report;

/// What reaches the loop from outside.
#[derive(Debug)]
pub enum Signal {
    /// Something may have happened in a folder.
    Hint(usize, Hint),
    /// What became of a letter.
    Post(Report),
    /// End after the work at hand.
    Stop,
}

/// How the daemon ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ended {
    /// A result must be injected again, or a check that is told at once failed.
    pub attention: bool,
}

/// Hears that the loop turns, and what does not work, if anything.
pub type SignOfLife = Box<dyn FnMut(Option<&str>) + Send>;

/// Gives the listener of a station by its name.
pub type ListenerOf = Box<dyn FnMut(&str) -> Listener + Send>;

/// How the daemon is run.
pub struct Options {
    /// 1 in life; a rehearsal runs its cycle times faster.
    pub time_scale: f64,
    /// Called when everything is taken up and the folders are watched.
    pub ready: Box<dyn FnMut() + Send>,
    /// Called after every turn of the loop, with what did not work when that was last proved. For whoever would start a program
    /// anew that hangs: what does not work is told by other ways, and a new start would not mend it.
    pub alive: SignOfLife,
    /// At the latest after so long the loop turns, for the sign of life.
    pub turn: Duration,
    /// Who hears of landings and alerts.
    pub listener: Option<ListenerOf>,
    /// End by itself when every queue that began has ended and every letter is with its recipients.
    pub until_ended: bool,
    /// Ways out of the house beside those that are configured.
    pub carriers: Vec<Arc<dyn Carrier>>,
    /// Decide what would be sent, and tell the listener, though there is no way out of the house.
    pub show_letters: bool,
    /// Who carries letters; left out: a thread of its own.
    pub hire: Option<Hire>,
    /// It worked with its ledger before: where that is missing now, no new one is begun.
    pub again: bool,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            time_scale: 1.0,
            ready: Box::new(|| {}),
            alive: Box::new(|_| {}),
            turn: Duration::from_secs(60),
            listener: None,
            until_ended: false,
            carriers: Vec::new(),
            show_letters: false,
            hire: None,
            again: false,
        }
    }
}

/// Runs until a [`Signal::Stop`] comes. Traces that have not settled then are taken at the next start.
///
/// # Errors
/// When the configuration's files or the ledger cannot be used.
pub fn run(
    config: &Config,
    signals: &Receiver<Signal>,
    hints: &Sender<Signal>,
    mut options: Options,
) -> Result<Ended, DeskError> {
    let mut ledger = match options.again {
        true => Ledger::open_again(&config.state_dir)?,
        false => Ledger::open(&config.state_dir)?,
    };
    let started = outside::steady();
    let mut ways = carriers::configured(&config.alert);
    ways.append(&mut options.carriers);
    let mut dispatch = Dispatch::new(ways, hints.clone(), options.time_scale);
    if let Some(hire) = options.hire.take() {
        dispatch.hire_by(hire);
    }
    dispatch.start(&mut ledger, outside::wall())?;
    let mut posts = Vec::new();
    for (k, station) in config.stations.iter().enumerate() {
        let mut desk = Desk::open(config, station, &mut ledger, options.time_scale)?;
        if let Some(listener) = &mut options.listener {
            desk.listen(listener(&station.name));
        }
        let names = dispatch.names();
        if !names.is_empty() || options.show_letters {
            desk.post_by(names, &config.alert, options.time_scale);
        }
        desk.load_open(&mut ledger)?;
        desk.mind_results(&mut ledger, outside::wall())?;
        let eye = Eye::new(station, k, hints.clone(), started);
        posts.push(Post {
            desk,
            eye,
            backlog_done: false,
            backlog_since: Duration::ZERO,
        });
    }
    let mark = Mark::start(&mut ledger, posts.len(), outside::wall())?;
    for post in &mut posts {
        post.eye.open();
        post.eye
            .look(&mut post.desk, &mut ledger, outside::since(started))?;
        post.desk.settle(&mut ledger, outside::wall())?;
    }
    (options.ready)();
    let heartbeat = Heartbeat::new(config.alert.heartbeat.as_ref(), outside::steady());
    let mut watch = Watch {
        posts,
        heartbeat,
        ledger,
        dispatch,
        mark,
        started,
        options,
        clock: Clock::now(),
    };
    let end = watch.turns(signals);
    // Whatever ended the loop: what is in the ledger is brought to the files, once.
    for post in &mut watch.posts {
        post.desk.flush(true);
    }
    end?;
    if let Err(error) = watch.finish() {
        // Whoever begins the loop again must not miss the order.
        let _ = hints.send(Signal::Stop);
        return Err(error);
    }
    Ok(Ended {
        attention: watch.posts.iter().any(|p| p.desk.needs_attention()),
    })
}

struct Post {
    desk: Desk,
    eye: Eye,
    backlog_done: bool,
    /// When the backlog began to wait: at the start, or when the machine woke up.
    backlog_since: Duration,
}

/// What lay in the folder at the start is waited for so long, before time passes for the queues.
const BACKLOG: Duration = Duration::from_secs(60);

impl Post {
    /// After a pause, traces that landed meanwhile must be in before a queue counts as silent.
    fn may_tick(&mut self, up: Duration) -> bool {
        let waited = up.saturating_sub(self.backlog_since);
        self.backlog_done |= waited >= BACKLOG || self.eye.next_due_file().is_none();
        self.backlog_done
    }

    /// The clock moved without anyone watching: what landed meanwhile is looked for first, and nothing is late for it.
    fn clock_moved(&mut self, by: SignedDuration, up: Duration) {
        self.desk.clock_moved(by);
        if by.is_positive() {
            self.eye.hear(Hint::LookEverywhere);
            (self.backlog_done, self.backlog_since) = (false, up);
        }
    }
}

struct Watch {
    posts: Vec<Post>,
    heartbeat: Heartbeat,
    ledger: Ledger,
    dispatch: Dispatch,
    mark: Mark,
    started: Instant,
    options: Options,
    clock: Clock,
}

impl Watch {
    /// What is left to be noted at an orderly end.
    fn finish(&mut self) -> Result<(), DeskError> {
        for post in &mut self.posts {
            post.desk.finish(&mut self.ledger, outside::wall())?;
        }
        self.ledger.stop_running()?;
        Ok(self.ledger.prove_in_place()?)
    }

    fn turns(&mut self, signals: &Receiver<Signal>) -> Result<(), DeskError> {
        loop {
            self.turn()?;
            if self.options.until_ended
                && self.all_ended()
                && self.dispatch.is_idle(&self.ledger)?
            {
                return Ok(());
            }
            self.show_life()?;
            let (wait, since) = (self.wait(), outside::steady());
            let heard = outside::receive(signals, wait);
            self.mind_the_clock(since, wait)?;
            match heard {
                Ok(signal) => {
                    for signal in std::iter::once(signal).chain(signals.try_iter()) {
                        if self.hear(signal)? {
                            return Ok(());
                        }
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(()),
            }
        }
    }

    fn mind_the_clock(&mut self, since: Instant, wait: Duration) -> Result<(), DeskError> {
        let Some(by) = self.clock.moved(since, wait) else {
            return Ok(());
        };
        tracing::warn!(
            seconds = by.as_secs(),
            "the clock was set, or the machine slept: traces count as late by watched time alone"
        );
        let up = outside::since(self.started);
        for post in &mut self.posts {
            post.clock_moved(by, up);
        }
        if by.is_negative() {
            self.dispatch
                .clock_set_back(&mut self.ledger, outside::wall())?;
        }
        Ok(())
    }

    /// Proves now and then that everything works, and says so where it does.
    fn show_life(&mut self) -> Result<(), DeskError> {
        let now = outside::steady();
        if self.heartbeat.is_due(now) {
            self.ledger.prove_in_place()?;
            for post in &mut self.posts {
                post.desk.look_for_results();
            }
            let proof = self.prove();
            let posts = &self.posts;
            self.heartbeat.take(proof, now, &|| {
                let state =
                    |p: &Post| heartbeat::state(&p.desk.station.name, p.desk.queues().values());
                let states: Vec<String> = posts.iter().map(state).collect();
                heartbeat::line(outside::wall(), &states)
            });
        }
        (self.options.alive)(self.heartbeat.trouble());
        Ok(())
    }

    /// Folders can be looked at, the ledger and the results' folders can be written, and no result waits for that.
    fn prove(&mut self) -> Result<(), String> {
        for post in &mut self.posts {
            let name = &post.desk.station.name;
            if let Some((_, what)) = post.eye.unread() {
                return Err(format!("station {name}: {what}"));
            }
            if !post.eye.can_see() {
                return Err(format!(
                    "station {name}: a watched folder cannot be looked at"
                ));
            }
            if !post.desk.is_well() {
                return Err(format!("station {name}: a file cannot be read or written"));
            }
            heartbeat::prove_folder(post.desk.results_folder())?;
        }
        let proved = self.ledger.prove_writable(outside::wall());
        proved.map_err(|e| format!("the ledger cannot be written: {e}"))
    }

    /// True for the order to stop.
    fn hear(&mut self, signal: Signal) -> Result<bool, DeskError> {
        Ok(match signal {
            Signal::Stop => true,
            Signal::Post(report) => {
                let lost = self
                    .dispatch
                    .hear(&mut self.ledger, report, outside::wall())?;
                self.tell_lost(lost)?;
                false
            }
            Signal::Hint(k, hint) => {
                if let Some(post) = self.posts.get_mut(k) {
                    post.eye.hear(hint);
                }
                false
            }
        })
    }

    /// A letter that did not arrive is told in the alert folder of its station; where that is not configured any more, in
    /// that of the first one.
    fn tell_lost(&mut self, lost: impl IntoIterator<Item = Lost>) -> Result<(), DeskError> {
        for lost in lost {
            let station = &lost.waiting.letter.station;
            let own = |p: &Post| p.desk.station.name == *station;
            let (k, why) = match self.posts.iter().position(own) {
                Some(k) => (k, lost.why.clone()),
                None => {
                    let gone = format!("station {station} is not configured any more");
                    (0, format!("{} ({gone})", lost.why))
                }
            };
            if let Some(post) = self.posts.get_mut(k) {
                let (carrier, letter) = (&lost.waiting.carrier, &lost.waiting.letter);
                let now = outside::wall();
                post.desk
                    .tell_lost(&mut self.ledger, carrier, letter, &why, now)?;
            }
            self.dispatch
                .give_up(&mut self.ledger, &lost, outside::wall())?;
        }
        Ok(())
    }

    fn turn(&mut self) -> Result<(), DeskError> {
        for (k, post) in self.posts.iter_mut().enumerate() {
            let _station = tracing::info_span!("station", name = %post.desk.station.name).entered();
            post.desk.mind_results(&mut self.ledger, outside::wall())?;
            let now = outside::since(self.started);
            post.eye.look(&mut post.desk, &mut self.ledger, now)?;
            post.eye
                .take(&mut post.desk, &mut self.ledger, self.started)?;
            let now = outside::wall();
            if post.may_tick(outside::since(self.started)) {
                post.desk.look_at_pressure(&mut self.ledger, now)?;
                post.desk.tick(now);
                // A queue that has just ended needs its forecast no more.
                post.desk.look_at_pressure(&mut self.ledger, now)?;
            }
            post.desk.settle(&mut self.ledger, now)?;
            if post.backlog_done {
                post.desk.is_complete();
                self.mark.tell(k, &mut post.desk, &mut self.ledger, now)?;
            }
            let failed = post.desk.flush(false);
            post.desk
                .tell_unwritable(&mut self.ledger, &failed, outside::wall())?;
            let unread = post.eye.unread();
            post.desk
                .tell_unread(&mut self.ledger, unread, outside::wall())?;
        }
        let now = outside::wall();
        self.mark.alive(&mut self.ledger, now)?;
        self.dispatch.look_again(&self.ledger)?;
        let lost = self.dispatch.send_due(&mut self.ledger, now)?;
        self.tell_lost(lost)
    }

    /// How long nothing will be due.
    fn wait(&self) -> Duration {
        let mut wait = self.options.turn;
        let now = outside::since(self.started);
        if let Some(due) = self.dispatch.next() {
            let until = due.duration_since(outside::wall());
            wait = wait.min(Duration::try_from(until).unwrap_or(Duration::ZERO));
        }
        if let Some(due) = self.heartbeat.next_due() {
            wait = wait.min(due.saturating_duration_since(outside::steady()));
        }
        for post in &self.posts {
            if let Some(due) = post.eye.next_due() {
                wait = wait.min(due.saturating_sub(now));
            }
            if let Some(due) = post.desk.next_due() {
                wait = wait.min(due.saturating_duration_since(outside::steady()));
            }
            if !post.backlog_done {
                // Until then no deadline is looked at.
                wait = wait.min((post.backlog_since + BACKLOG).saturating_sub(now));
            } else if let Some(deadline) = post.desk.next_deadline() {
                let until = deadline.duration_since(outside::wall());
                wait = wait.min(Duration::try_from(until).unwrap_or(Duration::ZERO));
            }
        }
        wait
    }

    fn all_ended(&self) -> bool {
        let mut begun = self
            .posts
            .iter()
            .flat_map(|p| p.desk.queues().values())
            .filter(|q| q.has_begun())
            .peekable();
        begun.peek().is_some()
            && begun.all(|q| q.is_ended())
            && self.posts.iter().all(|p| p.eye.next_due_file().is_none())
    }
}
