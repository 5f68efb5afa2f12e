//! The `[[station]]` tables.

use std::path::Path;

use super::bounds::Bounds;
use super::error::{FileError, quoted};
use super::table::{Table, Value};
use super::{Pressure, Station, paths, pattern};
use crate::runlist::pattern::Pattern;
use crate::trace::{Delimiter, Settings, SignalUnit, TimeUnit};

pub(super) const KEYS: &[&str] = &[
    "name",
    "watch",
    "files",
    "settle_s",
    "poll_s",
    "run_list",
    "method",
    "calibration",
    "name_pattern",
    "trace",
    "pressure",
];
pub(super) const TRACE_KEYS: &[&str] = &[
    "delimiter",
    "decimal",
    "time_unit",
    "signal_unit",
    "time_column",
    "signal_column",
    "max_mb",
];
pub(super) const PRESSURE_KEYS: &[&str] = &["file", "unit"];

/// Trace files where the configuration says nothing.
const FILES: [&str; 2] = ["*.csv", "*.txt"];
/// Quiet time of a whole file where the configuration says nothing, s.
const SETTLE_S: f64 = 3.0;
/// Longest station name, bytes: a folder name has 255, and files in it need theirs.
const LONGEST_NAME: usize = 100;
const MOST_COLUMNS: u64 = 10_000;

/// Every station.
pub(super) fn read_all(root: &Table<'_>, file: &Path) -> Result<Vec<Station>, FileError> {
    let values = root
        .need("station", "at least one [[station]]")?
        .list("[[station]] in double brackets")?;
    if values.is_empty() {
        return Err(root.error("found no station, expected at least one [[station]]"));
    }
    let mut stations: Vec<Station> = Vec::with_capacity(values.len());
    for value in values {
        let station = read(&value.table(KEYS)?, file, &stations)?;
        stations.push(station);
    }
    Ok(stations)
}

fn read(table: &Table<'_>, file: &Path, earlier: &[Station]) -> Result<Station, FileError> {
    let name = name(&table.need("name", "the instrument's name")?, earlier)?;
    let watch_value = table.need("watch", "the folder that traces are exported to")?;
    let watch = paths::path(&watch_value, file, "a folder")?;
    if let Some(other) = earlier.iter().find(|s| s.watch == watch) {
        return Err(watch_value.found(&format!(
            "a folder other than that of station {}",
            quoted(&other.name)
        )));
    }
    let path = |key: &str| {
        table
            .get(key)
            .map(|v| paths::path(&v, file, "a file"))
            .transpose()
    };
    Ok(Station {
        name,
        watch,
        files: files(table)?,
        settle_s: table.number_or("settle_s", Bounds::range(0.0, 3600.0, "s"), SETTLE_S)?,
        poll_s: table.number("poll_s", Bounds::range(0.1, 3600.0, "s"))?,
        run_list: table
            .get("run_list")
            .map(|v| pattern::path_pattern(&v, file))
            .transpose()?,
        method: paths::path(&table.need("method", "the method's file")?, file, "a file")?,
        calibration: path("calibration")?,
        name_pattern: table
            .get("name_pattern")
            .map(|v| name_pattern(&v))
            .transpose()?,
        trace: table
            .get("trace")
            .map(|v| trace(&v.table(TRACE_KEYS)?))
            .transpose()?
            .unwrap_or_default(),
        pressure: table
            .get("pressure")
            .map(|v| pressure(&v.table(PRESSURE_KEYS)?, file))
            .transpose()?,
    })
}

/// The name becomes a folder, perhaps on a share: what any file system refuses is refused here.
fn name(value: &Value<'_>, earlier: &[Station]) -> Result<String, FileError> {
    let name = value.text("a station's name")?;
    if name == "."
        || name == ".."
        || name.ends_with('.')
        || name.contains(['/', '\\', '<', '>', ':', '"', '|', '?', '*'])
    {
        return Err(value
            .found("a name that can be a folder's: no / \\ < > : \" | ? * and no dot at its end"));
    }
    if name.len() > LONGEST_NAME {
        return Err(value.found(&format!("a name of at most {LONGEST_NAME} bytes")));
    }
    // Folder names on many shares do not tell capitals from small letters.
    if earlier
        .iter()
        .any(|s| s.name.to_lowercase() == name.to_lowercase())
    {
        return Err(value.found("a name that no other station has"));
    }
    Ok(name.to_owned())
}

fn files(table: &Table<'_>) -> Result<Vec<String>, FileError> {
    let Some(value) = table.get("files") else {
        return Ok(FILES.map(str::to_owned).to_vec());
    };
    let patterns = value.list("a list of file name patterns")?;
    if patterns.is_empty() {
        return Err(value.found("at least one file name pattern"));
    }
    patterns.iter().map(pattern::name_glob).collect()
}

fn name_pattern(value: &Value<'_>) -> Result<String, FileError> {
    let text = value.text("a pattern of file names")?;
    match Pattern::parse(text) {
        Ok(_) => Ok(text.to_owned()),
        Err(message) => Err(value.error(&message)),
    }
}

fn trace(table: &Table<'_>) -> Result<Settings, FileError> {
    let column = |key: &str| table.get(key).map(|v| v.whole(1, MOST_COLUMNS)).transpose();
    let settings = Settings {
        delimiter: table
            .get("delimiter")
            .map(|v| v.word(&DELIMITERS))
            .transpose()?,
        decimal: table
            .get("decimal")
            .map(|v| v.word(&[(".", b'.'), (",", b',')]))
            .transpose()?,
        time_unit: table
            .get("time_unit")
            .map(|v| v.word(&TIME_UNITS))
            .transpose()?,
        signal_unit: table
            .get("signal_unit")
            .map(|v| v.word(&SIGNAL_UNITS))
            .transpose()?,
        time_column: column("time_column")?.and_then(|n| usize::try_from(n).ok()),
        signal_column: column("signal_column")?.and_then(|n| usize::try_from(n).ok()),
        max_bytes: table
            .get("max_mb")
            .map(|v| v.whole(1, 16_384))
            .transpose()?
            .map(|mb| mb * 1024 * 1024),
    };
    if settings.decimal == Some(b',') && settings.delimiter == Some(Delimiter::Comma) {
        return Err(
            table.error("found \",\" as delimiter and as decimal, expected two different signs")
        );
    }
    if settings.time_column.is_some() && settings.time_column == settings.signal_column {
        return Err(
            table.error("found one column for time and signal, expected two different ones")
        );
    }
    Ok(settings)
}

const DELIMITERS: [(&str, Delimiter); 4] = [
    (",", Delimiter::Comma),
    (";", Delimiter::Semicolon),
    ("tab", Delimiter::Tab),
    ("space", Delimiter::Space),
];
const TIME_UNITS: [(&str, TimeUnit); 2] = [("s", TimeUnit::Seconds), ("min", TimeUnit::Minutes)];
const SIGNAL_UNITS: [(&str, SignalUnit); 6] = [
    ("uAU", SignalUnit::MicroAu),
    ("mAU", SignalUnit::MilliAu),
    ("AU", SignalUnit::Au),
    ("nRIU", SignalUnit::NanoRiu),
    ("uV", SignalUnit::MicroVolt),
    ("mV", SignalUnit::MilliVolt),
];

fn pressure(table: &Table<'_>, file: &Path) -> Result<Pressure, FileError> {
    Ok(Pressure {
        file: paths::path(&table.need("file", "the pressure log")?, file, "a file")?,
        unit: table
            .get("unit")
            .map(|v| v.word(&crate::pressure::unit::WORDS))
            .transpose()?,
    })
}
