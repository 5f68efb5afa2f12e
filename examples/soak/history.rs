//! The history of a house: queues of years of nights, landed straight into the ledger, and files that still lie where they were.

use std::fs;
use std::time::{Duration, SystemTime};

use anyhow::Context as _;
use jiff::{SignedDuration, Timestamp};
use runsitter::config::Station;
use runsitter::intake::scan;
use runsitter::ledger::{FileSeen, Ledger, ListRecord, NewLanding};
use runsitter::night::Landing;
use runsitter::service::desk::Desk;

use crate::Size;
use crate::house::{House, path};

/// Fills an empty ledger; gives how many traces have landed.
pub fn fill(house: &House, size: &Size, ledger: &mut Ledger) -> anyhow::Result<usize> {
    let mut landed = 0;
    let mut k = 0;
    while landed < size.landed {
        let station = station(house, k)?;
        let night = i64::try_from(k / size.stations)?;
        let start = house.last_night - SignedDuration::from_hours(24 * night);
        queue(house, station, &format!("night-{night:05}"), start, ledger)?;
        landed += house.injections();
        k += 1;
    }
    // What lists name is noted when they are taken up: so here.
    for station in &house.config.stations {
        drop(Desk::open(&house.config, station, ledger, 1.0)?);
    }
    Ok(landed)
}

/// A queue that ended in its morning, with its list and a message.
fn queue(
    house: &House,
    station: &Station,
    queue: &str,
    start: Timestamp,
    ledger: &mut Ledger,
) -> anyhow::Result<()> {
    land(house, station, queue, start, house.injections(), ledger)?;
    ledger.keep_message(
        &station.name,
        &format!("{queue}-missing.txt"),
        &"what was told\n".repeat(60),
        start,
    )?;
    let end = start + SignedDuration::from_hours(23);
    Ok(ledger.set_queue(&station.name, queue, Some(end))?)
}

/// The list of a queue and its first traces.
pub fn land(
    house: &House,
    station: &Station,
    queue: &str,
    start: Timestamp,
    traces: usize,
    ledger: &mut Ledger,
) -> anyhow::Result<()> {
    let content = house.list(queue)?.into_bytes();
    let list = ListRecord {
        queue: queue.to_owned(),
        sha256: format!("{:064x}", start.as_nanosecond()),
        content,
        modified: start,
        path: path(station, queue, &format!("{queue}.runlist.csv")),
    };
    ledger.keep_list(&station.name, &list, start)?;
    let mut all = Vec::new();
    for position in 1..=traces {
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
            method_sha256: &house.method_sha256,
        })
        .collect();
    Ok(ledger.land(&station.name, &records, &[])?)
}

/// Files that were taken long ago and still lie in the first station's folder.
pub fn old_files(house: &House, count: usize, ledger: &mut Ledger) -> anyhow::Result<()> {
    let station = station(house, 0)?;
    let folder = station.watch.join("kept");
    fs::create_dir_all(&folder)?;
    let old = SystemTime::now() - Duration::from_secs(40 * 24 * 3600);
    let mut known = Vec::new();
    for k in 0..count {
        let file = folder.join(format!("crock-{k:06}.csv"));
        fs::write(&file, "old")?;
        fs::File::options()
            .append(true)
            .open(&file)?
            .set_modified(old)?;
        let seen = scan::look_at(&file).context("no such file")?;
        let seen = FileSeen {
            size: seen.size,
            modified: seen.modified,
            method_sha256: house.method_sha256.clone(),
        };
        known.push((file, seen));
    }
    Ok(ledger.land(&station.name, &[], &known)?)
}

/// The station of a number.
pub fn station(house: &House, k: usize) -> anyhow::Result<&Station> {
    let stations = &house.config.stations;
    stations
        .get(k % stations.len().max(1))
        .context("no station")
}

/// The database with its log, bytes.
pub fn bytes(ledger: &Ledger) -> anyhow::Result<u64> {
    let log = ledger.path().with_extension("sqlite-wal");
    let log = fs::metadata(log).map_or(0, |m| m.len());
    Ok(fs::metadata(ledger.path())?.len() + log)
}
