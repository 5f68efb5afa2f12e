//! Months of nights of many instruments through the daemon's loop, on a made-up clock: whether anything grows.
//!
//! `cargo test --lib simulated::long -- --ignored --nocapture`; `RUNSITTER_STATIONS`, `RUNSITTER_QUEUES` (of each station),
//! `RUNSITTER_INJECTIONS` and `RUNSITTER_PRESSURE` (stations with a pressure log) set how much of everything.

mod gauge;
mod lab;

use std::rc::Rc;
use std::sync::mpsc::{self, Sender};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use self::lab::{Lab, Measured, Size};
use super::{Mail, configuration, folder, number};
use crate::config::Config;
use crate::outside::{World, play};
use crate::post::worker::{Courier, Job, Report};
use crate::service::watch::{self, Options, Signal};

/// Memory may grow by so much though nothing is kept, KiB: what the allocator and the database hold for reuse.
const SLACK_KIB: u64 = 8 * 1024;
/// Or by so much of what was held.
const SLACK: f64 = 0.05;
/// The last nights may cost so many times what the first ones did, CPU time.
const COST: f64 = 1.25;
/// The ledger may take so many times the bytes for a trace.
const BYTES: f64 = 1.1;
/// So much may have stood in the database's log and does no longer, bytes.
const LOG: u64 = 1000 * 4096;
/// From this night on all goes as it goes later: traces come again from nights before.
const FIRST: usize = lab::AGAIN + 2;
/// A start may take so long.
const START: Duration = Duration::from_secs(2);

/// A post that delivers at once.
struct Prompt(Mutex<Sender<Signal>>);

impl Courier for Prompt {
    fn send(&self, carrier: &str, job: Job) -> bool {
        let report = Report {
            id: job.id,
            carrier: carrier.to_owned(),
            result: Ok(()),
        };
        self.0.lock().unwrap().send(Signal::Post(report)).is_ok()
    }
}

/// The daemon from its start to the order to stop; gives how long it took until it was ready.
fn live(lab: &Rc<Lab>, config: &Config, stop: bool) -> Duration {
    let (tell, hear) = mpsc::channel();
    lab.listen(tell.clone());
    if stop {
        tell.send(Signal::Stop).unwrap();
    }
    let (ready, was_ready) = mpsc::channel();
    let began = Instant::now();
    let options = Options {
        carriers: vec![Arc::new(Mail)],
        hire: Some(Box::new(|_, signals| {
            Ok(Box::new(Prompt(Mutex::new(signals))))
        })),
        turn: Duration::from_secs(600),
        ready: Box::new(move || ready.send(began.elapsed()).unwrap()),
        ..Options::default()
    };
    let world: Rc<dyn World> = Rc::clone(lab) as Rc<dyn World>;
    let ended = play(world, || watch::run(config, &hear, &tell, options));
    ended.unwrap().unwrap();
    was_ready.recv().unwrap()
}

fn mean_used(nights: &[Measured]) -> f64 {
    let sum: Duration = nights.iter().map(|n| n.used).sum();
    sum.as_secs_f64() / nights.len() as f64
}

/// Holds the last nights against those before; every figure is printed, whether it fails or not.
fn compare(nights: &[Measured]) -> Vec<String> {
    let mut failed = Vec::new();
    let mut hold = |holds: bool, text: String| {
        eprintln!("{} {text}", if holds { "ok  " } else { "FAIL" });
        if !holds {
            failed.push(text);
        }
    };
    let quarter = nights.len() / 4;
    let (early, late) = (&nights[quarter], nights.last().unwrap());
    let most = nights[quarter..]
        .iter()
        .map(|n| n.held.rss_kib)
        .max()
        .unwrap();
    let was = early.held.rss_kib;
    hold(
        most <= was + SLACK_KIB.max((was as f64 * SLACK) as u64),
        format!("memory, KiB: {was} after a quarter of the nights, at most {most} later"),
    );
    let (d, t) = (early.held.descriptors, early.held.threads);
    hold(
        (late.held.descriptors, late.held.threads) == (d, t),
        format!(
            "descriptors: {d}, then {}; threads: {t}, then {}",
            late.held.descriptors, late.held.threads
        ),
    );
    let per = |from: &Measured, to: &Measured, log: u64| {
        (to.ledger - from.ledger).saturating_sub(log) as f64 / (to.written - from.written) as f64
    };
    let middle = &nights[nights.len() / 2];
    let (was, is) = (per(early, middle, 0), per(middle, late, LOG));
    hold(
        is <= was * BYTES,
        format!(
            "ledger, bytes for each trace: {was:.0}, then at least {is:.0}; {:.0} of all",
            late.ledger as f64 / late.written as f64
        ),
    );
    // From the first night on in which everything happens that happens later.
    let fifth = nights.len() / 5;
    let was = mean_used(&nights[FIRST..FIRST + fifth]) * 1e3;
    let is = mean_used(&nights[nights.len() - fifth..]) * 1e3;
    hold(
        is <= was * COST,
        format!(
            "a night of all stations, ms of CPU: {was:.0} early, {is:.0} at the end; ratio {:.3}",
            is / was
        ),
    );
    failed
}

/// Every trace that was written has landed, once; every queue has ended but those of the last night.
fn complete(lab: &Lab, config: &Config, size: Size) {
    let ledger = rusqlite::Connection::open(config.state_dir.join("ledger.sqlite")).unwrap();
    let count = |sql: &str| -> usize {
        let found: i64 = ledger.query_row(sql, [], |r| r.get(0)).unwrap();
        usize::try_from(found).unwrap()
    };
    let written = lab.measured().last().unwrap().written;
    assert_eq!(count("SELECT count(*) FROM landing"), written);
    assert_eq!(
        count("SELECT count(*) FROM (SELECT DISTINCT station, sha256 FROM landing)"),
        written
    );
    let open = count("SELECT count(*) FROM queue WHERE ended_ns IS NULL");
    assert!(open <= size.stations, "{open} queues go on");
    eprintln!(
        "     {written} traces in {} queues, {} letters in the outbox",
        count("SELECT count(*) FROM queue"),
        count("SELECT count(*) FROM outbox")
    );
}

#[test]
#[ignore = "takes minutes: .ci/run runs it smaller"]
fn months_of_nights_make_nothing_grow() {
    let of = |name: &str, usual: usize| number(name).map_or(usual, |n| n as usize);
    let size = Size {
        stations: of("RUNSITTER_STATIONS", 100),
        nights: of("RUNSITTER_QUEUES", 100),
        injections: of("RUNSITTER_INJECTIONS", 8),
        pressure: of("RUNSITTER_PRESSURE", 0),
    };
    assert!(size.nights >= 50 && size.injections >= 5, "{size:?}");
    let dir = folder();
    let (lab, text) = Lab::build(dir.path(), size);
    let config = configuration(dir.path(), &text);
    let lab = Rc::new(lab);
    let began = Instant::now();
    live(&lab, &config, false);
    let nights = lab.measured();
    eprintln!(
        "{size:?}: {:.0} s, {:.0} s of CPU in the loop",
        began.elapsed().as_secs_f64(),
        nights.iter().map(|n| n.used.as_secs_f64()).sum::<f64>()
    );
    for n in nights.iter().step_by((nights.len() / 10).max(1)) {
        eprintln!("     {n:?}");
    }
    let failed = compare(&nights);
    complete(&lab, &config, size);
    let ready = live(&lab, &config, true);
    eprintln!("     ready {:.3} s after a start", ready.as_secs_f64());
    assert!(ready < START, "{ready:?}");
    assert!(failed.is_empty(), "{failed:#?}");
}
