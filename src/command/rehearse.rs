//! `runsitter rehearse`

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::progress::Bar;
use super::{End, Failed, Outcome, say};
use crate::config::{self, Config};
use crate::rehearsal::{
    DEFAULT_SECONDS_PER_CYCLE, Event as Played, Exporter, Finish, Night, Pace, QUEUE, RUN_TIME_MIN,
    STATION, Scenario, SecondNight, wall_clock,
};
use crate::service::desk::{Event, Listener};
use crate::service::watch::{Options, Signal, run as run_loop};

/// So long a file of the rehearsal must stand still, s.
const SETTLE_S: f64 = 0.3;
/// So much of a message is shown on the terminal.
const SHOWN_LINES: usize = 14;

/// A simulated instrument plays a night of brine samples (lactic and acetic acid from crocks of fermenting vegetables)
/// into a folder, and the real daemon watches it. Nothing of it touches an instrument or your own results.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What goes wrong: calm, drifting-standard, clogging, air-bubble, stalled, over-range or rerun-joins
    #[arg(long, default_value_t = Scenario::default(), value_name = "NAME")]
    scenario: Scenario,
    /// Another seed, other noise
    #[arg(long, default_value_t = 1, value_name = "N")]
    seed: u64,
    /// Seconds for an injection of 22 minutes
    #[arg(long, default_value_t = DEFAULT_SECONDS_PER_CYCLE, value_name = "S")]
    cycle: f64,
    /// Where the night is kept [default: a new folder in the temporary directory]
    #[arg(long, value_name = "DIR")]
    into: Option<PathBuf>,
}

pub fn run(args: &Args) -> Outcome {
    if !(args.cycle.is_finite() && (0.5..=3600.0).contains(&args.cycle)) {
        return Err(Failed::configuration(format!(
            "--cycle: found {}, expected 0.5 to 3600 s",
            args.cycle
        )));
    }
    let root = folder(args)?;
    let night = Night::build(args.scenario, args.seed);
    let folders = night.lay_out(&root, SETTLE_S).map_err(Failed::io)?;
    let config = config::file::load(&folders.config).map_err(Failed::configuration)?;
    say(&format!(
        "{}: {}",
        args.scenario,
        args.scenario.description()
    ));
    say(&format!("Look for: {}", args.scenario.look_for()));
    say("");
    let (signals, receive) = mpsc::channel();
    let stop = Arc::new(AtomicBool::new(false));
    let bar = Arc::new(Mutex::new(Bar::new("injections")));
    let (ready, wait_ready) = mpsc::channel();
    let (ended, wait_ended) = mpsc::channel();
    let two_nights = args.scenario == Scenario::RerunJoins;
    let last = two_nights.then(|| (SecondNight::queue(), signals.clone()));
    let player = Player {
        folder: exports(&config),
        results: config.results_dir.join(STATION),
        night,
        cycle_s: args.cycle,
        stop: Arc::clone(&stop),
        bar: Arc::clone(&bar),
        two_nights,
    }
    .start(signals.clone(), wait_ready, wait_ended);
    let options = Options {
        time_scale: args.cycle / (RUN_TIME_MIN * 60.0),
        ready: Box::new(move || {
            let _ = ready.send(());
        }),
        listener: Some(Box::new(move |_| {
            listener(Arc::clone(&bar), ended.clone(), last.clone())
        })),
        until_ended: !two_nights,
        ..Options::default()
    };
    let watched = run_loop(&config, &receive, &signals, options);
    stop.store(true, Ordering::Relaxed);
    let played = player.join().map_err(|_| {
        Failed::io("the simulated instrument failed; this is a defect of the program")
    })?;
    let ended = watched?;
    played.map_err(Failed::io)?;
    finish(&config, two_nights);
    Ok(if ended.attention {
        End::Attention
    } else {
        End::Well
    })
}

fn folder(args: &Args) -> Result<PathBuf, Failed> {
    match &args.into {
        Some(folder) => {
            let taken = std::fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some());
            if taken {
                return Err(Failed::configuration(format!(
                    "{}: found a folder with something in it, expected a new or empty one",
                    folder.display()
                )));
            }
            Ok(folder.clone())
        }
        None => tempfile::Builder::new()
            .prefix(&format!("runsitter-{}-", args.scenario))
            .tempdir()
            .map(tempfile::TempDir::keep)
            .map_err(|e| Failed::io(format!("{}: {e}", std::env::temp_dir().display()))),
    }
}

/// The rerun list of the first night is waited for so long after the night has ended.
const LIST_PATIENCE: Duration = Duration::from_secs(30);

/// The simulated instrument, and whoever loads its lists.
struct Player {
    night: Night,
    folder: PathBuf,
    results: PathBuf,
    cycle_s: f64,
    stop: Arc<AtomicBool>,
    bar: Arc<Mutex<Bar>>,
    two_nights: bool,
}

impl Player {
    /// Starts once the daemon watches. When it fails, the daemon is told to stop.
    fn start(
        self,
        signals: mpsc::Sender<Signal>,
        ready: mpsc::Receiver<()>,
        ended: mpsc::Receiver<String>,
    ) -> std::thread::JoinHandle<Result<(), String>> {
        std::thread::spawn(move || {
            if ready.recv().is_err() {
                return Ok(());
            }
            self.nights(&ended).inspect_err(|_| {
                let _ = signals.send(Signal::Stop);
            })
        })
    }

    fn nights(&self, ended: &mpsc::Receiver<String>) -> Result<(), String> {
        let pace = Pace::new(self.cycle_s, Timestamp::now());
        let done = AtomicUsize::new(0);
        let total = self.night.injections.len();
        let first = Exporter::new(&self.night, &pace);
        if self.run(&first, &done, total)? == Finish::Stopped || !self.two_nights {
            return Ok(());
        }
        // The daemon may have ended meanwhile.
        if !ended.iter().any(|queue| queue == QUEUE) {
            return Ok(());
        }
        let Some(list) = self.rerun_list()? else {
            return Ok(());
        };
        if let Ok(mut bar) = self.bar.lock() {
            bar.clear();
        }
        say("The rerun list is loaded: the second night begins.");
        let second = SecondNight::build(&self.night, list).map_err(|e| e.to_string())?;
        let total = total + second.injections.len();
        self.run(&second.exporter(&pace), &done, total).map(drop)
    }

    fn run(&self, exporter: &Exporter, done: &AtomicUsize, total: usize) -> Result<Finish, String> {
        let sleep = wall_clock(&self.stop);
        let tell = &mut |event| {
            if let Played::Landed(_) = event {
                let done = done.fetch_add(1, Ordering::Relaxed) + 1;
                if let Ok(mut bar) = self.bar.lock() {
                    bar.set(done, total);
                }
            }
        };
        exporter
            .run(&self.folder, &sleep, &self.stop, tell)
            .map_err(|error| error.to_string())
    }

    /// What the daemon wrote, once it is whole; `None` where the rehearsal was stopped meanwhile.
    fn rerun_list(&self) -> Result<Option<Vec<u8>>, String> {
        let path = self.results.join(QUEUE).join("rerun.csv");
        let since = Instant::now();
        while !self.stop.load(Ordering::Relaxed) {
            let list = std::fs::read(&path).unwrap_or_default();
            if SecondNight::is_whole(&self.night, &list) {
                return Ok(Some(list));
            }
            if since.elapsed() > LIST_PATIENCE {
                return Err(format!(
                    "{}: found no whole rerun list, expected one with every sample that failed",
                    path.display()
                ));
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        Ok(None)
    }
}

/// Tells the story on the terminal: every message at the moment at which it is written. `ended` hears of every queue's end;
/// `last` names the queue after which the daemon is to stop, where it is not simply the only one.
fn listener(
    bar: Arc<Mutex<Bar>>,
    ended: mpsc::Sender<String>,
    last: Option<(String, mpsc::Sender<Signal>)>,
) -> Listener {
    Box::new(move |event| {
        if let Event::Ended { queue } = event {
            // Nobody listens where there is one night.
            let _ = ended.send(queue.clone());
            if let Some((_, signals)) = last.as_ref().filter(|(name, _)| name == queue) {
                let _ = signals.send(Signal::Stop);
            }
        }
        let lines = match event {
            Event::Landed { .. } => return,
            Event::Told { path, body } => message_lines(path, body),
            Event::Ended { queue } => vec![format!("The queue {queue} has ended.")],
        };
        if let Ok(mut bar) = bar.lock() {
            bar.clear();
        }
        for line in lines {
            say(&line);
        }
    })
}

fn message_lines(path: &Path, body: &str) -> Vec<String> {
    let mut lines = vec![format!(
        "--- {} ---",
        path.file_name()
            .map(|n| n.to_string_lossy())
            .unwrap_or_default()
    )];
    lines.extend(
        body.lines()
            .take(SHOWN_LINES)
            .map(|l| format!("  {l}").trim_end().to_owned()),
    );
    if body.lines().count() > SHOWN_LINES {
        lines.push("  …".to_owned());
    }
    lines.push(String::new());
    lines
}

fn exports(config: &Config) -> PathBuf {
    config
        .stations
        .first()
        .map(|s| s.watch.clone())
        .unwrap_or_default()
}

fn finish(config: &Config, two_nights: bool) {
    let results = config.results_dir.join(STATION);
    let queue = results.join(QUEUE);
    say("");
    for line in std::fs::read_to_string(queue.join("summary.txt"))
        .unwrap_or_default()
        .lines()
        .take(SHOWN_LINES)
    {
        say(line);
    }
    say("…");
    say("");
    let second = results.join(SecondNight::queue());
    let mut files = vec![
        ("sheet", queue.join("sheet.csv")),
        ("summary", queue.join("summary.txt")),
        ("rerun list", queue.join("rerun.csv")),
        ("time course", queue.join("time-course.csv")),
        ("alerts", queue.join("alerts.csv")),
        ("alert files", results.join("alerts")),
        ("exports", exports(config)),
    ];
    if two_nights {
        files.push(("second night", second));
    }
    for (what, path) in files {
        say(&format!("{what:12} {}", path.display()));
    }
}
