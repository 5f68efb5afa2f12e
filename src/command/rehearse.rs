//! `runsitter rehearse`

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use jiff::Timestamp;

use super::progress::Bar;
use super::{End, Failed, Outcome, say};
use crate::config::{self, Config};
use crate::post::age::duration;
use crate::post::{Audience, Letter};
use crate::rehearsal::recipient::{AWAY_FROM, Arrived, BACK_AT, Recipient};
use crate::rehearsal::{
    DEFAULT_SECONDS_PER_CYCLE, Event as Played, Exporter, Finish, Night, Pace, QUEUE, RUN_TIME_MIN,
    STATION, Scenario, SecondNight, wall_clock,
};
use crate::service::desk::{Event, Listener};
use crate::service::watch::{Options, Signal, run as run_loop};
use crate::text::count;

/// So long a file of the rehearsal must stand still, s.
const SETTLE_S: f64 = 0.3;
/// So much of a message is shown on the terminal.
const SHOWN_LINES: usize = 14;

/// A simulated instrument plays a night of brine samples (lactic and acetic acid from crocks of fermenting vegetables)
/// into a folder, and the real daemon watches it. Nothing of it touches an instrument or your own results.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What goes wrong: calm, drifting-standard, clogging, air-bubble, stalled, over-range, own-calibrators, rerun-joins or
    /// mail-down
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
    let bar = Arc::new(Mutex::new(Bar::new("injections")));
    let recipient = match args.scenario {
        Scenario::MailDown => Some(recipient(&folders.config, Arc::clone(&bar))?),
        _ => None,
    };
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
    let (ready, wait_ready) = mpsc::channel();
    let (ended, wait_ended) = mpsc::channel();
    let two_nights = args.scenario == Scenario::RerunJoins;
    let last = two_nights.then(|| (SecondNight::queue(), signals.clone()));
    let away = recipient.as_ref().map(Recipient::away);
    let player = Player {
        folder: exports(&config),
        results: config.results_dir.join(STATION),
        night,
        cycle_s: args.cycle,
        stop: Arc::clone(&stop),
        landed: Box::new(landed(Arc::clone(&bar), away)),
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
        show_letters: true,
        ..Options::default()
    };
    let watched = run_loop(&config, &receive, &signals, options);
    stop.store(true, Ordering::Relaxed);
    let played = player.join().map_err(|_| {
        Failed::io("the simulated instrument failed; this is a defect of the program")
    })?;
    let ended = watched?;
    played.map_err(Failed::io)?;
    if let Some(recipient) = &recipient {
        arrived(&recipient.arrived())?;
    }
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

/// Hears how many injections of how many have landed.
type Landed = Box<dyn FnMut(usize, usize) + Send>;

/// The simulated instrument, and whoever loads its lists.
struct Player {
    night: Night,
    folder: PathBuf,
    results: PathBuf,
    cycle_s: f64,
    stop: Arc<AtomicBool>,
    landed: Landed,
    two_nights: bool,
}

impl Player {
    /// Starts once the daemon watches. When it fails, the daemon is told to stop.
    fn start(
        mut self,
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

    fn nights(&mut self, ended: &mpsc::Receiver<String>) -> Result<(), String> {
        let pace = Pace::new(self.cycle_s, Timestamp::now());
        let mut done = 0;
        let total = self.night.injections.len();
        let first = Exporter::new(&self.night, &pace);
        if self.run(&first, &mut done, total)? == Finish::Stopped || !self.two_nights {
            return Ok(());
        }
        // The daemon may have ended meanwhile.
        if !ended.iter().any(|queue| queue == QUEUE) {
            return Ok(());
        }
        let Some(list) = self.rerun_list()? else {
            return Ok(());
        };
        say("The rerun list is loaded: the second night begins.");
        let second = SecondNight::build(&self.night, list).map_err(|e| e.to_string())?;
        let total = total + second.injections.len();
        self.run(&second.exporter(&pace), &mut done, total)
            .map(drop)
    }

    fn run(
        &mut self,
        exporter: &Exporter,
        done: &mut usize,
        total: usize,
    ) -> Result<Finish, String> {
        let sleep = wall_clock(&self.stop);
        let landed = &mut self.landed;
        let tell = &mut |event| {
            if let Played::Landed(_) = event {
                *done += 1;
                landed(*done, total);
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

/// What a landing moves: the bar, and the server that takes messages goes away and comes back.
fn landed(
    bar: Arc<Mutex<Bar>>,
    away: Option<Arc<AtomicBool>>,
) -> impl FnMut(usize, usize) + Send + 'static {
    move |done, total| {
        let mut line = "";
        if let Some(away) = &away {
            match done {
                AWAY_FROM => line = "The server that takes messages is away.",
                BACK_AT => line = "The server that takes messages is back.",
                _ => {}
            }
            away.store((AWAY_FROM..BACK_AT).contains(&done), Ordering::Relaxed);
        }
        if let Ok(mut bar) = bar.lock() {
            if !line.is_empty() {
                bar.clear();
                say(line);
            }
            bar.set(done, total);
        }
    }
}

/// A server on this machine that takes messages, named in the configuration as the address of the webhook.
fn recipient(config: &Path, bar: Arc<Mutex<Bar>>) -> Result<Recipient, Failed> {
    let recipient = Recipient::start(move |message| {
        if let Ok(mut bar) = bar.lock() {
            bar.clear();
        }
        let waited = match message.age_s {
            0..60 => String::new(),
            s => format!(", after {}", duration(s)),
        };
        say(&format!("arrived {}{waited}", message.subject));
    })
    .map_err(Failed::io)?;
    let named = |path: &Path| {
        let path = path.display().to_string();
        move |e: std::io::Error| Failed::io(format!("{path}: {e}"))
    };
    let secret = config.with_file_name("webhook-secret");
    write_secret(&secret).map_err(named(&secret))?;
    let mut text = std::fs::read_to_string(config).map_err(named(config))?;
    text += &format!(
        "\n[alert.webhook]\nurl = \"{}\"\nsecret_file = \"webhook-secret\"\n",
        recipient.url()
    );
    std::fs::write(config, text).map_err(named(config))?;
    Ok(recipient)
}

/// A secret that only plays a part.
fn write_secret(path: &Path) -> std::io::Result<()> {
    std::fs::write(path, "this secret only plays a part\n")?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))?;
    }
    Ok(())
}

/// Says what arrived, and whether each message did so once.
fn arrived(all: &[Arrived]) -> Result<(), Failed> {
    let mut ids: Vec<_> = all.iter().map(|a| &a.id).collect();
    ids.sort();
    ids.dedup();
    let waited = all.iter().filter(|a| a.age_s >= 60).count();
    say("");
    say(&format!(
        "{} arrived, {waited} of them late.",
        count(all.len(), "message")
    ));
    if ids.len() < all.len() {
        return Err(Failed::io(format!(
            "found {} messages twice, expected each once",
            all.len() - ids.len()
        )));
    }
    Ok(())
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
            Event::Told { path, .. } => vec![format!("file    {}", file_name(path))],
            Event::Posted(letter) => letter_lines(letter),
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

fn file_name(path: &Path) -> String {
    path.file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default()
}

/// A message as it would be sent: to whom, its text, what goes with it.
fn letter_lines(letter: &Letter) -> Vec<String> {
    let who = match letter.audience {
        Audience::Now => "those who are told at once",
        Audience::Summary => "those who get the summary",
    };
    let body = &letter.text;
    let mut lines = vec![format!("--- message to {who} ---")];
    if !body.starts_with(&letter.subject) {
        lines.push(format!("  Subject: {}", letter.subject));
    }
    lines.extend(
        body.lines()
            .take(SHOWN_LINES)
            .map(|l| format!("  {l}").trim_end().to_owned()),
    );
    if body.lines().count() > SHOWN_LINES {
        lines.push("  …".to_owned());
    }
    for file in &letter.attachments {
        lines.push(format!("  with {}", file.file_name));
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
        ("replicates", queue.join("replicates.csv")),
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
