//! Months of nights through the desks of the daemon.

use std::fs;
use std::time::{Duration, Instant};

use anyhow::{Context as _, ensure};
use jiff::{SignedDuration, Timestamp};
use runsitter::config::Station;
use runsitter::intake::Seen;
use runsitter::ledger::{Fate, Ledger};
use runsitter::service::desk::Desk;

use crate::gauge::{Held, cpu, held, median, timed};
use crate::house::{House, path};
use crate::{Findings, Size};

/// Memory may differ by this much between two nights though nothing grows, KiB.
const SLACK_KIB: u64 = 8 * 1024;
/// The last landings may cost so many times what the first ones did.
const COST_RATIO: f64 = 1.15;
/// Queues that a station may have in memory: the one that runs, and those of the last night and day.
const IN_MEMORY: usize = 3;

struct Night {
    landing: Duration,
    held: Held,
    bytes: u64,
    landed: usize,
}

/// Lives through all nights and holds the last ones against the first.
pub fn live(house: &House, size: &Size, findings: &mut Findings) -> anyhow::Result<()> {
    let began = Instant::now();
    let mut ledger = Ledger::open(&house.config.state_dir)?;
    let mut desks = Vec::new();
    for station in &house.config.stations {
        let mut desk = Desk::open(&house.config, station, &mut ledger, 1.0)?;
        desk.post_by(vec!["mail".to_owned()], &house.config.alert, 1.0);
        desk.load_open(&mut ledger)?;
        desk.is_complete();
        desks.push(desk);
    }
    let mut nights = Vec::new();
    let mut most_queues = 0;
    for night in 0..size.queues {
        let landing = one_night(house, size, night, &mut desks, &mut ledger)?;
        most_queues = desks
            .iter()
            .map(|d| d.queues().len())
            .max()
            .max(Some(most_queues))
            .unwrap_or(0);
        nights.push(Night {
            landing,
            held: held()?,
            bytes: bytes(&ledger)?,
            landed: (night + 1) * size.stations * (size.injections - 1),
        });
    }
    // A day and a half after the last landing nothing is left in memory.
    let later = house.last_night + SignedDuration::from_hours(24 + 37);
    for desk in &mut desks {
        desk.tick(later);
        desk.settle(&mut ledger, later)?;
    }
    let left: usize = desks.iter().map(|d| d.queues().len()).sum();
    let letters = waiting_and_kept(&ledger)?;
    drop(desks);
    drop(ledger);
    let landed = nights.last().map_or(0, |n| n.landed);
    println!(
        "{} stations, {} queues each, {landed} landings in {:.0} s ({:.0} s of CPU)",
        size.stations,
        size.queues,
        began.elapsed().as_secs_f64(),
        cpu().as_secs_f64()
    );
    findings.expect(
        most_queues <= IN_MEMORY,
        &format!("queues of a station in memory: at most {most_queues}"),
    );
    findings.expect(
        left == 0,
        &format!("queues in memory 37 h after the last landing: {left}"),
    );
    let (kept, oldest_days) = letters;
    findings.expect(
        oldest_days <= 32,
        &format!("letters kept: {kept}, the oldest of {oldest_days} days before the last"),
    );
    compare(&nights, findings)
}

/// One queue of every station, injection by injection. Gives what a landing cost, CPU time.
fn one_night(
    house: &House,
    size: &Size,
    night: usize,
    desks: &mut [Desk],
    ledger: &mut Ledger,
) -> anyhow::Result<Duration> {
    let start = house.night(night, size.queues)?;
    let queue = format!("night-{night:04}");
    let list = house.list(&queue)?;
    for desk in desks.iter_mut() {
        let seen = Seen {
            modified: start,
            path: path(&desk.station, &queue, &format!("{queue}.runlist.csv")),
            size: list.len() as u64,
        };
        desk.take_list(ledger, &seen, list.clone().into_bytes(), start)?;
        desk.settle(ledger, start)?;
    }
    let mut costs = Vec::new();
    for position in 1..size.injections {
        for (k, desk) in desks.iter_mut().enumerate() {
            let now = start
                + house.cycle() * i32::try_from(position)?
                + SignedDuration::from_secs(i64::try_from(k)?);
            // Neither the making of the trace nor what lies between two landings is counted.
            wait(desk, ledger, now)?;
            let taken = house.taken(&desk.station, &queue, position, now);
            let (done, used, _) = timed(|| {
                desk.land(ledger, vec![taken], now)?;
                desk.settle(ledger, now)
            });
            done?;
            costs.push(used);
            desk.flush(false);
        }
    }
    // The last injection never lands: that is told, and told again until the queue ends.
    let end = start + SignedDuration::from_hours(24) - SignedDuration::from_secs(1);
    for desk in desks.iter_mut() {
        wait(desk, ledger, end)?;
        desk.tick(end);
        desk.settle(ledger, end)?;
        desk.flush(true);
        let open = desk
            .queues()
            .values()
            .filter(|q| q.has_begun() && !q.is_ended());
        ensure!(open.count() == 0, "{queue} has not ended");
    }
    send(ledger, end)?;
    Ok(median(&costs))
}

/// Lets time pass as the daemon's loop does: to each moment at which something is due, then to this one.
fn wait(desk: &mut Desk, ledger: &mut Ledger, until: Timestamp) -> anyhow::Result<()> {
    let mut last = None;
    while let Some(due) = desk.next_deadline().filter(|due| *due < until) {
        if last.is_some_and(|l| due <= l) {
            break;
        }
        last = Some(due);
        desk.tick(due);
        desk.settle(ledger, due)?;
    }
    desk.tick(until);
    Ok(())
}

/// The carrier takes what is due, and the month's letters are forgotten, as the daemon's loop does.
fn send(ledger: &mut Ledger, now: Timestamp) -> anyhow::Result<()> {
    loop {
        let due = ledger.due_letters(now)?;
        if due.is_empty() {
            break;
        }
        for waiting in due {
            ledger.finish_letter(waiting.id, Fate::Sent, None, now)?;
        }
    }
    Ok(ledger.prune_letters(now)?)
}

/// Letters in the outbox, and how old the oldest is, days before the newest.
fn waiting_and_kept(ledger: &Ledger) -> anyhow::Result<(i64, i64)> {
    let other = rusqlite::Connection::open(ledger.path())?;
    let row = other.query_row(
        "SELECT count(*), coalesce((max(queued_ns) - min(queued_ns)) / 86400000000000, 0) FROM outbox",
        [],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )?;
    Ok(row)
}

/// The database with its log, bytes.
pub fn bytes(ledger: &Ledger) -> anyhow::Result<u64> {
    let log = ledger.path().with_extension("sqlite-wal");
    let log = fs::metadata(log).map_or(0, |m| m.len());
    Ok(fs::metadata(ledger.path())?.len() + log)
}

fn compare(nights: &[Night], findings: &mut Findings) -> anyhow::Result<()> {
    let tenth = (nights.len() / 10).max(1);
    let first = nights
        .get(tenth..2 * tenth)
        .context("too few queues: at least 20")?;
    let last = nights
        .get(nights.len() - tenth..)
        .context("too few queues")?;
    let (early, late) = (
        first.last().context("no night")?,
        last.last().context("no night")?,
    );
    let peak = nights
        .iter()
        .skip(2 * tenth)
        .map(|n| n.held.rss_kib)
        .max()
        .unwrap_or(0);
    let allowed = early.held.rss_kib + SLACK_KIB.max(early.held.rss_kib / 20);
    findings.expect(
        peak <= allowed,
        &format!(
            "memory: {} MiB after a fifth of the nights, at most {} MiB later",
            early.held.rss_kib / 1024,
            peak / 1024
        ),
    );
    let (d, t) = (late.held.descriptors, late.held.threads);
    findings.expect(
        d <= early.held.descriptors && t <= early.held.threads,
        &format!(
            "descriptors: {} then {d}; threads: {} then {t}",
            early.held.descriptors, early.held.threads
        ),
    );
    let per = |n: &Night| n.bytes as f64 / n.landed as f64;
    findings.expect(
        per(late) <= per(early) * 1.05,
        &format!(
            "ledger, bytes for each trace: {:.0} then {:.0}",
            per(early),
            per(late)
        ),
    );
    let cost = |of: &[Night]| {
        let all: Vec<Duration> = of.iter().map(|n| n.landing).collect();
        median(&all).as_secs_f64() * 1e6
    };
    let (was, is) = (cost(first), cost(last));
    findings.expect(
        is <= was * COST_RATIO,
        &format!("a landing, µs of CPU: {was:.0} in the second tenth of the nights, {is:.0} in the last; ratio {:.2}", is / was),
    );
    Ok(())
}

/// The station of a number.
pub fn station(house: &House, k: usize) -> anyhow::Result<&Station> {
    house
        .config
        .stations
        .get(k % house.config.stations.len().max(1))
        .context("no station")
}
