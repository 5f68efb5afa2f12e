//! `runsitter rehearse`

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, mpsc};

use jiff::Timestamp;

use super::progress::Bar;
use super::{End, Failed, Outcome, say};
use crate::config::{self, Config};
use crate::rehearsal::{
    DEFAULT_SECONDS_PER_CYCLE, Event as Played, Exporter, Night, Pace, QUEUE, RUN_TIME_MIN,
    STATION, Scenario, wall_clock,
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
    /// What goes wrong: calm, drifting-standard, clogging, air-bubble, stalled, over-range or own-calibrators
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
    let player = play(
        &night,
        &config,
        args.cycle,
        Arc::clone(&stop),
        Arc::clone(&bar),
        signals.clone(),
        wait_ready,
    );
    let options = Options {
        time_scale: args.cycle / (RUN_TIME_MIN * 60.0),
        ready: Box::new(move || {
            let _ = ready.send(());
        }),
        listener: Some(Box::new(move |_| listener(Arc::clone(&bar)))),
        until_ended: true,
        ..Options::default()
    };
    let watched = run_loop(&config, &receive, &signals, options);
    stop.store(true, Ordering::Relaxed);
    let played = player.join().map_err(|_| {
        Failed::io("the simulated instrument failed; this is a defect of the program")
    })?;
    let ended = watched?;
    played.map_err(Failed::io)?;
    finish(&config);
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

type Played24 = std::thread::JoinHandle<Result<(), String>>;

/// Starts the simulated instrument once the daemon watches. When it fails, the daemon is told to stop.
fn play(
    night: &Night,
    config: &Config,
    cycle_s: f64,
    stop: Arc<AtomicBool>,
    bar: Arc<Mutex<Bar>>,
    signals: mpsc::Sender<Signal>,
    ready: mpsc::Receiver<()>,
) -> Played24 {
    let exporter = Exporter::new(night, &Pace::new(cycle_s, Timestamp::now()));
    let folder = config
        .stations
        .first()
        .map(|s| s.watch.clone())
        .unwrap_or_default();
    let total = night.injections.len();
    std::thread::spawn(move || {
        if ready.recv().is_err() {
            return Ok(());
        }
        let count = AtomicUsize::new(0);
        let sleep = wall_clock(&stop);
        let played = exporter.run(&folder, &sleep, &stop, &mut |event| {
            if let Played::Landed(_) = event {
                let done = count.fetch_add(1, Ordering::Relaxed) + 1;
                if let Ok(mut bar) = bar.lock() {
                    bar.set(done, total);
                }
            }
        });
        played.map(drop).map_err(|error| {
            let _ = signals.send(Signal::Stop);
            error.to_string()
        })
    })
}

/// Tells the story on the terminal: every message at the moment at which it is written.
fn listener(bar: Arc<Mutex<Bar>>) -> Listener {
    Box::new(move |event| {
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

fn finish(config: &Config) {
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
    for (what, path) in [
        ("sheet", queue.join("sheet.csv")),
        ("summary", queue.join("summary.txt")),
        ("rerun list", queue.join("rerun.csv")),
        ("time course", queue.join("time-course.csv")),
        ("alerts", queue.join("alerts.csv")),
        ("alert files", results.join("alerts")),
        (
            "exports",
            config
                .stations
                .first()
                .map(|s| s.watch.clone())
                .unwrap_or_default(),
        ),
    ] {
        say(&format!("{what:12} {}", path.display()));
    }
}
