//! `runsitter check`

mod chain;
mod mail;

use std::path::Path;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{End, Failed, Outcome, load_config, say};
use crate::budget;
use crate::config::{Config, Station};
use crate::intake::filter::Role;
use crate::intake::{Seen, scan};
use crate::ledger::is_network_share;
use crate::method::Quantify;
use crate::pressure::log::Log;
use crate::reading::Evaluation;
use crate::runlist::RunList;
use crate::service::lists;
use crate::service::setup::Setup;
use crate::service::tail::Tail;
use crate::text::{count, fixed, one_line, significant};
use crate::trace::{self, Hints};

/// Reads configuration, method, calibration, folders, run list and one trace as `watch` would, and says what was
/// understood and what is wrong, with file and line. Says what the newest run list takes, drinks and leaves in the waste
/// if it is started now with full bottles, and the order of the pressure to expect; ends with exit code 1 where eluent
/// or waste do not last. Changes nothing; with `--mail` it sends a test message.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A trace to look at [default: the newest in each watched folder]
    #[arg(value_name = "TRACE")]
    trace: Option<std::path::PathBuf>,
    /// Send one test message through each mail server to those who are told at once, and say what the server answered
    #[arg(long)]
    mail: bool,
    /// Walk the ledger's chain of records from its beginning and say which record was changed, removed or put in from
    /// outside; exit code 3 where one was. A daemon may be at work meanwhile
    #[arg(long)]
    ledger: bool,
    /// With --ledger: look whether the record that a summary names is still in the chain
    #[arg(long, value_name = "N:LINK", requires = "ledger")]
    record: Option<String>,
}

/// What was found wrong so far; the worst decides the exit code.
struct Findings {
    end: End,
}

impl Findings {
    fn wrong(&mut self, end: End, message: &str) {
        say(&format!("  WRONG  {message}"));
        let outdone = match end {
            End::Attention => self.end != End::Well,
            _ => self.end == End::Configuration,
        };
        if !outdone {
            self.end = end;
        }
    }

    fn fine(&self, message: &str) {
        say(&format!("  ok     {message}"));
    }

    fn note(&self, message: &str) {
        say(&format!("  note   {message}"));
    }
}

pub fn run(args: &Args, config: Option<&Path>) -> Outcome {
    let config = load_config(config)?;
    if args.mail && config.alert.email.is_none() {
        return Err(Failed::configuration(format!(
            "{}: found no [alert.email], expected one for --mail",
            config.path.display()
        )));
    }
    let mut findings = Findings { end: End::Well };
    say(&format!("{}", config.path.display()));
    findings.fine(&count(config.stations.len(), "station"));
    folders(&config, &mut findings);
    for station in &config.stations {
        say(&format!("station {}", station.name));
        check_station(&config, station, args.trace.as_deref(), &mut findings);
    }
    if args.ledger {
        say("ledger");
        chain::walk(&config, args.record.as_deref(), &mut findings)?;
    }
    if let Some(email) = config.alert.email.as_ref().filter(|_| args.mail) {
        say("test message");
        mail::send(&config, email, &mut findings);
    }
    Ok(findings.end)
}

fn folders(config: &Config, findings: &mut Findings) {
    match is_network_share(existing(&config.state_dir)) {
        Some(kind) => findings.wrong(
            End::Configuration,
            &format!(
                "state_dir {} lies on a network share ({kind}): put it on a local disk",
                config.state_dir.display()
            ),
        ),
        None => findings.fine(&format!("ledger in {}", config.state_dir.display())),
    }
    findings.fine(&format!("results in {}", config.results_dir.display()));
    if let Some(email) = &config.alert.email {
        mail::look(config, email, findings);
    }
    if let Some(webhook) = &config.alert.webhook {
        match crate::post::webhook::read_secret(&webhook.secret_file) {
            Ok(_) => findings.fine("webhook: the secret of its signature can be read"),
            Err(error) => findings.wrong(End::Configuration, &format!("webhook: {error}")),
        }
    }
}

/// The folder itself, or the nearest one above it that is there.
fn existing(folder: &Path) -> &Path {
    folder.ancestors().find(|f| f.exists()).unwrap_or(folder)
}

fn check_station(
    config: &Config,
    station: &Station,
    named: Option<&Path>,
    findings: &mut Findings,
) {
    let setup = match Setup::load(config, station) {
        Ok(setup) => setup,
        Err(error) => return findings.wrong(End::Configuration, &error.to_string()),
    };
    let method = &setup.method;
    findings.fine(&format!(
        "method {:?}: {}, {}, run time {} min",
        one_line(&method.name),
        count(method.analytes.len(), "analyte"),
        count(method.levels.len(), "level"),
        significant(method.conditions.run_time_min, 5)
    ));
    match budget::expected(method) {
        Some(expected) => findings.note(&expected.line()),
        None => findings
            .note("no pressure to expect: the method lacks the flow or a dimension of the column"),
    }
    calibration(station, &setup, findings);
    run_lists(station, &setup, findings);
    pressure_log(station, findings);
    let look = scan::scan(
        &station.watch,
        &|p| setup.filter.role(p) == Some(Role::Trace),
        &|p| setup.filter.skips(p),
    );
    for (path, error) in &look.failed {
        if *path == station.watch && error.kind() == std::io::ErrorKind::NotFound {
            // A share that is mounted later is no mistake: the daemon starts and waits.
            findings.note(&format!(
                "{} is not there yet: the daemon waits for it",
                path.display()
            ));
        } else {
            findings.wrong(End::InputOutput, &format!("{}: {error}", path.display()));
        }
    }
    if look.failed.is_empty() {
        findings.fine(&format!(
            "watching {}: {}",
            station.watch.display(),
            count(look.files.len(), "file")
        ));
    }
    let newest = look.files.iter().max().map(|s| s.path.clone());
    match named.map(Path::to_owned).or(newest) {
        Some(path) => one_trace(&path, station, &setup, findings),
        None => findings
            .note("no trace there yet: name one (`runsitter check TRACE`) to see how it is read"),
    }
}

fn calibration(station: &Station, setup: &Setup, findings: &Findings) {
    match (&station.calibration, &setup.calibration) {
        (None, _) => {
            findings.note("no stored calibration: every queue needs calibrators of its own")
        }
        (Some(path), None) => findings.note(&format!(
            "{} is not there yet: make it with `runsitter calibrate`",
            path.display()
        )),
        (Some(path), Some(stored)) => {
            let calibration = &stored.named.calibration;
            findings.fine(&format!(
                "calibration {}, made {}",
                path.display(),
                one_line(&calibration.created)
            ));
            for analyte in calibration.without_curve(&setup.method.analytes) {
                findings.note(&format!(
                    "{}: not in the stored calibration",
                    one_line(analyte)
                ));
            }
            if calibration.method_sha256 != setup.method.sha256 {
                findings.note("the method has changed since that calibration was made");
            }
        }
    }
    if setup.method.quantify == Quantify::Bracketing {
        findings.note("samples are quantified by bracketing: standards before and after them set their areas right");
    }
}

/// How the pressure log is read.
fn pressure_log(station: &Station, findings: &mut Findings) {
    let Some(settings) = &station.pressure else {
        return;
    };
    let path = settings.file.display();
    let mut log = Log::new(settings.unit, TimeZone::system());
    match Tail::new(&settings.file).look(false) {
        Ok(None) => findings.note(&format!("pressure log {path}: nothing there yet")),
        Ok(Some(piece)) => {
            log.feed(&piece.bytes);
            let notes = log.take(piece.written).notes;
            let layout = log.layout();
            if layout.is_none() && notes.is_empty() {
                findings.note(&format!(
                    "pressure log {path}: too little in it to know its columns"
                ));
            }
            for note in notes {
                let line = format!("pressure log {path}: {note}");
                match layout {
                    Some(_) => findings.note(&line),
                    // A log that cannot be understood guards nobody.
                    None => findings.wrong(End::Configuration, &line),
                }
            }
            if let Some(layout) = layout {
                findings.fine(&format!("pressure log {path}: {}", layout.words));
            }
        }
        Err(error) => findings.wrong(End::InputOutput, &format!("{path}: {error}")),
    }
}

fn run_lists(station: &Station, setup: &Setup, findings: &mut Findings) {
    let Some(pattern) = &station.run_list else {
        return findings.note("no run list configured: every trace counts as an unlisted sample");
    };
    let found = lists::find(station, &setup.filter);
    if found.is_empty() {
        findings.note(&format!("no run list at {pattern} yet"));
    }
    // Older lists have run: what the newest needs is what matters tonight.
    let newest = found
        .iter()
        .max_by_key(|s| (s.modified, s.path.clone()))
        .map(|s| s.path.clone());
    for Seen { path, .. } in found {
        let list = lists::bytes(&path).map_err(|e| format!("{}: {e}", path.display()));
        match list
            .and_then(|bytes| lists::read(&bytes, &path, &setup.method).map_err(|e| e.to_string()))
        {
            Ok(list) => {
                findings.fine(&format!(
                    "run list {}: {}",
                    path.display(),
                    count(list.injections.len(), "injection")
                ));
                for note in &list.notes {
                    findings.note(&one_line(note));
                }
                if newest.as_ref() == Some(&path) {
                    budget_of(&list, setup, findings);
                }
            }
            Err(message) => findings.wrong(End::Configuration, &message),
        }
    }
}

/// What the list needs if it is started now, from full bottles and with an empty waste container.
fn budget_of(list: &RunList, setup: &Setup, findings: &mut Findings) {
    let budget = budget::reckon(&list.injections, &setup.method);
    let (start, zone) = (Some(Timestamp::now()), TimeZone::system());
    for line in budget.facts(start, &zone) {
        findings.note(&line);
    }
    for (check, line) in budget.shortfall_lines(start, &zone) {
        match check {
            Some(_) => findings.wrong(End::Attention, &line),
            None => findings.note(&line),
        }
    }
}

fn one_trace(path: &Path, station: &Station, setup: &Setup, findings: &mut Findings) {
    let limit = station.trace.max_bytes.unwrap_or(trace::MAX_BYTES);
    let size = std::fs::metadata(path).map_or(0, |m| m.len());
    if size > limit {
        return findings.wrong(
            End::InputOutput,
            &format!("{}: {size} bytes, at most {limit} are read", path.display()),
        );
    }
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) => {
            return findings.wrong(End::InputOutput, &format!("{}: {error}", path.display()));
        }
    };
    let conditions = &setup.method.conditions;
    let hints = Hints {
        run_time_min: Some(conditions.run_time_min),
        wavelength_nm: conditions.wavelength_nm,
    };
    match trace::read(&bytes, &station.trace, &hints) {
        Err(error) => {
            let line = error.line.map(|l| format!("{l}:")).unwrap_or_default();
            findings.wrong(
                End::InputOutput,
                &format!("{}:{line} {}", path.display(), error.message),
            );
        }
        Ok(read) => {
            findings.fine(&format!(
                "trace {}: {}",
                path.display(),
                count(read.time_s.len(), "sample")
            ));
            for line in read.layout.describe() {
                findings.note(&one_line(&line));
            }
            peaks(
                &crate::quant::matching::evaluate(&read, &setup.method),
                setup,
                findings,
            );
        }
    }
}

fn peaks(evaluation: &Evaluation, setup: &Setup, findings: &mut Findings) {
    match evaluation {
        Evaluation::Unreadable(why) => findings.wrong(End::InputOutput, &why.message),
        Evaluation::Read(reading) => {
            for (analyte, found) in setup.method.analytes.iter().zip(&reading.analytes) {
                let name = one_line(&analyte.name);
                findings.note(&match found {
                    None => format!(
                        "{name}: no peak at {} ± {} min",
                        fixed(analyte.retention_min, 2),
                        fixed(analyte.window_min, 2)
                    ),
                    Some(f) => format!(
                        "{name}: {} min, {} mAU·s, signal-to-noise {}",
                        fixed(f.retention_min, 2),
                        significant(f.area_mau_s, 5),
                        fixed(f.signal_to_noise, 0)
                    ),
                });
            }
        }
    }
}
