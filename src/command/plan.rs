//! `runsitter plan SAMPLES.csv`

mod options;
mod tell;

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use sha2::{Digest as _, Sha256};

use super::{End, Failed, Outcome, load_config, say, say_error, station};
use crate::budget;
use crate::config::{Config, Station};
use crate::intake::filter::{Filter, Role};
use crate::method::{self, Method};
use crate::plan::sheet::Sheet;
use crate::plan::{self, Planned, Request};
use crate::report::whole;
use crate::runlist::{self, queue_name};
use crate::service::lists;
use crate::text::{local, one_line};
use options::Options;

/// A sample sheet becomes a run list: conditioning, blanks, calibrators and standards are placed around the samples by the
/// rules of the method's [plan] table, vials, names and files are filled in.
///
/// The sheet is a CSV with one row for each sample and any columns. Those called series, time_h (or time_d, in days), dilution,
/// volume_ul, replicate, tray and vial mean what they mean in a run list; the name is built from columns by a template. Every
/// option goes before the key of the method that it is named with.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The sample sheet
    #[arg(value_name = "SAMPLES.csv")]
    sheet: PathBuf,
    #[command(flatten)]
    options: Options,
    /// When the queue starts: 18:00, "2026-09-21 18:00" or RFC 3339 [default: now, for {date} alone]
    #[arg(long, value_name = "TIME")]
    start: Option<String>,
    /// Where the run list goes; - is the standard output [default: NAME.runlist.csv beside the sheet]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Replace a run list that is there with another content
    #[arg(long)]
    force: bool,
    /// The method, without a configuration
    #[arg(long, value_name = "FILE", conflicts_with = "station")]
    method: Option<PathBuf>,
    /// The station whose method counts, where the configuration has several
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
}

/// Where the run list goes.
enum Target {
    Stdout,
    File(PathBuf),
}

pub fn run(args: &Args, config: Option<&Path>) -> Outcome {
    let (method, place) = method(args, config)?;
    let bytes = std::fs::File::open(&args.sheet)
        .and_then(lists::some)
        .map_err(|e| Failed::io(format!("{}: {e}", one_line(&args.sheet.to_string_lossy()))))?;
    let sheet = Sheet::parse(&bytes, &args.sheet).map_err(Failed::configuration)?;
    let rules = args.options.apply(&method).map_err(Failed::configuration)?;
    let zone = TimeZone::system();
    let start = start(args.start.as_deref(), &zone)?;
    let (queue, target) = target(args)?;
    let seed = args.options.seed.or_else(|| {
        // The sheet's own fingerprint: the same sheet has the same order, the next one another.
        rules.random_order.then(|| fingerprint(&bytes))
    });
    let request = Request {
        queue,
        date: local(start.unwrap_or_else(Timestamp::now), &zone)
            .date()
            .to_string(),
        seed,
    };
    let planned = plan::make(&sheet, &method, &rules, &request).map_err(Failed::configuration)?;
    let text = runlist::file::write(&planned.list);
    let mut lines = tell::lines(&sheet, &rules, &planned, seed);
    let budget = budget::reckon(&planned.list.injections, &method);
    lines.extend(budget.lines(start, &zone));
    deliver(args, &target, &text, &lines, &planned, place.as_ref())?;
    // Eluent or waste that does not last is a check that is told at once.
    Ok(if budget.short() {
        End::Attention
    } else {
        End::Well
    })
}

/// Writes the run list and says what was planned: beside a list on the standard output, on the other one.
fn deliver(
    args: &Args,
    target: &Target,
    text: &str,
    lines: &[String],
    planned: &Planned,
    place: Option<&(Config, Station)>,
) -> Result<(), Failed> {
    let mut said: Vec<String> = lines.to_vec();
    said.extend(
        planned
            .notes
            .iter()
            .map(|n| format!("note: {}", one_line(n))),
    );
    match target {
        Target::Stdout => {
            use std::io::Write as _;
            match std::io::stdout().write_all(text.as_bytes()) {
                Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => {
                    return Err(Failed::io(format!("standard output: {e}")));
                }
                _ => {}
            }
        }
        Target::File(path) => {
            said.push(keep(args, path, text)?);
            if let Some((config, station)) = place {
                said.extend(where_they_lie(args, config, station, path));
            }
        }
    }
    said.extend(tell::CAUTIONS.map(str::to_owned));
    for line in &said {
        match target {
            Target::Stdout => say_error(line),
            Target::File(_) => say(line),
        }
    }
    Ok(())
}

/// The method that counts, and the station that it is of.
fn method(
    args: &Args,
    config: Option<&Path>,
) -> Result<(Method, Option<(Config, Station)>), Failed> {
    let load = |path: &Path| method::file::load(path).map_err(Failed::configuration);
    if let Some(path) = &args.method {
        return Ok((load(path)?, None));
    }
    let config = load_config(config)?;
    let station = station(&config, args.station.as_deref(), &[])?.clone();
    Ok((load(&station.method)?, Some((config, station))))
}

/// Where the list goes, and the name of its queue.
fn target(args: &Args) -> Result<(String, Target), Failed> {
    let name_of = |path: &Path| {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned());
        queue_name(&name.unwrap_or_default())
    };
    match &args.out {
        Some(out) if out.as_os_str() == "-" => Ok((name_of(&args.sheet), Target::Stdout)),
        Some(out) => Ok((name_of(out), Target::File(other_than_sheet(args, out)?))),
        None => {
            let queue = name_of(&args.sheet);
            let out = args.sheet.with_file_name(format!("{queue}.runlist.csv"));
            Ok((queue, Target::File(other_than_sheet(args, &out)?)))
        }
    }
}

/// A list never takes the place of the sheet that it is made from.
fn other_than_sheet(args: &Args, out: &Path) -> Result<PathBuf, Failed> {
    let real = |p: &Path| std::fs::canonicalize(p).unwrap_or_else(|_| p.to_owned());
    if real(out) == real(&args.sheet) {
        return Err(Failed::configuration(format!(
            "{} is the sample sheet itself: name another file with --out FILE",
            one_line(&out.to_string_lossy())
        )));
    }
    Ok(out.to_owned())
}

/// Writes the file unless another one is there; what was done.
fn keep(args: &Args, path: &Path, text: &str) -> Result<String, Failed> {
    let shown = one_line(&path.to_string_lossy());
    match std::fs::read(path) {
        Ok(there) if there == text.as_bytes() => {
            return Ok(format!("{shown} is there already, with the same content"));
        }
        Ok(_) if !args.force => {
            return Err(Failed::configuration(format!(
                "{shown} is there already, with another content: replace it with --force, or name another file with --out FILE"
            )));
        }
        Ok(_) => {}
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(error) => return Err(Failed::io(format!("{shown}: {error}"))),
    }
    whole::replace(path, text.as_bytes()).map_err(Failed::io)?;
    Ok(format!("run list: {shown}"))
}

/// What the station makes of the files where they lie: it may look for run lists elsewhere, or take the sheet for a trace.
fn where_they_lie(args: &Args, config: &Config, station: &Station, list: &Path) -> Vec<String> {
    let Ok(filter) = Filter::new(config, station) else {
        return Vec::new();
    };
    let role = |path: &Path| filter.role(&std::path::absolute(path).ok()?);
    let name = one_line(&station.name);
    let mut out = Vec::new();
    if let Some(pattern) = &station.run_list
        && role(list) != Some(Role::RunList)
    {
        out.push(format!(
            "note: station {name} looks for run lists at {}: copy this one there before the first trace lands",
            one_line(pattern)
        ));
    }
    let sheet = std::path::absolute(&args.sheet).unwrap_or_else(|_| args.sheet.clone());
    if sheet.starts_with(&station.watch) && role(&sheet) == Some(Role::Trace) {
        out.push(format!(
            "note: the sample sheet lies where station {name} looks for traces and will be taken for one: move it elsewhere"
        ));
    }
    out
}

/// The moment that a person means: a time of day is the next one.
fn start(text: Option<&str>, zone: &TimeZone) -> Result<Option<Timestamp>, Failed> {
    let Some(text) = text else { return Ok(None) };
    let wrong = || {
        Failed::configuration(format!(
            "--start: found {}, expected a time as 18:00, \"2026-09-21 18:00\" or RFC 3339",
            crate::config::error::quoted(text)
        ))
    };
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(Some(at));
    }
    let zoned = |at: jiff::civil::DateTime| zone.to_timestamp(at);
    // A time of day has no date: as a date and time it would be midnight of nothing.
    if !text.contains('-') {
        let time: jiff::civil::Time = text.trim().parse().map_err(|_| wrong())?;
        let now = Timestamp::now();
        let today = local(now, zone).date();
        let at = zoned(today.to_datetime(time)).map_err(|_| wrong())?;
        if at >= now {
            return Ok(Some(at));
        }
        let tomorrow = today.tomorrow().map_err(|_| wrong())?;
        return zoned(tomorrow.to_datetime(time))
            .map(Some)
            .map_err(|_| wrong());
    }
    let at: jiff::civil::DateTime = text.trim().parse().map_err(|_| wrong())?;
    zoned(at).map(Some).map_err(|_| wrong())
}

fn fingerprint(bytes: &[u8]) -> u64 {
    let hash = Sha256::digest(bytes);
    hash.iter().take(8).fold(0, |n, b| (n << 8) | u64::from(*b))
}
