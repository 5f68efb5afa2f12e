//! Whole nights of the real daemon in a played world: thousands of them, each chosen by a seed.
//!
//! What runs is [`watch::run`] with everything below it: loop, eye, desk, outputs, ledger (SQLite on a file), evaluation.
//! Played are both clocks, the time zone, the system's file events, the instrument, the post, the answers of the disk, and
//! kills ([`crate::outside`]). The simulator lies in the crate because these are not for others to reach.
//!
//! `RUNSITTER_SEED=n cargo test --lib simulated::one` plays one night again and says what happened in it, with `RUNSITTER_CALLS=1`
//! each call of the disk too;
//! `RUNSITTER_NIGHTS=n` sets how many [`nights`] plays, from the seed `RUNSITTER_FROM` on.

mod again;
mod bench;
mod calls;
mod event;
mod fault;
mod held;
mod long;
mod named;
mod night;
mod post;
mod tally;
mod world;

use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::mpsc;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use self::night::Night;
use self::post::Hand;
use self::tally::Tally;
use self::world::Played;
use super::desk::DeskError;
use super::watch::{self, Ended, Options};
use crate::config::{self, Config};
use crate::outside::{World, play};
use crate::post::{Carrier, Delivery, Letter};

/// A daemon that fails is started again after so long, as systemd does.
const RESTART: Duration = Duration::from_secs(5);
/// In so many nights everything must have happened.
const ENOUGH: u64 = 1000;
/// A daemon that was started so often in a night will not come up any more.
const STARTS: u32 = 2000;

/// Stands for the mail server; letters go through the played post.
struct Mail;

impl Carrier for Mail {
    fn name(&self) -> &str {
        "mail"
    }

    fn deliver<'a>(&'a self, _: &'a Letter, _: jiff::Timestamp) -> Delivery<'a> {
        Box::pin(std::future::ready(Ok(())))
    }
}

fn options(world: &Played) -> Options {
    let (post, life) = world.courier();
    Options {
        carriers: vec![Arc::new(Mail)],
        hire: Some(Box::new(move |_, _| {
            Ok(Box::new(Hand(Arc::clone(&post), life)))
        })),
        ..Options::default()
    }
}

/// One life of the daemon; `None`: it was killed.
fn live(world: &Rc<Played>, config: &Config) -> Option<Result<Ended, DeskError>> {
    let (tell, hear) = mpsc::channel();
    world.begin(tell.clone());
    let options = options(world);
    let shared: Rc<dyn World> = Rc::clone(world) as Rc<dyn World>;
    play(shared, || watch::run(config, &hear, &tell, options))
}

/// Starts the daemon again and again until it is told to stop.
fn to_the_end(world: &Rc<Played>, config: &Config) -> Result<(), String> {
    for _ in 0..STARTS {
        match live(world, config) {
            Some(Ok(_)) => return Ok(()),
            Some(Err(error)) => {
                let mut state = world.state.borrow_mut();
                let at = state.now;
                state.log.push(format!("{at:?} ended: {error}"));
                if state.refused.is_empty() {
                    return Err(format!("ended without a fault: {error}"));
                }
            }
            None => {
                let state = world.state.borrow();
                if !state.cut_rows {
                    held::results_are_whole(&state.root)?;
                }
            }
        }
        world.idle(RESTART);
    }
    Err("the daemon does not come up any more".to_owned())
}

/// A folder in memory where the system has one.
fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() {
        tempfile::tempdir_in(memory).unwrap()
    } else {
        tempfile::tempdir().unwrap()
    }
}

fn configuration(root: &Path, text: &str) -> Config {
    config::file::parse(text, &root.join("runsitter.toml")).unwrap()
}

/// Plays the night of a seed and holds it to the promise.
fn night_of(seed: u64, keep: Option<&Path>) -> Result<Tally, String> {
    let dir = folder();
    let root: PathBuf = keep.map_or_else(|| dir.path().to_owned(), Path::to_owned);
    let Night { config, world } = night::build(&root, seed);
    let config = configuration(&root, &config);
    world.state.borrow_mut().keep_deeds = std::env::var_os("RUNSITTER_CALLS").is_some();
    let world = Rc::new(world);
    let held = play_out(&root, &config, &world);
    let tally = world.state.borrow().tally.clone();
    held.map(|()| tally)
}

/// Plays a night to its end, and holds it to the promise.
fn play_out(root: &Path, config: &Config, world: &Rc<Played>) -> Result<(), String> {
    let told = |what: String| {
        let state = world.state.borrow();
        format!(
            "{what}\nfaults: {:#?}\n{}",
            state.faults,
            state.log.join("\n")
        )
    };
    to_the_end(world, config).map_err(&told)?;
    let held = held::Held {
        root,
        config,
        world,
    };
    held.before_another_start().map_err(&told)?;
    // Once more: what waited for a start is worked off, and nothing else changes.
    let at = world.state.borrow().now + Duration::from_secs(300);
    world.plan(at, event::Event::Stop);
    to_the_end(world, config).map_err(&told)?;
    held.all().map_err(&told)
}

/// The same, where a panic is a failure too.
fn try_night(seed: u64) -> Result<Tally, String> {
    std::panic::catch_unwind(|| night_of(seed, None)).unwrap_or_else(|why| {
        let text = why
            .downcast_ref::<String>()
            .cloned()
            .or_else(|| why.downcast_ref::<&str>().map(|s| (*s).to_owned()));
        Err(format!("panicked: {}", text.unwrap_or_default()))
    })
}

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// Plays so many nights, on every core.
fn play_nights(from: u64, count: u64) {
    let began = Instant::now();
    let next = std::sync::atomic::AtomicU64::new(from);
    let failed = Mutex::new(Vec::new());
    let tally = Mutex::new(Tally::default());
    let threads = number("RUNSITTER_THREADS").map_or_else(crate::outside::cores, |n| n as usize);
    let most = number("RUNSITTER_FAILURES").unwrap_or(10) as usize;
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    if seed >= from + count || failed.lock().unwrap().len() >= most {
                        return;
                    }
                    match try_night(seed) {
                        Ok(happened) => tally.lock().unwrap().add(&happened),
                        Err(why) => failed.lock().unwrap().push((seed, why)),
                    }
                }
            });
        }
    });
    let played = next.into_inner().min(from + count) - from;
    let minutes = began.elapsed().as_secs_f64() / 60.0;
    eprintln!(
        "{played} nights, {:.0} nights per minute",
        played as f64 / minutes
    );
    let failed = failed.into_inner().unwrap();
    for (seed, why) in &failed {
        let first = why.lines().next().unwrap_or_default();
        eprintln!("seed {seed}: {first}\n  RUNSITTER_SEED={seed} cargo test --lib simulated::one");
    }
    let tally = tally.into_inner().unwrap();
    eprint!("{}", tally.table());
    assert!(failed.is_empty(), "{} nights failed", failed.len());
    if played >= ENOUGH {
        let missing = tally.missing();
        assert!(missing.is_empty(), "never happened: {missing:?}");
    }
}

#[test]
fn some_nights() {
    play_nights(1, 150);
}

#[test]
#[ignore = "2,000 nights take minutes: .ci/run asks for them"]
fn nights() {
    let from = number("RUNSITTER_FROM").unwrap_or(1);
    play_nights(from, number("RUNSITTER_NIGHTS").unwrap_or(2000));
}

#[test]
fn one() {
    let seed = number("RUNSITTER_SEED").unwrap_or(1);
    let keep = std::env::var_os("RUNSITTER_KEEP").map(PathBuf::from);
    if let Err(why) = night_of(seed, keep.as_deref()) {
        panic!("seed {seed}: {why}");
    }
}
