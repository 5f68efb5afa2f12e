//! A house with many instruments, and what their traces give.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use jiff::{SignedDuration, Timestamp};
use runsitter::config::{self, Config, Station};
use runsitter::intake::Seen;
use runsitter::method;
use runsitter::quant::calibration::area_table::AreaTable;
use runsitter::quant::calibration::{Calibration, Meta};
use runsitter::reading::Evaluation;
use runsitter::rehearsal::chromatogram::Chromatogram;
use runsitter::rehearsal::{Night, RATE_HZ, Scenario};
use runsitter::service::evaluate::{Bench, Outcome, Taken, evaluate};

use crate::Size;

/// Bytes that every made-up file claims to have.
const BYTES: u64 = 40_000;

/// Configuration, and what the three kinds of traces gave.
pub struct House {
    /// The configuration.
    pub config: Config,
    /// When the last night began.
    pub last_night: Timestamp,
    /// Hash of the method.
    pub method_sha256: String,
    blank: Evaluation,
    standard: Evaluation,
    sample: Evaluation,
    injections: usize,
}

impl House {
    /// Lays the house out in an empty folder.
    pub fn build(root: &Path, size: &Size) -> anyhow::Result<House> {
        let calm = Night::build(Scenario::Calm, 1);
        let method_text = calm.method_toml();
        let method = method::file::parse(&method_text, Path::new("brine-acids.toml"))?;
        let table = AreaTable::read(&calm.calibrator_areas(), &method, "areas.csv", "")?;
        let meta = Meta {
            name: "acids".to_owned(),
            method_name: method.name.clone(),
            method_sha256: method.sha256.clone(),
            created: "2026-03-11T16:05:00Z".to_owned(),
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
        };
        let calibration = Calibration::fit(table.points, &method.analytes, method.fit, meta)?;
        fs::write(root.join("brine-acids.toml"), &method_text)?;
        fs::write(
            root.join("calibration.toml"),
            calibration.to_toml(&method.limits),
        )?;
        let mut text = "state_dir = \"state\"\nresults_dir = \"results\"\n".to_owned();
        for station in 0..size.stations {
            let name = format!("acids-{station:03}");
            fs::create_dir_all(root.join(&name))?;
            write!(
                text,
                "\n[[station]]\nname = \"{name}\"\nwatch = \"{name}\"\nfiles = [\"*.csv\"]\nrun_list = \"{name}/*.runlist.csv\"\nmethod = \"brine-acids.toml\"\ncalibration = \"calibration.toml\"\n"
            )?;
        }
        fs::write(root.join("runsitter.toml"), text)?;
        let config = config::file::load(&root.join("runsitter.toml"))?;
        let station = config.stations.first().context("no station")?;
        let bench = Bench {
            settings: &station.trace,
            method: &method,
        };
        let gave = |shown: usize| gave(root, &calm, shown, bench);
        Ok(House {
            blank: gave(1)?,
            standard: gave(7)?,
            sample: gave(8)?,
            // The daemon that is started at the end has the clock of today.
            last_night: Timestamp::now() - SignedDuration::from_hours(48),
            method_sha256: method.sha256.clone(),
            injections: size.injections,
            config,
        })
    }

    /// Injections of a queue.
    pub fn injections(&self) -> usize {
        self.injections
    }

    /// From injection to injection: all of a night's fit into it.
    pub fn cycle(&self) -> SignedDuration {
        SignedDuration::from_mins(if self.injections > 50 { 11 } else { 22 })
    }

    /// The run list of a queue: standards around every ten samples. Blanks and standards are called the same every night.
    pub fn list(&self, queue: &str) -> anyhow::Result<String> {
        let mut text =
            "position,tray,vial,kind,name,file,volume_ul,dilution,level,series,time_h,replicate\n"
                .to_owned();
        for position in 1..=self.injections {
            let stem = self.stem(queue, position);
            let (kind, name, dilution, level) = match self.kind(position) {
                "blank" => ("blank", "eluent".to_owned(), 1, ""),
                "standard" => ("standard", "mid".to_owned(), 1, "mid"),
                _ => ("sample", format!("crock {position}"), 10, ""),
            };
            writeln!(
                text,
                "{position},1,{position},{kind},{name},{stem}.csv,10,{dilution},{level},,,"
            )?;
        }
        Ok(text)
    }

    fn kind(&self, position: usize) -> &'static str {
        match position {
            1 => "blank",
            p if p == self.injections || p % 11 == 2 => "standard",
            _ => "sample",
        }
    }

    /// Stem of the file of this injection.
    pub fn stem(&self, queue: &str, position: usize) -> String {
        match self.kind(position) {
            "sample" => format!("{queue}-{position:03}"),
            kind => format!("{kind}-{position:03}"),
        }
    }

    /// A trace as if it had been read: its bytes are those of no other.
    pub fn taken(&self, station: &Station, queue: &str, position: usize, at: Timestamp) -> Taken {
        let evaluation = match self.kind(position) {
            "blank" => &self.blank,
            "standard" => &self.standard,
            _ => &self.sample,
        };
        Taken {
            seen: Seen {
                modified: at,
                path: path(
                    station,
                    queue,
                    &format!("{}.csv", self.stem(queue, position)),
                ),
                size: BYTES,
            },
            sha256: format!("{:064x}", at.as_nanosecond()),
            evaluation: evaluation.clone(),
            may_grow: false,
        }
    }
}

/// A file of a queue: each has a folder of its own.
pub fn path(station: &Station, queue: &str, name: &str) -> PathBuf {
    station.watch.join(queue).join(name)
}

/// What a simulated injection gives, read from a file once.
fn gave(root: &Path, night: &Night, shown: usize, bench: Bench<'_>) -> anyhow::Result<Evaluation> {
    let trace = night
        .chromatograms
        .get(shown - 1)
        .context("no such injection")?;
    let file = root.join("once.csv");
    fs::write(&file, text(trace))?;
    let seen = runsitter::intake::scan::look_at(&file).context("no such file")?;
    match evaluate(seen, bench, &mut Vec::new()) {
        Outcome::Taken(taken) => Ok(taken.evaluation),
        other => bail!("{}: {other:?}", file.display()),
    }
}

/// One reading a second.
fn text(trace: &Chromatogram) -> String {
    let mut text = "time_s,signal_mau\n".to_owned();
    for (second, value) in trace
        .signal_mau()
        .iter()
        .step_by(RATE_HZ as usize)
        .enumerate()
    {
        // Writing into a string cannot fail.
        let _ = writeln!(text, "{second},{value:.3}");
    }
    text
}
