//! `runsitter process PATH…`

use std::path::{Path, PathBuf};

use super::progress::Bar;
use super::{End, Failed, Outcome, load_config, say, say_error, station};
use crate::config::paths;
use crate::ledger::Ledger;
use crate::service::process::process;
use crate::text::count;

/// Files and folders in, the same results folder as the daemon's out. Run twice it changes no byte of any output.
/// A listed injection whose trace is not there counts as missing at once.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Traces, or folders with traces (subfolders too)
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// The station, where the configuration has several and none watches the path
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
}

pub fn run(args: &Args, config: Option<&Path>) -> Outcome {
    let config = load_config(config)?;
    let station = station(&config, args.station.as_deref(), &args.paths)?;
    let paths: Vec<PathBuf> = args.paths.iter().map(|p| paths::clean(p)).collect();
    let mut ledger = Ledger::open(&config.state_dir).map_err(|e| Failed::from_ledger(&e))?;
    let mut bar = Bar::new("traces");
    let done = process(&config, station, &paths, &mut ledger, &mut |k, n| {
        bar.set(k, n)
    })?;
    bar.clear();
    say(&format!(
        "{} processed, {} known already",
        count(done.landed, "trace"),
        done.known
    ));
    for folder in &done.folders {
        say(&format!("results: {}", folder.display()));
    }
    for (path, error) in &done.unread {
        say_error(&format!("{}: {error}", path.display()));
    }
    for error in &done.unwritten {
        say_error(&error.to_string());
    }
    Ok(match () {
        () if !done.unread.is_empty() || !done.unwritten.is_empty() => End::InputOutput,
        () if done.attention => End::Attention,
        () => End::Well,
    })
}
