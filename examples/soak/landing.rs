//! What a landing costs on top of the history, beside the same landing on top of a short one.

use jiff::SignedDuration;
use runsitter::intake::Seen;
use runsitter::ledger::Ledger;
use runsitter::service::desk::Desk;

use crate::gauge::{median, timed};
use crate::history::{fill, station};
use crate::house::{House, path};
use crate::{Findings, Size};

/// Landings whose cost is measured.
const SAMPLE: usize = 60;
/// Traces of the short history: it does not fit into the database's cache either.
const SHORT: usize = 10_000;
/// On top of the whole history a landing may cost so many times what it costs on top of the short one.
const RATIO: f64 = 1.5;

/// A queue on top of all that, beside the same queue on top of a short history.
pub fn beside_history(
    house: &House,
    size: &Size,
    ledger: &mut Ledger,
    findings: &mut Findings,
) -> anyhow::Result<()> {
    let other = house.config.state_dir.with_file_name("short");
    let mut short = Ledger::open(&other)?;
    let few = Size {
        landed: SHORT.min(size.landed),
        ..size.clone()
    };
    let before = fill(house, &few, &mut short)?;
    // As after a start: it does not remember what it was filled with.
    drop(short);
    let mut short = Ledger::open(&other)?;
    let mut costs = [Vec::new(), Vec::new()];
    let station = station(house, 0)?;
    let list = house.list("tonight")?;
    let start = house.last_night + SignedDuration::from_hours(24);
    let seen = Seen {
        modified: start,
        path: path(station, "tonight", "tonight.runlist.csv"),
        size: list.len() as u64,
    };
    // Results of its own: two desks that write one sheet would each find it changed by somebody else.
    let mut apart = house.config.clone();
    apart.results_dir = other.join("results");
    let mut desks = [
        Desk::open(&apart, station, &mut short, 1.0)?,
        Desk::open(&house.config, station, ledger, 1.0)?,
    ];
    let mut ledgers = [&mut short, ledger];
    for (desk, ledger) in desks.iter_mut().zip(&mut ledgers) {
        desk.take_list(ledger, &seen, list.clone().into_bytes(), start)?;
    }
    for position in 1..SAMPLE.min(house.injections()) {
        let now = start + house.cycle() * i32::try_from(position)?;
        // Side by side, so that a busy machine slows both.
        for ((desk, ledger), costs) in desks.iter_mut().zip(&mut ledgers).zip(&mut costs) {
            let taken = house.taken(&desk.station, "tonight", position, now);
            let (done, used) = timed(|| {
                desk.tick(now);
                desk.land(ledger, vec![taken], now)?;
                desk.settle(ledger, now)
            });
            done?;
            costs.push(used);
        }
    }
    let [was, is] = costs.map(|c| median(&c).as_secs_f64() * 1e6);
    let ratio = is / was;
    findings.expect(
        ratio <= RATIO,
        &format!("a landing, µs of CPU: {was:.0} on top of {before} traces, {is:.0} on top of all; ratio {ratio:.2}"),
    );
    Ok(std::fs::remove_dir_all(other)?)
}
