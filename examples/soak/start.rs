//! The start of the daemon on a long history, and a folder in which nothing happens.

use std::fs;
use std::sync::mpsc::{channel, sync_channel};
use std::time::{Duration, Instant, SystemTime};

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use runsitter::config::Station;
use runsitter::intake::{Seen, scan};
use runsitter::ledger::{FileSeen, Ledger, ListRecord, NewLanding};
use runsitter::night::Landing;
use runsitter::service::desk::Desk;
use runsitter::service::watch::{self, Options, Signal};

use crate::gauge::{cpu, held, median, timed};
use crate::house::{House, path};
use crate::life::{bytes, station};
use crate::{Findings, Size};

/// The daemon may take so long from its start to the word that it is ready.
const START: Duration = Duration::from_secs(2);
/// Landings on top of the history whose cost is held against that in an empty house.
const SAMPLE: usize = 60;

/// Fills the ledger up, starts the daemon on it, and lets it idle.
pub fn start(house: &House, size: &Size, findings: &mut Findings) -> anyhow::Result<()> {
    let mut ledger = Ledger::open(&house.config.state_dir)?;
    let landed = fill(house, size, &mut ledger)?;
    println!(
        "a ledger of {landed} landed traces, {} MiB",
        bytes(&ledger)? >> 20
    );
    // Lists that an earlier program kept are noted by what they name once: the first start after an upgrade takes longer.
    let (noted, _, took) = timed(|| -> anyhow::Result<()> {
        for station in &house.config.stations {
            drop(Desk::open(&house.config, station, &mut ledger, 1.0)?);
        }
        Ok(())
    });
    noted?;
    println!(
        "     the first start after an upgrade takes {:.1} s more",
        took.as_secs_f64()
    );
    beside_history(house, &mut ledger, findings)?;
    old_files(house, size, &mut ledger)?;
    drop(ledger);
    parts(house)?;
    run(house, size, findings)
}

/// Lands what is missing to the wanted number straight into the ledger: queues of a time before all others.
fn fill(house: &House, size: &Size, ledger: &mut Ledger) -> anyhow::Result<usize> {
    let each = size.injections - 1;
    let mut landed = size.stations * size.queues * each;
    let before = house.night(0, size.queues)?;
    let mut k = 0;
    while landed < size.landed {
        let station = station(house, k)?;
        let night = k / size.stations;
        let start = before - SignedDuration::from_hours(24 * i64::try_from(night + 1)?);
        let queue = format!("older-{night:05}");
        old_queue(house, station, &queue, start, ledger, each)?;
        landed += each;
        k += 1;
    }
    Ok(landed)
}

fn old_queue(
    house: &House,
    station: &Station,
    queue: &str,
    start: Timestamp,
    ledger: &mut Ledger,
    each: usize,
) -> anyhow::Result<()> {
    let method = method_sha256(station)?;
    let mut all = Vec::new();
    for position in 1..=each {
        let at = start + house.cycle() * i32::try_from(position)?;
        let taken = house.taken(station, queue, position, at);
        let landing = Landing {
            id: ledger.take_landing_id(),
            stem: house.stem(queue, position),
            file_name: format!("{}.csv", house.stem(queue, position)),
            sha256: taken.sha256,
            modified: at,
            landed_at: at,
            revision: 1,
            evaluation: taken.evaluation,
        };
        all.push((taken.seen.path, landing));
    }
    let records: Vec<NewLanding<'_>> = all
        .iter()
        .map(|(path, landing)| NewLanding {
            path,
            size: 40_000,
            queue,
            landing,
            method_sha256: &method,
        })
        .collect();
    ledger.land(&station.name, &records, &[])?;
    let content = house.list(queue)?.into_bytes();
    let list = ListRecord {
        queue: queue.to_owned(),
        sha256: format!("{:064x}", start.as_nanosecond()),
        content,
        modified: start,
        path: path(station, queue, &format!("{queue}.runlist.csv")),
    };
    ledger.keep_list(&station.name, &list, start)?;
    ledger.keep_message(
        &station.name,
        &format!("{queue}-missing.txt"),
        &"what was told\n".repeat(60),
        start,
    )?;
    Ok(ledger.set_queue(
        &station.name,
        queue,
        Some(start + SignedDuration::from_hours(23)),
    )?)
}

fn method_sha256(station: &Station) -> anyhow::Result<String> {
    let text = fs::read_to_string(&station.method)?;
    Ok(runsitter::method::file::parse(&text, &station.method)?.sha256)
}

/// A queue on top of all that, beside the same queue in an empty house.
fn beside_history(
    house: &House,
    ledger: &mut Ledger,
    findings: &mut Findings,
) -> anyhow::Result<()> {
    let empty = tempfile::tempdir()?;
    let mut fresh = Ledger::open(empty.path())?;
    let mut costs = [Vec::new(), Vec::new()];
    let station = station(house, 0)?;
    let list = house.list("tonight")?;
    let start = house.last_night + SignedDuration::from_hours(48);
    let seen = Seen {
        modified: start,
        path: path(station, "tonight", "tonight.runlist.csv"),
        size: list.len() as u64,
    };
    let mut desks = [
        Desk::open(&house.config, station, &mut fresh, 1.0)?,
        Desk::open(&house.config, station, ledger, 1.0)?,
    ];
    let mut ledgers = [&mut fresh, ledger];
    for (desk, ledger) in desks.iter_mut().zip(&mut ledgers) {
        desk.take_list(ledger, &seen, list.clone().into_bytes(), start)?;
    }
    for position in 1..SAMPLE.min(list.lines().count() - 1) {
        let now = start + house.cycle() * i32::try_from(position)?;
        // Side by side, so that a busy machine slows both.
        for ((desk, ledger), costs) in desks.iter_mut().zip(&mut ledgers).zip(&mut costs) {
            let taken = house.taken(&desk.station, "tonight", position, now);
            let (done, used, _) = timed(|| {
                desk.tick(now);
                desk.land(ledger, vec![taken], now)?;
                desk.settle(ledger, now)
            });
            done?;
            costs.push(used);
        }
    }
    let [was, is] = costs.map(|c| median(&c).as_secs_f64() * 1e6);
    findings.expect(
        is <= was * 1.5,
        &format!("a landing, µs of CPU: {was:.0} in an empty house, {is:.0} on top of the history; ratio {:.2}", is / was),
    );
    Ok(())
}

/// Files that were taken long ago and still lie in the first station's folder.
fn old_files(house: &House, size: &Size, ledger: &mut Ledger) -> anyhow::Result<()> {
    let station = station(house, 0)?;
    let method_sha256 = method_sha256(station)?;
    let folder = station.watch.join("kept");
    fs::create_dir_all(&folder)?;
    let old = SystemTime::now() - Duration::from_secs(40 * 24 * 3600);
    let mut known = Vec::new();
    for k in 0..size.old_files {
        let file = folder.join(format!("crock-{k:06}.csv"));
        fs::write(&file, "old")?;
        fs::File::options()
            .append(true)
            .open(&file)?
            .set_modified(old)?;
        let seen = scan::look_at(&file).context("no such file")?;
        known.push((
            file,
            FileSeen {
                size: seen.size,
                modified: seen.modified,
                method_sha256: method_sha256.clone(),
            },
        ));
    }
    Ok(ledger.land(&station.name, &[], &known)?)
}

/// What the start is made of.
fn parts(house: &House) -> anyhow::Result<()> {
    let (ledger, _, open) = timed(|| Ledger::open(&house.config.state_dir));
    let mut ledger = ledger?;
    let mut desks = Vec::new();
    let (done, _, desk) = timed(|| -> anyhow::Result<()> {
        for station in &house.config.stations {
            let mut desk = Desk::open(&house.config, station, &mut ledger, 1.0)?;
            desk.load_open(&mut ledger)?;
            desks.push(desk);
        }
        Ok(())
    });
    done?;
    let station = station(house, 0)?;
    let first = desks.first().context("no desk")?;
    let filter = &first.setup.filter;
    let (look, _, looked) = timed(|| {
        scan::scan(&station.watch, &|p| filter.role(p).is_some(), &|p| {
            filter.skips(p)
        })
    });
    let (known, _, asked) = timed(|| {
        let mut known = 0;
        for seen in &look.files {
            known += usize::from(first.is_known(&ledger, seen)?);
        }
        Ok::<usize, runsitter::ledger::LedgerError>(known)
    });
    println!(
        "     the ledger opens in {} ms, all desks in {} ms; a look at {} old files takes {} ms, to know {} of them {} ms",
        open.as_millis(),
        desk.as_millis(),
        look.files.len(),
        looked.as_millis(),
        known?,
        asked.as_millis()
    );
    Ok(())
}

/// The daemon itself, from its start to the word that it is ready; then it idles.
fn run(house: &House, size: &Size, findings: &mut Findings) -> anyhow::Result<()> {
    let (signals, received) = channel();
    let (tell, told) = sync_channel(1);
    let began = Instant::now();
    let options = Options {
        ready: Box::new(move || {
            let _ = tell.try_send(began.elapsed());
        }),
        ..Options::default()
    };
    let config = house.config.clone();
    let hints = signals.clone();
    let daemon = std::thread::spawn(move || watch::run(&config, &received, &hints, options));
    let ready = told.recv_timeout(Duration::from_secs(600));
    let took = ready.unwrap_or(began.elapsed());
    findings.expect(
        ready.is_ok() && took <= START,
        &format!(
            "the daemon is ready {:.2} s after its start",
            took.as_secs_f64()
        ),
    );
    if size.idle_s > 0 {
        std::thread::sleep(Duration::from_secs(3));
        let before = cpu();
        std::thread::sleep(Duration::from_secs(size.idle_s));
        let used = cpu().saturating_sub(before).as_secs_f64() * 60.0 / size.idle_s as f64;
        let held = held()?;
        println!(
            "     idle beside {} old files: {used:.2} s of CPU a minute, {} MiB, {} descriptors, {} threads",
            size.old_files,
            held.rss_kib / 1024,
            held.descriptors,
            held.threads
        );
    }
    // A daemon that has ended hears nothing any more.
    let _ = signals.send(Signal::Stop);
    match daemon.join() {
        Ok(ended) => Ok(ended.map(drop)?),
        Err(_) => anyhow::bail!("the daemon broke down"),
    }
}
