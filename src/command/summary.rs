//! `runsitter summary [QUEUE]`

use std::path::Path;

use super::{End, Failed, Outcome, load_config, say, say_error, station};
use crate::ledger::Ledger;
use crate::service::desk::{Desk, DeskError};

/// Makes the results of a queue again from the ledger, and prints its summary.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The queue [default: the one in which a trace landed last]
    #[arg(value_name = "QUEUE")]
    queue: Option<String>,
    /// The station, where the configuration has several
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
}

pub fn run(args: &Args, config: Option<&Path>) -> Outcome {
    let config = load_config(config)?;
    let station = station(&config, args.station.as_deref(), &[])?;
    let mut ledger = Ledger::open(&config.state_dir).map_err(|e| Failed::from_ledger(&e))?;
    let known: Vec<String> = ledger
        .queues(&station.name)
        .map_err(DeskError::from)?
        .into_iter()
        .map(|(q, _)| q)
        .collect();
    let last = ledger.last_queue(&station.name).map_err(DeskError::from)?;
    let Some(name) = args.queue.clone().or(last) else {
        return Err(Failed::configuration(format!(
            "nothing has landed at station {:?} yet",
            station.name
        )));
    };
    if !known.contains(&name) {
        let near = crate::text::nearest(&name, known.iter().map(String::as_str));
        let near = near
            .map(|n| format!("; did you mean {n:?}?"))
            .unwrap_or_default();
        return Err(Failed::configuration(format!(
            "no queue {name:?} at station {:?}{near}",
            station.name
        )));
    }
    let ended = ledger
        .queues(&station.name)
        .map_err(DeskError::from)?
        .into_iter()
        .any(|(q, ended)| q == name && ended);
    let mut desk = Desk::open(&config, station, &mut ledger, 1.0)?;
    desk.load(&mut ledger, &name)?;
    if ended {
        desk.end();
    }
    desk.settle(&mut ledger, jiff::Timestamp::now())?;
    let failed = desk.flush(true);
    desk.finish(&mut ledger, jiff::Timestamp::now())
        .map_err(DeskError::from)?;
    let path = desk.folder(&name).join("summary.txt");
    match std::fs::read_to_string(&path) {
        Ok(text) => say(text.trim_end()),
        Err(error) => return Err(Failed::io(format!("{}: {error}", path.display()))),
    }
    for error in &failed {
        say_error(&error.to_string());
    }
    Ok(if failed.is_empty() {
        End::Well
    } else {
        End::InputOutput
    })
}
