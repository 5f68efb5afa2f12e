//! The `[plan]` table: by which rules sample sheets become run lists, and what stands around the samples of a rerun.

use std::collections::HashSet;

use super::Level;
use crate::config::bounds::Bounds;
use crate::config::error::{FileError, either, quoted};
use crate::config::table::{Table, Value};
use crate::plan::template::Template;
use crate::plan::tray::{Labels, MOST_SIDE, MOST_TRAYS, Tray};
use crate::text::nearest;

pub(super) const KEYS: &[&str] = &[
    "name",
    "file",
    "other_file",
    "conditioning",
    "conditioning_level",
    "calibrators",
    "standard_levels",
    "standards_per_checkpoint",
    "samples_between",
    "blank_first",
    "blank_last",
    "shutdown",
    "replicates",
    "replicate_order",
    "random_order",
    "injections_per_vial",
    "columns",
    "tray",
];
pub(super) const TRAY_KEYS: &[&str] = &["rows", "columns", "trays", "labels", "taken"];
pub(super) const COLUMN_KEYS: &[&str] = &[
    "series",
    "time_h",
    "time_d",
    "dilution",
    "volume_ul",
    "replicate",
    "tray",
    "vial",
];
const FREE_KEYS: &[&str] = &[];
/// Most conditioning injections, calibrators of one level, standards of one checkpoint: more is a slip of the keyboard.
pub(crate) const MOST_TIMES: u64 = 100;
/// Most samples between two checkpoints, replicates of a sample, injections from a vial.
pub(crate) const MOST_SAMPLES: u64 = 1000;

/// Rules of a plan. The defaults are common practice (no source).
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What a sample is called, from columns of its sheet. Default `{name}`.
    pub name: Template,
    /// The stem of a sample's file. Default `{queue}-{position}`.
    pub file: Template,
    /// The stem of all other files; columns of the sheet cannot stand in it. Default `{queue}-{position}`.
    pub other_file: Template,
    /// Conditioning injections at the beginning. Default 0.
    pub conditioning: u64,
    /// The level that they are taken from; left out: the blank's vial.
    pub conditioning_level: Option<String>,
    /// Levels injected as calibrators before the samples, and how often each. Default none.
    pub calibrators: Vec<(String, u64)>,
    /// The levels of standards in the order in which they take turns; empty: the middle one of the method.
    pub standard_levels: Vec<String>,
    /// Standards of one checkpoint. Default 1.
    pub standards_per_checkpoint: u64,
    /// Sample injections after which a checkpoint comes. Default 8 (6 to 10 is usual).
    pub samples_between: u64,
    /// A blank before everything that is judged. Default true.
    pub blank_first: bool,
    /// A blank at the end. Default true.
    pub blank_last: bool,
    /// A last conditioning injection called `shutdown`, for which the instrument has a method of its own. Default false.
    pub shutdown: bool,
    /// Injections of each sample. Default 1.
    pub replicates: u64,
    /// How they follow each other.
    pub replicate_order: ReplicateOrder,
    /// The samples of each bracket in random order. Default false.
    pub random_order: bool,
    /// Injections after which a vial is followed by another one of the same content; left out: no limit.
    pub injections_per_vial: Option<u64>,
    /// Which columns of the sheet mean something.
    pub columns: Columns,
    /// The trays; left out: one without end.
    pub tray: Option<Tray>,
}

/// How the replicates of a sample follow each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ReplicateOrder {
    /// One after another.
    #[default]
    Sequence,
    /// All samples once, then all again: what changes through the night falls on all alike.
    Spread,
}

/// Columns of a sample sheet; `None`: the column of the key's own name, where the sheet has it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Columns {
    /// What is followed over time.
    pub series: Option<String>,
    /// Time in the series, h.
    pub time_h: Option<String>,
    /// The same in days.
    pub time_d: Option<String>,
    /// Total dilution.
    pub dilution: Option<String>,
    /// Injected volume, µL.
    pub volume_ul: Option<String>,
    /// Replicate, in a sheet with a row for each.
    pub replicate: Option<String>,
    /// Tray of a vial that stands already.
    pub tray: Option<String>,
    /// Place of a vial that stands already.
    pub vial: Option<String>,
}

impl Default for Plan {
    fn default() -> Plan {
        Plan {
            name: Template::field("name"),
            file: Template::queue_and_position(),
            other_file: Template::queue_and_position(),
            conditioning: 0,
            conditioning_level: None,
            calibrators: Vec::new(),
            standard_levels: Vec::new(),
            standards_per_checkpoint: 1,
            samples_between: 8,
            blank_first: true,
            blank_last: true,
            shutdown: false,
            replicates: 1,
            replicate_order: ReplicateOrder::Sequence,
            random_order: false,
            injections_per_vial: None,
            columns: Columns::default(),
            tray: None,
        }
    }
}

impl Plan {
    /// The standards' levels in turn: those chosen, or the middle one of the method; empty where it has none.
    pub fn rotation(&self, levels: &[Level]) -> Vec<String> {
        if self.standard_levels.is_empty() {
            let middle = levels.get(levels.len() / 2);
            return middle.map(|l| l.name.clone()).into_iter().collect();
        }
        self.standard_levels.clone()
    }
}

/// The rules given, the rest at their defaults.
pub(super) fn read(root: &Table<'_>, levels: &[Level]) -> Result<Plan, FileError> {
    let Some(value) = root.get("plan") else {
        return Ok(Plan::default());
    };
    let table = value.table(KEYS)?;
    let rest = Plan::default();
    let whole = |key: &str, low: u64, high: u64, default: u64| {
        let given = table.get(key).map(|v| v.whole(low, high)).transpose();
        given.map(|n| n.unwrap_or(default))
    };
    let flag = |key: &str, default: bool| {
        let given = table.get(key).map(|v| v.flag()).transpose();
        given.map(|f| f.unwrap_or(default))
    };
    let vial = table.get("injections_per_vial");
    Ok(Plan {
        name: template(&table, "name", rest.name)?,
        file: template(&table, "file", rest.file)?,
        other_file: template(&table, "other_file", rest.other_file)?,
        conditioning: whole("conditioning", 0, MOST_TIMES, 0)?,
        conditioning_level: table
            .get("conditioning_level")
            .map(|v| level(&v, levels))
            .transpose()?,
        calibrators: calibrators(&table, levels)?,
        standard_levels: standard_levels(&table, levels)?,
        standards_per_checkpoint: whole(
            "standards_per_checkpoint",
            1,
            MOST_TIMES,
            rest.standards_per_checkpoint,
        )?,
        samples_between: whole("samples_between", 1, MOST_SAMPLES, rest.samples_between)?,
        blank_first: flag("blank_first", rest.blank_first)?,
        blank_last: flag("blank_last", rest.blank_last)?,
        shutdown: flag("shutdown", rest.shutdown)?,
        replicates: whole("replicates", 1, MOST_SAMPLES, rest.replicates)?,
        replicate_order: table
            .get("replicate_order")
            .map(|v| v.word(&REPLICATE_ORDERS))
            .transpose()?
            .unwrap_or_default(),
        random_order: flag("random_order", rest.random_order)?,
        injections_per_vial: vial.map(|v| v.whole(1, MOST_SAMPLES)).transpose()?,
        columns: columns(&table)?,
        tray: table.get("tray").map(|v| tray(&v)).transpose()?,
    })
}

/// The words of `replicate_order`.
const REPLICATE_ORDERS: [(&str, ReplicateOrder); 2] = [
    ("sequence", ReplicateOrder::Sequence),
    ("spread", ReplicateOrder::Spread),
];

fn template(table: &Table<'_>, key: &str, default: Template) -> Result<Template, FileError> {
    let Some(value) = table.get(key) else {
        return Ok(default);
    };
    Template::parse(value.text("a name with {column} in it")?).map_err(|m| value.error(&m))
}

fn level(value: &Value<'_>, levels: &[Level]) -> Result<String, FileError> {
    let name = value.text("a level of the method")?;
    known_level(name, levels).map_err(|expected| value.found(&expected))
}

/// The level of this name, or what was expected instead.
pub(crate) fn known_level(name: &str, levels: &[Level]) -> Result<String, String> {
    let known = || levels.iter().map(|l| l.name.as_str());
    if known().any(|l| l == name) {
        return Ok(name.to_owned());
    }
    Err(match nearest(name, known()) {
        Some(near) => format!("a level of the method; the nearest is {}", quoted(near)),
        None if levels.is_empty() => "a level, and the method has none".to_owned(),
        None => format!("a level of the method: {}", either(known().take(10))),
    })
}

fn calibrators(table: &Table<'_>, levels: &[Level]) -> Result<Vec<(String, u64)>, FileError> {
    let Some(value) = table.get("calibrators") else {
        return Ok(Vec::new());
    };
    let mut out = Vec::new();
    for (name, times) in value.table(FREE_KEYS)?.entries() {
        let name = known_level(name, levels).map_err(|expected| {
            times.error(&format!("found {}, expected {expected}", quoted(name)))
        })?;
        out.push((name, times.whole(1, MOST_TIMES)?));
    }
    Ok(out)
}

fn standard_levels(table: &Table<'_>, levels: &[Level]) -> Result<Vec<String>, FileError> {
    let Some(value) = table.get("standard_levels") else {
        return Ok(Vec::new());
    };
    let values = value.list("a list of levels")?;
    if values.is_empty() {
        return Err(value.found("at least one level"));
    }
    values.iter().map(|v| level(v, levels)).collect()
}

fn columns(table: &Table<'_>) -> Result<Columns, FileError> {
    let Some(value) = table.get("columns") else {
        return Ok(Columns::default());
    };
    let table = value.table(COLUMN_KEYS)?;
    let column = |key: &str| {
        let text = table.get(key).map(|v| v.text("the name of a column"));
        text.transpose().map(|t| t.map(str::to_owned))
    };
    if let (Some(_), Some(days)) = (table.get("time_h"), table.get("time_d")) {
        return Err(days.error("found a column for time_h as well, expected one of them"));
    }
    Ok(Columns {
        series: column("series")?,
        time_h: column("time_h")?,
        time_d: column("time_d")?,
        dilution: column("dilution")?,
        volume_ul: column("volume_ul")?,
        replicate: column("replicate")?,
        tray: column("tray")?,
        vial: column("vial")?,
    })
}

fn tray(value: &Value<'_>) -> Result<Tray, FileError> {
    const LABELS: [(&str, Labels); 2] =
        [("numbers", Labels::Numbers), ("letters", Labels::Letters)];
    let table = value.table(TRAY_KEYS)?;
    let side = |key: &str, what: &str| table.need(key, what)?.whole(1, MOST_SIDE);
    let mut tray = Tray {
        rows: side("rows", "the rows of a tray")?,
        columns: side("columns", "the places in a row")?,
        trays: table
            .get("trays")
            .map(|v| v.whole(1, MOST_TRAYS))
            .transpose()?
            .unwrap_or(1),
        labels: table
            .get("labels")
            .map(|v| v.word(&LABELS))
            .transpose()?
            .unwrap_or_default(),
        taken: HashSet::new(),
    };
    if let Some(value) = table.get("taken") {
        for value in value.list("a list of places")? {
            // A bare number is a place as well.
            let text = match value.number(Bounds::range(1.0, 1e9, "")) {
                Ok(n) => n.to_string(),
                Err(_) => value.text("a place, as \"A1\"")?.to_owned(),
            };
            let places = tray.read_taken(&text).map_err(|m| value.error(&m))?;
            tray.taken.extend(places);
        }
    }
    Ok(tray)
}

#[cfg(test)]
mod tests;
