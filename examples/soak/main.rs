//! Months of nights in minutes: whether the house grows old.
//!
//! ```text
//! cargo run --release --example soak -- [--stations 100] [--queues 100] [--injections 100] [--landed 1000000]
//!                                       [--old-files 100000] [--idle-s 60] [--into DIR]
//! ```
//!
//! Every station gets a queue each day. Its landings go through the desk of the daemon on a clock that is made up; the
//! traces are evaluated once, for each kind of injection, and what that gave lands again and again under other names. Then
//! the ledger is filled up to the number of landed traces, the daemon itself is started on it, and it watches a folder in
//! which nothing happens. Exit code 1 where something grew that must not.

mod gauge;
mod house;
mod life;
mod start;

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context as _, bail};

/// How much of everything.
#[derive(Debug, Clone)]
pub struct Size {
    stations: usize,
    queues: usize,
    injections: usize,
    landed: usize,
    old_files: usize,
    idle_s: u64,
}

/// What must not grow, and did or did not.
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

fn main() -> anyhow::Result<ExitCode> {
    let mut size = Size {
        stations: 100,
        queues: 100,
        injections: 100,
        landed: 1_000_000,
        old_files: 100_000,
        idle_s: 60,
    };
    let mut into: Option<PathBuf> = None;
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
            "--queues" => size.queues = number()?,
            "--injections" => size.injections = number()?,
            "--landed" => size.landed = number()?,
            "--old-files" => size.old_files = number()?,
            "--idle-s" => size.idle_s = value.parse().context("--idle-s: expected seconds")?,
            "--into" => into = Some(PathBuf::from(&value)),
            _ => bail!("{word}: no such option"),
        }
    }
    let scratch = match &into {
        Some(folder) => tempfile::tempdir_in(folder)?,
        None => tempfile::tempdir()?,
    };
    let house = house::House::build(scratch.path(), &size)?;
    let mut findings = Findings::default();
    life::live(&house, &size, &mut findings)?;
    start::start(&house, &size, &mut findings)?;
    Ok(ExitCode::from(u8::from(findings.bad > 0)))
}
