//! `runsitter scout TRACE`

mod entry;

use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};

use super::{End, Failed, Outcome, load_config, say, say_error, station, usual_config};
use crate::method::{self, Method};
use crate::quant::scout::propose;
use crate::service::desk::stem_of;
use crate::signal::{self, Params};
use crate::text::one_line;
use crate::trace::{self, Hints, Settings, Trace};
use entry::{Source, entry, warnings};

/// Longest name of an analyte, bytes.
const LONGEST_NAME: usize = 100;

/// What can be said about the command line.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "The entry is printed as TOML, with the reasons for its retention, its search window, and the plates and symmetry to \
expect, in comments: read it, then paste it into the method. With --against it warns of analytes that the compound may be confused \
with; warnings change no exit code.\n\nA trace that does not show one compound plainly (air, no peak, several peaks of like size, a \
flat top) is refused: nothing but the reason and what to do is said, and the exit code is 1."
)]
pub struct Args {
    /// The trace of the injection
    #[arg(value_name = "TRACE")]
    trace: PathBuf,
    /// What the compound is called [default: the trace's name]
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// A method whose analytes must stay apart from it [default: the station's, where there is a configuration]
    #[arg(long, value_name = "METHOD")]
    against: Option<PathBuf>,
    /// The station, where the configuration has several and none watches the trace's folder
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
}

/// What is known before the trace is read.
#[derive(Default)]
struct Known {
    settings: Settings,
    method: Option<(PathBuf, Method)>,
    /// Why there is no method although one could be expected.
    note: Option<String>,
}

pub fn run(args: &Args, config: Option<&Path>) -> Outcome {
    let name = name(args)?;
    let known = known(args, config)?;
    let method = known.method.as_ref().map(|(_, m)| m);
    let trace = read(&args.trace, &known.settings, method)?;
    let path = args.trace.display();
    if !signal::is_usable(&trace.time_s, &trace.signal_mau) {
        return Err(Failed::io(format!(
            "{path}: times that do not increase or values that are no signal, expected a trace"
        )));
    }
    let params = Params {
        detector_max_mau: method.and_then(|m| m.conditions.detector_max_mau),
        ..Params::default()
    };
    let profile = signal::integrate(&trace.time_s, &trace.signal_mau, &params);
    let end = |t: Option<&f64>| t.copied().unwrap_or_default() / 60.0;
    let span_min = [end(trace.time_s.first()), end(trace.time_s.last())];
    let proposal = match propose(&profile, span_min, method, &name) {
        Ok(proposal) => proposal,
        Err(refusal) => {
            say_error(&format!(
                "{}: no analyte can be proposed: {refusal}",
                one_line(&path.to_string())
            ));
            return Ok(End::Attention);
        }
    };
    let source = Source {
        file: args.trace.file_name().unwrap_or_default().to_string_lossy(),
        trace: &trace,
        span_min,
        method: known.method.as_ref().map(|(p, m)| (p.as_path(), m)),
        note: known.note.as_deref(),
    };
    let warnings = warnings(&proposal, &source);
    say(entry(&proposal, &name, &source, &warnings).trim_end());
    // Into a file or a pipe: a person sees the warnings all the same.
    if !std::io::stdout().is_terminal() {
        warnings
            .iter()
            .for_each(|w| say_error(&format!("warning: {w}")));
    }
    Ok(End::Well)
}

/// The compound's name: the one given, else the trace's, cut to what a method takes.
fn name(args: &Args) -> Result<String, Failed> {
    let Some(name) = &args.name else {
        let stem = one_line(&stem_of(&args.trace));
        let cut = (0..=LONGEST_NAME).rev().find(|n| stem.is_char_boundary(*n));
        let kept = cut.and_then(|n| stem.get(..n)).unwrap_or(&stem).trim();
        let unnamed = if kept.is_empty() { "unnamed" } else { kept };
        return Ok(unnamed.to_owned());
    };
    let wrong = |what: &str| {
        Err(Failed::configuration(format!(
            "--name {:?}: {what}",
            one_line(name)
        )))
    };
    if name.trim().is_empty() {
        return wrong("found nothing, expected the compound's name");
    }
    if name.len() > LONGEST_NAME {
        return wrong(&format!("expected at most {LONGEST_NAME} bytes"));
    }
    if one_line(name) != *name {
        return wrong("found a control character, expected a name on one line");
    }
    Ok(name.clone())
}

/// Settings and method from the configuration and the command line. A method that nobody named on the command line may be
/// missing or unfinished: the first analyte is scouted before there is one.
fn known(args: &Args, named: Option<&Path>) -> Result<Known, Failed> {
    let mut known = Known::default();
    let path = named.map(Path::to_owned).or_else(usual_config);
    if let Some(path) = path {
        let config = load_config(Some(&path))?;
        match station(
            &config,
            args.station.as_deref(),
            std::slice::from_ref(&args.trace),
        ) {
            Ok(station) => {
                known.settings = station.trace.clone();
                if args.against.is_none() {
                    match method::file::load(&station.method) {
                        Ok(method) => known.method = Some((station.method.clone(), method)),
                        Err(error) => known.note = Some(error.to_string()),
                    }
                }
            }
            Err(failed) if args.station.is_some() => return Err(failed),
            Err(failed) => known.note = Some(failed.message),
        }
    } else if let Some(station) = &args.station {
        return Err(Failed::configuration(format!(
            "--station {:?}: found no configuration; name one with --config FILE",
            one_line(station)
        )));
    }
    if let Some(path) = &args.against {
        let method = method::file::load(path).map_err(Failed::configuration)?;
        known.method = Some((path.clone(), method));
        known.note = None;
    }
    Ok(known)
}

fn read(path: &Path, settings: &Settings, method: Option<&Method>) -> Result<Trace, Failed> {
    let failed = |message: String| {
        let path = one_line(&path.to_string_lossy());
        Failed::io(format!("{path}:{message}"))
    };
    let limit = settings.max_bytes.unwrap_or(trace::MAX_BYTES);
    let size = std::fs::metadata(path).map_or(0, |m| m.len());
    if size > limit {
        return Err(failed(format!(" {size} bytes, at most {limit} are read")));
    }
    let bytes = std::fs::read(path).map_err(|e| failed(format!(" {e}")))?;
    let hints = Hints {
        run_time_min: method.map(|m| m.conditions.run_time_min),
        wavelength_nm: method.and_then(|m| m.conditions.wavelength_nm),
    };
    trace::read(&bytes, settings, &hints).map_err(|e| {
        let line = e.line.map(|l| format!("{l}:")).unwrap_or_default();
        failed(format!("{line} {}", e.message))
    })
}
