//! The command line: one small file for each subcommand. This is where the program speaks to people, and the only place
//! that decides about exit codes.

mod calibrate;
mod check;
mod plan;
mod process;
mod progress;
mod rehearse;
mod scout;
mod summary;
mod watch;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use tracing_subscriber::filter::LevelFilter;

use crate::config::{self, Config, Station};

/// Where the configuration lies when neither `--config` nor the working directory has one.
const SYSTEM_CONFIG: &str = "/etc/runsitter/runsitter.toml";
/// Its name in the working directory.
const LOCAL_CONFIG: &str = "runsitter.toml";

/// Sits up with an overnight HPLC queue: processes each trace as it lands, checks blanks and standards,
/// keeps a concentration sheet, and says what must be injected again and why.
///
/// It only reads what the instrument's software exports. It controls nothing and is no safety device.
#[derive(Debug, Parser)]
#[command(
    name = "runsitter",
    version,
    max_term_width = 100,
    after_help = "Exit codes: 0 all well; 1 done, and a result must be injected \
again or a check that is told at once failed; 2 usage or configuration error; 3 input or output error.\nLogs go to the error output; \
RUST_LOG=debug shows more."
)]
struct Line {
    /// The configuration [default: runsitter.toml in the working directory, then /etc/runsitter/runsitter.toml]
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// The daemon: watch the export folders until SIGTERM or SIGINT
    ///
    /// What is in the folders at its start and not known yet is processed first. Ctrl-C (or SIGTERM) ends it within 5 s, and
    /// nothing that has landed is lost; the exit code is 0 then.
    Watch(watch::Args),
    /// Read everything that `watch` would read and say what is wrong
    ///
    /// Configuration, method, calibration, folders, run lists and one trace, with what was understood and where. Says also what
    /// the newest run list takes, drinks and leaves in the waste if it is started now with full bottles, and ends with exit
    /// code 1 where eluent or waste do not last. Changes nothing.
    Check(check::Args),
    /// Make a run list from a sample sheet: blanks and standards placed, vials and names filled in
    ///
    /// The sheet is a CSV with one row for each sample and any columns. Those called series, time_h (or time_d, in days),
    /// dilution, volume_ul, replicate, tray and vial mean what they mean in a run list; names are built from columns by a
    /// template. The rules stand in the method's table [plan]; an option goes before the key named with it. Time, eluent, waste
    /// and vials are reckoned; where eluent or waste do not last, the exit code is 1.
    Plan(Box<plan::Args>),
    /// Process files or folders once, without the daemon
    ///
    /// Into the same results as `watch`. A listed injection whose trace is not there counts as missing at once. Alerts become
    /// files; nothing is sent. Run twice it changes no byte.
    Process(process::Args),
    /// Make a calibration file from calibrator traces or from a table of areas
    ///
    /// Prints the line, the usable range, limits of detection and quantification and every level's error, and draws the curves
    /// into a picture (SVG) beside the file. Blanks that the run list names among the traces set the limit of detection. A CSV
    /// may bring its own nominal concentrations in a column nominal, and their unit in a column unit. A calibration that misses
    /// the method's limits never replaces the station's own: name a file with --out.
    Calibrate(calibrate::Args),
    /// Propose an analyte's entry in the method from an injection of the pure compound
    Scout(scout::Args),
    /// Write the summary and the other results of a queue again
    ///
    /// Makes them anew from the ledger, and prints the summary.
    Summary(summary::Args),
    /// Watch a simulated night go by, at many times real speed, through the real daemon
    ///
    /// A simulated instrument plays a night of brine samples (lactic and acetic acid from crocks of fermenting vegetables) into a
    /// folder, and the real daemon watches it. Each message is shown as it would be sent. Nothing of it touches an instrument or
    /// your own results. Times of day are those of the rehearsal; a night of hours takes half a minute.
    Rehearse(rehearse::Args),
}

/// What a command came to; each has its exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    /// 0: all well.
    Well,
    /// 1: done, and something needs attention.
    Attention,
    /// 2: the configuration, or a file that people write, cannot be used.
    Configuration,
    /// 3: a file could not be read or written.
    InputOutput,
}

impl End {
    fn code(self) -> ExitCode {
        ExitCode::from(match self {
            End::Well => 0,
            End::Attention => 1,
            End::Configuration => 2,
            End::InputOutput => 3,
        })
    }
}

/// An error with the exit code it ends in.
#[derive(Debug)]
struct Failed {
    end: End,
    message: String,
}

impl Failed {
    fn configuration(error: impl std::fmt::Display) -> Failed {
        Failed {
            end: End::Configuration,
            message: error.to_string(),
        }
    }

    fn io(error: impl std::fmt::Display) -> Failed {
        Failed {
            end: End::InputOutput,
            message: error.to_string(),
        }
    }
}

impl From<crate::service::desk::DeskError> for Failed {
    fn from(error: crate::service::desk::DeskError) -> Failed {
        match &error {
            crate::service::desk::DeskError::File(_) => Failed::configuration(error),
            crate::service::desk::DeskError::Results(_) => Failed::io(error),
            crate::service::desk::DeskError::Ledger(ledger) => Failed::from_ledger(ledger),
        }
    }
}

impl Failed {
    fn from_ledger(error: &crate::ledger::LedgerError) -> Failed {
        use crate::ledger::LedgerError;
        match error {
            // The state folder's place is a matter of configuration.
            LedgerError::Share { .. } => Failed::configuration(error),
            _ => Failed::io(error),
        }
    }
}

type Outcome = Result<End, Failed>;

/// Reads the command line, does what it says, and gives the exit code.
pub fn main() -> ExitCode {
    let line = Line::parse();
    // A rehearsal tells its story itself.
    let rehearsal = matches!(line.command, Command::Rehearse(_));
    log::start(if rehearsal {
        LevelFilter::ERROR
    } else {
        LevelFilter::WARN
    });
    let end = match line.command {
        Command::Watch(args) => watch::run(&args, line.config.as_deref()),
        Command::Check(args) => check::run(&args, line.config.as_deref()),
        Command::Plan(args) => plan::run(&args, line.config.as_deref()),
        Command::Process(args) => process::run(&args, line.config.as_deref()),
        Command::Calibrate(args) => calibrate::run(&args, line.config.as_deref()),
        Command::Scout(args) => scout::run(&args, line.config.as_deref()),
        Command::Summary(args) => summary::run(&args, line.config.as_deref()),
        Command::Rehearse(args) => rehearse::run(&args),
    };
    match end {
        Ok(end) => end.code(),
        Err(failed) => {
            say_error(&failed.message);
            failed.end.code()
        }
    }
}

/// Writes a line to the error output; a closed one is no reason to fail.
fn say_error(message: &str) {
    use std::io::Write as _;
    let _ = writeln!(std::io::stderr(), "runsitter: {message}");
}

/// Writes a line to the standard output; a closed one (`| head`) is no reason to fail.
fn say(message: &str) {
    use std::io::Write as _;
    let _ = writeln!(std::io::stdout(), "{message}");
}

/// The configuration where it usually lies, if there is one.
fn usual_config() -> Option<PathBuf> {
    [LOCAL_CONFIG, SYSTEM_CONFIG]
        .iter()
        .map(PathBuf::from)
        .find(|p| p.exists())
}

/// The configuration named, or the one where it usually lies.
fn load_config(named: Option<&Path>) -> Result<Config, Failed> {
    let path = match named {
        Some(path) => path.to_owned(),
        None => usual_config().ok_or_else(|| {
            Failed::configuration(format!(
                "found neither {LOCAL_CONFIG} here nor {SYSTEM_CONFIG}; name a configuration with --config FILE"
            ))
        })?,
    };
    config::file::load(&path).map_err(Failed::configuration)
}

/// The station that is meant: the one named, the one that watches the first path, or the only one.
fn station<'a>(
    config: &'a Config,
    named: Option<&str>,
    paths: &[PathBuf],
) -> Result<&'a Station, Failed> {
    if let Some(name) = named {
        let known = config.stations.iter().map(|s| s.name.as_str());
        let near = crate::text::nearest(name, known)
            .map(|n| format!("; did you mean {n:?}?"))
            .unwrap_or_default();
        return config.station(name).ok_or_else(|| {
            Failed::configuration(format!(
                "no station {name:?} in {}{near}",
                config.path.display()
            ))
        });
    }
    let watching = paths
        .first()
        .and_then(|p| config.station_of(&crate::config::paths::clean(p)));
    match (watching, config.stations.as_slice()) {
        (Some(station), _) => Ok(station),
        (None, [only]) => Ok(only),
        (None, many) => {
            let names: Vec<&str> = many.iter().map(|s| s.name.as_str()).collect();
            Err(Failed::configuration(format!(
                "{} has several stations and none watches that path: name one with --station ({})",
                config.path.display(),
                names.join(", ")
            )))
        }
    }
}

mod log {
    //! Logs go to the error output: under systemd into the journal.

    use std::io::IsTerminal as _;

    use tracing_subscriber::filter::{LevelFilter, Targets};
    use tracing_subscriber::layer::SubscriberExt as _;
    use tracing_subscriber::util::SubscriberInitExt as _;

    /// Starts logging as `RUST_LOG` says (`debug`, `runsitter=trace`), without it from the usual level on.
    pub fn start(usual: LevelFilter) {
        let (filter, bad) = match std::env::var("RUST_LOG") {
            Ok(text) => match text.parse::<Targets>() {
                Ok(filter) => (filter, None),
                Err(error) => (
                    Targets::new().with_default(usual),
                    Some(format!("RUST_LOG={text:?} cannot be understood: {error}")),
                ),
            },
            Err(_) => (Targets::new().with_default(usual), None),
        };
        // Under systemd the journal has its own clock.
        let journal = std::env::var_os("JOURNAL_STREAM").is_some();
        let layer = tracing_subscriber::fmt::layer()
            .with_writer(std::io::stderr)
            .with_target(false)
            .with_ansi(std::io::stderr().is_terminal());
        let registry = tracing_subscriber::registry().with(filter);
        // A second start in one process (tests) keeps the first.
        let _ = if journal {
            registry.with(layer.without_time()).try_init()
        } else {
            registry.with(layer).try_init()
        };
        if let Some(message) = bad {
            tracing::warn!("{message}");
        }
    }
}
