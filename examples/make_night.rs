//! Makes `examples/night`: a small finished night that can be read without running anything.
//!
//! ```text
//! cargo run --example make_night -- DIR       # make the night in a new folder
//! cargo run --example make_night -- --check   # compare a fresh one with examples/night
//! ```
//!
//! The instrument is the simulated one of `runsitter rehearse`, thinned to one reading a second. Its traces go through
//! the desk of the daemon, one after another, on a clock that is made up: so every byte comes out the same again.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, SystemTime};

use anyhow::{Context as _, bail, ensure};
use jiff::{SignedDuration, Timestamp};
use runsitter::config::{self, Config};
use runsitter::intake::{Seen, scan};
use runsitter::ledger::Ledger;
use runsitter::method;
use runsitter::quant::calibration::area_table::AreaTable;
use runsitter::quant::calibration::{Calibration, Meta};
use runsitter::quant::plot::calibration_svg;
use runsitter::rehearsal::chromatogram::Chromatogram;
use runsitter::rehearsal::{Night, RATE_HZ, Scenario};
use runsitter::service::desk::Desk;
use runsitter::service::evaluate::{Outcome, evaluate};

/// What is compared when no folder is named.
const KEPT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/night");
/// When the first injection starts.
const START: &str = "2026-03-12T19:40:00Z";
/// From injection to injection, min.
const CYCLE_MIN: i64 = 22;
/// The ledger; it is needed to make the night and is not part of the example.
const STATE: &str = "state";

const CONFIG: &str = r#"# Made by `cargo run --example make_night`. Paths count from the folder of this file.
state_dir   = "state"
results_dir = "results"

[[station]]
name        = "acids"
watch       = "exports"
files       = ["brine-*.csv"]
run_list    = "exports/*.runlist.csv"
method      = "brine-acids.toml"
calibration = "calibration.toml"
"#;

/// Position 9 is listed and its trace never comes.
const RUN_LIST: &str = "\
position,tray,vial,kind,name,file,volume_ul,dilution,level,series,time_h,replicate
1,1,1,blank,eluent,brine-01.csv,10,1,,,,
2,1,2,standard,mid,brine-02.csv,10,1,mid,,,
3,1,3,sample,crock A day 3,brine-03.csv,10,10,,crock A,72,1
4,1,4,sample,crock A day 3,brine-04.csv,10,10,,crock A,72,2
5,1,5,sample,crock A day 7,brine-05.csv,10,10,,crock A,168,1
6,1,2,standard,mid,brine-06.csv,10,1,mid,,,
7,1,6,sample,crock B day 3,brine-07.csv,10,10,,crock B,72,1
8,1,7,sample,crock B day 3,brine-08.csv,10,10,,crock B,72,2
9,1,8,sample,crock B day 7,brine-09.csv,10,10,,crock B,168,1
10,1,2,standard,mid,brine-10.csv,10,1,mid,,,
11,1,9,sample,crock B day 7,brine-11.csv,10,10,,crock B,168,2
12,1,10,sample,crock B day 7,brine-12.csv,10,10,,crock B,168,3
13,1,2,standard,mid,brine-13.csv,10,1,mid,,,
14,1,1,blank,eluent,brine-14.csv,10,1,,,,
";

/// What lands: minutes after the end of its run, position in this queue, and the simulated injection that it shows.
/// Position 8 lands twice: somebody exported the wrong run and corrected it later.
const LANDINGS: [(i64, i64, Scenario, usize); 14] = [
    (0, 1, Scenario::Calm, 1),
    (0, 2, Scenario::Calm, 7),
    (0, 3, Scenario::Calm, 8),
    (0, 4, Scenario::Calm, 9),
    (0, 5, Scenario::OverRange, 16),
    (0, 6, Scenario::Calm, 11),
    (0, 7, Scenario::Calm, 12),
    (0, 8, Scenario::Calm, 10),
    (0, 10, Scenario::DriftingStandard, 23),
    (0, 11, Scenario::Calm, 20),
    (75, 8, Scenario::Calm, 13),
    (0, 12, Scenario::Calm, 21),
    (0, 13, Scenario::Calm, 19),
    (0, 14, Scenario::Calm, 24),
];

fn main() -> ExitCode {
    // Times in the files are local ones, and the zone of the machine must not show in them.
    let made = if std::env::var("TZ").is_ok_and(|zone| zone == "UTC") {
        run()
    } else {
        again_in_utc()
    };
    match made {
        Ok(code) => code,
        Err(error) => {
            eprintln!("make_night: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn again_in_utc() -> anyhow::Result<ExitCode> {
    let status = std::process::Command::new(std::env::current_exe()?)
        .args(std::env::args_os().skip(1))
        .env("TZ", "UTC")
        .status()?;
    Ok(ExitCode::from(
        status
            .code()
            .and_then(|c| u8::try_from(c).ok())
            .unwrap_or(2),
    ))
}

fn run() -> anyhow::Result<ExitCode> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = args.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["--check"] => check(Path::new(KEPT)),
        ["--check", folder] => check(Path::new(folder)),
        [folder] if !folder.starts_with('-') => make(Path::new(folder)),
        _ => bail!("expected DIR or --check [DIR]"),
    }
}

fn make(target: &Path) -> anyhow::Result<ExitCode> {
    let taken = fs::read_dir(target).is_ok_and(|mut entries| entries.next().is_some());
    ensure!(
        !taken,
        "{}: found a folder with something in it, expected a new or empty one",
        target.display()
    );
    for (name, content) in fresh()? {
        let path = target.join(name);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
        }
        fs::write(&path, content).with_context(|| path.display().to_string())?;
    }
    println!("{}", target.display());
    Ok(ExitCode::SUCCESS)
}

/// Exit code 1 with the first line that differs, file by file.
fn check(kept: &Path) -> anyhow::Result<ExitCode> {
    let (fresh, kept_files) = (fresh()?, files(kept)?);
    let mut differences = 0;
    for name in fresh
        .keys()
        .chain(kept_files.keys().filter(|k| !fresh.contains_key(*k)))
    {
        let difference = match (kept_files.get(name), fresh.get(name)) {
            (Some(kept), Some(fresh)) if comparable(kept) == comparable(fresh) => continue,
            (Some(kept), Some(fresh)) => first_difference(
                &String::from_utf8_lossy(kept),
                &String::from_utf8_lossy(fresh),
            ),
            (None, _) => "is not there and would be made".to_owned(),
            (_, None) => "is there and would not be made".to_owned(),
        };
        println!("{}: {difference}", kept.join(name).display());
        differences += 1;
    }
    if differences > 0 {
        println!(
            "make it again with: rm -r examples/night && cargo run --example make_night -- examples/night"
        );
        return Ok(ExitCode::from(1));
    }
    println!(
        "{}: {} files, all as a fresh night has them",
        kept.display(),
        fresh.len()
    );
    Ok(ExitCode::SUCCESS)
}

/// Without the ledger's record: it is over everything that the ledger holds, and so over the folder in which it was made.
fn comparable(bytes: &[u8]) -> Vec<&[u8]> {
    let lines = bytes.split(|b| *b == b'\n');
    lines
        .filter(|l| !l.starts_with(b"  ledger record "))
        .collect()
}

fn first_difference(kept: &str, fresh: &str) -> String {
    let same = kept
        .lines()
        .zip(fresh.lines())
        .take_while(|(a, b)| a == b)
        .count();
    let line = |text: &str| text.lines().nth(same).unwrap_or("(end of file)").to_owned();
    format!(
        "line {}\n  kept   {}\n  fresh  {}",
        same + 1,
        line(kept),
        line(fresh)
    )
}

type Files = BTreeMap<PathBuf, Vec<u8>>;

/// Plays the night in a folder of its own and gives its files, the ledger left out.
fn fresh() -> anyhow::Result<Files> {
    let root = tempfile::tempdir()?;
    lay_out(root.path())?;
    let config = config::file::load(&root.path().join("runsitter.toml"))?;
    play(&config)?;
    let mut all = files(root.path())?;
    all.retain(|name, _| !name.starts_with(STATE));
    Ok(all)
}

fn files(root: &Path) -> anyhow::Result<Files> {
    let look = scan::scan(root, &|_| true, &|_| false);
    if let Some((path, error)) = look.failed.into_iter().next() {
        bail!("{}: {error}", path.display());
    }
    let read = |seen: Seen| {
        Ok((
            seen.path.strip_prefix(root)?.to_owned(),
            fs::read(&seen.path)?,
        ))
    };
    look.files.into_iter().map(read).collect()
}

/// Configuration, method, calibration, run list.
fn lay_out(root: &Path) -> anyhow::Result<()> {
    let calm = Night::build(Scenario::Calm, 1);
    let method_text = calm.method_toml().replacen(
        "`runsitter rehearse`",
        "`cargo run --example make_night`",
        1,
    );
    let method = method::file::parse(&method_text, Path::new("brine-acids.toml"))?;
    let areas = calm.calibrator_areas();
    let table = AreaTable::read(&areas, &method, "areas.csv", "")?;
    let meta = Meta {
        name: "acids".to_owned(),
        method_name: method.name.clone(),
        method_sha256: method.sha256.clone(),
        created: "2026-03-11T16:05:00Z".to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let calibration = Calibration::fit(table.points, &method.analytes, method.fit, meta)?;
    fs::create_dir_all(root.join("exports"))?;
    fs::write(root.join("runsitter.toml"), CONFIG)?;
    fs::write(root.join("brine-acids.toml"), method_text)?;
    fs::write(root.join("calibrator-areas.csv"), areas)?;
    fs::write(
        root.join("calibration.toml"),
        calibration.to_toml(&method.limits),
    )?;
    fs::write(root.join("calibration.svg"), calibration_svg(&calibration))?;
    let list = root.join("exports/brine.runlist.csv");
    fs::write(&list, RUN_LIST)?;
    set_time(&list, START.parse()?)
}

/// Every landing at its time, and what time itself brings between them.
fn play(config: &Config) -> anyhow::Result<()> {
    let station = config.stations.first().context("no station")?;
    let mut ledger = Ledger::open(&config.state_dir)?;
    let mut desk = Desk::open(config, station, &mut ledger, 1.0)?;
    let start: Timestamp = START.parse()?;
    let list = scan::look_at(&station.watch.join("brine.runlist.csv")).context("no run list")?;
    desk.take_list(&mut ledger, &list, fs::read(&list.path)?, start)?;
    desk.settle(&mut ledger, start)?;
    let mut nights = BTreeMap::new();
    let mut buffer = Vec::new();
    for (delay_min, position, scenario, shown) in LANDINGS {
        let now = start + SignedDuration::from_mins(position * CYCLE_MIN + delay_min);
        let night = nights
            .entry(scenario.name())
            .or_insert_with(|| Night::build(scenario, 1));
        let trace = night
            .chromatograms
            .get(shown - 1)
            .context("no such injection")?;
        let path = station.watch.join(format!("brine-{position:02}.csv"));
        fs::write(&path, text(trace))?;
        set_time(&path, now - SignedDuration::from_secs(5))?;
        wait(&mut desk, &mut ledger, Some(now))?;
        let seen = scan::look_at(&path).context("no such file")?;
        match evaluate(seen, desk.bench(), &mut buffer) {
            Outcome::Taken(taken) => desk.land(&mut ledger, vec![*taken], now)?,
            other => bail!("{}: {other:?}", path.display()),
        }
        desk.settle(&mut ledger, now)?;
    }
    wait(&mut desk, &mut ledger, None)?;
    ensure!(
        desk.queues().values().all(|q| q.is_ended()),
        "the queue has not ended"
    );
    match desk.flush(true).into_iter().next() {
        Some(error) => Err(error.into()),
        None => Ok(()),
    }
}

/// Lets time pass until then, or until nothing is waited for any more.
fn wait(desk: &mut Desk, ledger: &mut Ledger, until: Option<Timestamp>) -> anyhow::Result<()> {
    let mut last = None;
    while let Some(due) = desk
        .next_deadline()
        .filter(|due| until.is_none_or(|u| *due < u))
    {
        ensure!(last.is_none_or(|l| l < due), "time stands still at {due}");
        last = Some(due);
        desk.tick(due);
        desk.settle(ledger, due)?;
    }
    Ok(())
}

/// One reading a second: each the mean of the seven that the simulated detector takes around that second.
fn text(trace: &Chromatogram) -> String {
    let mut text = "time_s,signal_mau\n".to_owned();
    let signal = trace.signal_mau();
    for (second, middle) in (0..signal.len()).step_by(RATE_HZ as usize).enumerate() {
        let around = signal
            .iter()
            .take(middle + 4)
            .skip(middle.saturating_sub(3));
        let (sum, n) = around.fold((0.0, 0.0), |(sum, n), value| (sum + value, n + 1.0));
        // Writing into a string cannot fail.
        let _ = writeln!(text, "{second},{:.3}", sum / n);
    }
    text
}

/// Files land in the order of their times.
fn set_time(path: &Path, time: Timestamp) -> anyhow::Result<()> {
    let since_epoch = Duration::from_secs(u64::try_from(time.as_second())?);
    Ok(fs::File::options()
        .append(true)
        .open(path)?
        .set_modified(SystemTime::UNIX_EPOCH + since_epoch)?)
}
