//! `runsitter calibrate PATH…`

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::progress::Bar;
use super::{End, Failed, Outcome, load_config, say, say_error, station};
use crate::config::{Config, Station};
use crate::intake::{Seen, scan};
use crate::method::Limits;
use crate::night::Landing;
use crate::night::calibrate::{blanks, points};
use crate::night::queue::{Queue, Terms};
use crate::quant::blank::SigmaFrom;
use crate::quant::calibration::area_table::AreaTable;
use crate::quant::calibration::{Blank, Calibration, Meta, Point};
use crate::quant::curve::Curve;
use crate::quant::plot::calibration_svg;
use crate::report::whole::keep;
use crate::runlist::{Kind, RunList};
use crate::service::desk::stem_of;
use crate::service::evaluate::{Bench, Outcome as Read, evaluate_all, hex};
use crate::service::lists;
use crate::service::setup::Setup;
use crate::text::{count, fixed, one_line, significant};

/// Calibrator traces that a run list names, or a CSV of level,analyte,area_mau_s, become a calibration file with its
/// figures of merit, and a plot (SVG) beside it. Blanks of the run list among the traces set the limit of detection. A
/// CSV may bring its own nominal concentrations in a column nominal, and their unit in a column unit. A calibration that misses the method's limits never replaces a stored
/// one: name a file of its own with --out.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Traces or folders with traces, or one CSV with the columns level,analyte,area_mau_s
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// The run list that says which trace is which level [default: the station's run lists]
    #[arg(long, value_name = "FILE")]
    run_list: Option<PathBuf>,
    /// Where the calibration goes [default: the station's `calibration`]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// The station, where the configuration has several and none watches the path
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
}

pub fn run(args: &Args, config: Option<&Path>) -> Outcome {
    let config = load_config(config)?;
    let station = station(&config, args.station.as_deref(), &args.paths)?;
    let setup = setup(&config, station)?;
    let out = args
        .out
        .clone()
        .or_else(|| station.calibration.clone())
        .ok_or_else(|| {
            Failed::configuration(format!(
                "station {:?} names no `calibration`: say where it goes with --out FILE",
                station.name
            ))
        })?;
    let (points, blanks) = match area_table(&args.paths, &setup)? {
        Some(points) => (points, Vec::new()),
        None => from_traces(args, &config, station, &setup)?,
    };
    let meta = Meta {
        name: station.name.clone(),
        method_name: setup.method.name.clone(),
        method_sha256: setup.method.sha256.clone(),
        created: jiff::Timestamp::now().to_string(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let method = &setup.method;
    let calibration =
        Calibration::fit_with_blanks(points, blanks, &method.analytes, method.fit, meta)
            .map_err(Failed::configuration)?;
    print_figures(&calibration, &setup);
    let misses = calibration.acceptable(&setup.method.limits);
    for miss in &misses {
        say_error(&format!("limit missed: {}", miss.message));
    }
    if !misses.is_empty() && args.out.is_none() && out.exists() {
        say_error(&format!(
            "{} is left as it is; write this calibration elsewhere with --out FILE if you want to see it",
            out.display()
        ));
        return Ok(End::Attention);
    }
    write(&out, &calibration, &setup.method.limits)?;
    Ok(if misses.is_empty() {
        End::Well
    } else {
        End::Attention
    })
}

/// The station's files without its stored calibration: that is what is being made, and an old one may be of no use.
fn setup(config: &Config, station: &Station) -> Result<Setup, Failed> {
    let bare = Station {
        calibration: None,
        ..station.clone()
    };
    Setup::load(config, &bare).map_err(Failed::configuration)
}

/// The points of a table of areas, if that is what the only path is.
fn area_table(paths: &[PathBuf], setup: &Setup) -> Result<Option<Vec<Point>>, Failed> {
    let [path] = paths else { return Ok(None) };
    if !path.is_file() {
        return Ok(None);
    }
    let bytes = std::fs::read(path).map_err(|e| Failed::io(format!("{}: {e}", path.display())))?;
    let text = String::from_utf8_lossy(&bytes);
    let head = text.lines().next().unwrap_or_default().to_ascii_lowercase();
    if !head.contains("area_mau_s") {
        return Ok(None);
    }
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    let table = AreaTable::read(&text, &setup.method, &name, &hex(&bytes))
        .map_err(|e| Failed::configuration(format!("{}: {e}", path.display())))?;
    for note in &table.notes {
        say_error(&format!("{}: {note}", path.display()));
    }
    Ok(Some(table.points))
}

fn from_traces(
    args: &Args,
    config: &Config,
    station: &Station,
    setup: &Setup,
) -> Result<(Vec<Point>, Vec<Blank>), Failed> {
    let files = files(&args.paths, setup)?;
    let list = list_for(args, station, setup, &files)?;
    let wanted: BTreeMap<&str, Kind> = list
        .injections
        .iter()
        .filter(|i| matches!(i.kind, Kind::Calibrator | Kind::Blank))
        .map(|i| (i.stem.as_str(), i.kind))
        .collect();
    let kind = |f: &Seen| wanted.get(stem_of(&f.path).as_str()).copied();
    let files: Vec<Seen> = files.into_iter().filter(|f| kind(f).is_some()).collect();
    if !files.iter().any(|f| kind(f) == Some(Kind::Calibrator)) {
        return Err(Failed::configuration(
            "none of these files is a calibrator of the run list (kind `calibrator`, with a level)",
        ));
    }
    let terms = Terms {
        method: std::sync::Arc::clone(&setup.method),
        stored: None,
        time_scale: 1.0,
    };
    let mut queue = Queue::planned(&config.path.to_string_lossy(), &terms, &list);
    let (mut bar, total, mut done) = (Bar::new("traces"), files.len(), 0);
    let mut failed = None;
    evaluate_all(
        files,
        Bench {
            settings: &station.trace,
            method: &setup.method,
        },
        |outcome| {
            done += 1;
            bar.set(done, total);
            match outcome {
                Read::Taken(taken) => {
                    if let crate::reading::Evaluation::Unreadable(why) = &taken.evaluation {
                        let line = why.line.map(|l| format!("{l}:")).unwrap_or_default();
                        bar.clear();
                        say_error(&format!(
                            "{}:{line} {}",
                            taken.seen.path.display(),
                            why.message
                        ));
                    }
                    queue.land(std::sync::Arc::new(landing(*taken)));
                }
                Read::Changed(seen) => {
                    failed = Some(format!(
                        "{}: it is still being written",
                        seen.path.display()
                    ))
                }
                Read::Unread(seen, error) => {
                    failed = Some(format!("{}: {error}", seen.path.display()))
                }
            }
        },
    );
    bar.clear();
    match failed {
        Some(message) => Err(Failed::io(message)),
        None => {
            let slots = || queue.slots().iter();
            Ok((
                points(slots(), &setup.method),
                blanks(slots(), &setup.method),
            ))
        }
    }
}

fn landing(taken: crate::service::evaluate::Taken) -> Landing {
    Landing {
        id: 0,
        stem: stem_of(&taken.seen.path),
        file_name: taken
            .seen
            .path
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default(),
        sha256: taken.sha256,
        modified: taken.seen.modified,
        landed_at: taken.seen.modified,
        revision: 1,
        evaluation: taken.evaluation,
    }
}

fn files(paths: &[PathBuf], setup: &Setup) -> Result<Vec<Seen>, Failed> {
    let mut out = Vec::new();
    for path in paths {
        if path.is_dir() {
            let filter = setup.filter.naming(path);
            let wanted =
                |p: &Path| filter.role_anywhere(p) == Some(crate::intake::filter::Role::Trace);
            let look = scan::scan(path, &wanted, &|p| filter.skips(p));
            if let Some((path, error)) = look.failed.into_iter().next() {
                return Err(Failed::io(format!("{}: {error}", path.display())));
            }
            out.extend(look.files);
        } else {
            out.push(
                scan::look_at(path)
                    .ok_or_else(|| Failed::io(format!("{}: no such file", path.display())))?,
            );
        }
    }
    out.sort();
    Ok(out)
}

/// The list named, or the first of the station's lists that knows one of the files as a calibrator.
fn list_for(
    args: &Args,
    station: &Station,
    setup: &Setup,
    files: &[Seen],
) -> Result<RunList, Failed> {
    let read = |path: &Path| {
        let bytes =
            std::fs::read(path).map_err(|e| Failed::io(format!("{}: {e}", path.display())))?;
        lists::read(&bytes, path, &setup.method).map_err(Failed::configuration)
    };
    if let Some(path) = &args.run_list {
        return read(path);
    }
    let stems: Vec<String> = files.iter().map(|f| stem_of(&f.path)).collect();
    for seen in lists::find(station, &setup.filter).into_iter().rev() {
        let list = read(&seen.path)?;
        if list
            .injections
            .iter()
            .any(|i| i.kind == Kind::Calibrator && stems.contains(&i.stem))
        {
            return Ok(list);
        }
    }
    Err(Failed::configuration(
        "no run list of the station names one of these files as a calibrator: name one with --run-list FILE",
    ))
}

/// "area = 1.2 + 59.8 × c", with "− 0.12 × c²" where it is quadratic.
fn equation(curve: &Curve) -> String {
    let bend = curve.bend().map_or(String::new(), |b| {
        let sign = if b < 0.0 { '-' } else { '+' };
        format!(" {sign} {} × c²", significant(b.abs(), 4))
    });
    format!(
        "area = {} + {} × c{bend}",
        significant(curve.intercept(), 5),
        significant(curve.slope(), 6)
    )
}

fn print_figures(calibration: &Calibration, setup: &Setup) {
    for curve in &calibration.curves {
        let unit = one_line(&curve.unit);
        say(&format!(
            "{}: {} points, {} to {} {unit}; {}; R² {}; RSE {} %; LOD {} {unit}, LOQ {} {unit}",
            one_line(&curve.analyte),
            calibration.points_of(&curve.analyte).count(),
            significant(curve.lowest, 4),
            significant(curve.highest, 4),
            equation(curve),
            fixed(curve.r2(), 5),
            curve
                .relative_standard_error_percent
                .map_or("-".to_owned(), |r| fixed(r, 1)),
            significant(curve.lod, 3),
            significant(curve.loq, 3),
        ));
        print_judgement(curve, &setup.method.limits);
        for level in &curve.levels {
            let error = level.error_percent.map_or("-".to_owned(), |e| {
                format!("{}{} %", if e > 0.0 { "+" } else { "" }, fixed(e, 1))
            });
            let scatter = level
                .scatter_percent
                .map_or(String::new(), |s| format!(", scatter {} %", fixed(s, 1)));
            say(&format!(
                "  {}: {} {unit}, found {}, {error}{scatter} ({})",
                one_line(&level.level),
                significant(level.nominal, 5),
                significant(level.back_calculated, 4),
                count(level.n, "injection")
            ));
        }
    }
    for analyte in calibration.without_curve(&setup.method.analytes) {
        say_error(&format!(
            "{}: no calibrator has a peak of it; its samples get no concentration",
            one_line(analyte)
        ));
    }
}

/// Usable range, where the limits come from, and lack of fit.
fn print_judgement(curve: &Curve, limits: &Limits) {
    let unit = one_line(&curve.unit);
    let usable = curve.usable(limits).words(&unit);
    say(&format!("  usable range: {}", one_line(&usable)));
    say(&match curve.sigma.from {
        SigmaFrom::Residuals => {
            "  LOD and LOQ from the residuals of the fit at the lowest level".to_owned()
        }
        SigmaFrom::BlankAreas => {
            let n = count(curve.sigma.n, "blank");
            format!("  LOD and LOQ from the scatter of the areas of {n}")
        }
        SigmaFrom::BlankNoise => {
            let n = count(curve.sigma.n, "blank");
            format!("  LOD and LOQ from the noise of {n}")
        }
    });
    if let Some(lack) = curve.lack_of_fit {
        let verdict = if lack.p < 0.05 {
            ": the levels lie off the curve by more than replicates scatter"
        } else {
            ""
        };
        say(&format!(
            "  lack of fit: F {} ({}, {}), p {}{verdict}",
            significant(lack.f, 3),
            lack.df_lack,
            lack.df_pure,
            significant(lack.p, 2)
        ));
    }
}

fn write(out: &Path, calibration: &Calibration, limits: &Limits) -> Result<(), Failed> {
    keep(out, calibration.to_toml(limits).as_bytes()).map_err(Failed::io)?;
    let plot = out.with_extension("svg");
    keep(&plot, calibration_svg(calibration).as_bytes()).map_err(Failed::io)?;
    say(&format!("calibration: {}", out.display()));
    say(&format!("plot: {}", plot.display()));
    Ok(())
}
