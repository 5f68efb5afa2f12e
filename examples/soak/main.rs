//! The program on the history of years: its start, its memory, its idling, and what a landing costs.
//!
//! ```text
//! cargo build --release && cargo run --release --example soak -- [--landed 1000000] [--stations 100] [--injections 100]
//!                 [--running 100] [--old-files 100000] [--idle-s 60] [--into DIR] [--program target/release/runsitter]
//! ```
//!
//! A ledger is filled with so many landed traces; so many stations have a queue that runs. Exit code 1 where a bound is passed.
//! Months of nights through the daemon's loop are lived in `src/service/simulated/long.rs`.

mod gauge;
mod history;
mod house;
mod landing;
mod program;

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

use anyhow::{Context as _, bail};
use jiff::{SignedDuration, Timestamp};
use runsitter::ledger::Ledger;

/// How much of everything.
#[derive(Debug, Clone)]
pub struct Size {
    stations: usize,
    injections: usize,
    landed: usize,
    running: usize,
    old_files: usize,
    idle_s: u64,
}

/// What must stay within its bounds, and did or did not.
#[derive(Debug, Default)]
pub struct Findings {
    bad: usize,
}

impl Findings {
    /// Prints a figure and holds it against its bound.
    pub fn expect(&mut self, holds: bool, text: &str) {
        self.bad += usize::from(!holds);
        println!("{} {text}", if holds { "ok  " } else { "FAIL" });
    }
}

struct Order {
    size: Size,
    into: Option<PathBuf>,
    program: PathBuf,
}

fn order() -> anyhow::Result<Order> {
    let mut size = Size {
        stations: 100,
        injections: 100,
        landed: 1_000_000,
        running: 100,
        old_files: 100_000,
        idle_s: 60,
    };
    let (mut into, mut program) = (None, None);
    let mut args = std::env::args().skip(1);
    while let Some(word) = args.next() {
        let value = args.next().with_context(|| format!("{word}: no value"))?;
        let number = || {
            value
                .parse::<usize>()
                .with_context(|| format!("{word} {value}: expected a number"))
        };
        match word.as_str() {
            "--stations" => size.stations = number()?,
            "--injections" => size.injections = number()?,
            "--landed" => size.landed = number()?,
            "--running" => size.running = number()?,
            "--old-files" => size.old_files = number()?,
            "--idle-s" => size.idle_s = u64::try_from(number()?)?,
            "--into" => into = Some(PathBuf::from(&value)),
            "--program" => program = Some(PathBuf::from(&value)),
            _ => bail!("{word}: no such option"),
        }
    }
    let program = match program {
        Some(program) => program,
        // Beside the folder of the examples.
        None => std::env::current_exe()?
            .parent()
            .and_then(|p| p.parent())
            .context("no folder of programs")?
            .join("runsitter"),
    };
    Ok(Order {
        size,
        into,
        program,
    })
}

fn main() -> anyhow::Result<ExitCode> {
    let Order {
        size,
        into,
        program,
    } = order()?;
    let scratch = match &into {
        Some(folder) => tempfile::tempdir_in(folder)?,
        None => tempfile::tempdir()?,
    };
    let house = house::House::build(scratch.path(), &size)?;
    let mut findings = Findings::default();
    let began = Instant::now();
    let mut ledger = Ledger::open(&house.config.state_dir)?;
    let landed = history::fill(&house, &size, &mut ledger)?;
    history::old_files(&house, size.old_files, &mut ledger)?;
    let bytes = history::bytes(&ledger)?;
    println!(
        "     a ledger of {landed} landed traces, {} MiB, {} bytes for each; made in {:.0} s",
        bytes >> 20,
        bytes / (landed.max(1) as u64),
        began.elapsed().as_secs_f64()
    );
    drop(ledger);
    let mut ledger = Ledger::open(&house.config.state_dir)?;
    landing::beside_history(&house, &size, &mut ledger, &mut findings)?;
    // Queues that run when the program starts: their last trace is a few minutes old.
    let traces = house.injections() / 2;
    let start =
        Timestamp::now() - house.cycle() * i32::try_from(traces)? - SignedDuration::from_mins(5);
    for station in house.config.stations.iter().take(size.running) {
        history::land(&house, station, "running", start, traces, &mut ledger)?;
    }
    println!(
        "     {} queues run, of each {traces} traces have landed",
        size.running
    );
    drop(ledger);
    program::run(
        &program,
        &scratch.path().join("runsitter.toml"),
        &size,
        &mut findings,
    )?;
    Ok(ExitCode::from(u8::from(findings.bad > 0)))
}
