//! What the columns of a sample sheet mean.

use crate::config::bounds::Bounds;
use crate::config::error::FileError;
use crate::method::plan::{Columns, Plan};
use crate::runlist::cells::{DECIMAL_COMMAS, Notes, decimal};
use crate::runlist::{DILUTION, Kind, Mangled, TIME_H, VOLUME_UL, has_column};

use super::sheet::{Row, Sheet, shown};

/// Days that a time in a series may have, so that its hours fit a run list.
const TIME_D: Bounds = Bounds::range(-41_666.0, 41_666.0, "d");
const HOURS_IN_A_DAY: f64 = 24.0;

/// One row of the sheet, understood.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sample {
    /// Index of its row in the sheet.
    pub row: usize,
    /// What is followed over time; empty: none.
    pub series: String,
    /// Time in the series, h.
    pub time_h: Option<f64>,
    /// Total dilution of what is in the vial.
    pub dilution: f64,
    /// Injected volume, µL; `None`: that of the method.
    pub volume_ul: Option<f64>,
    /// Replicate as the sheet has it; empty: none.
    pub replicate: String,
    /// Tray of a vial that stands already; empty: not said.
    pub tray: String,
    /// Place of a vial that stands already; empty: not said.
    pub vial: String,
    /// What is kept as it is, in the order of [`Samples::extra`].
    pub extra: Vec<String>,
}

/// All rows of a sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Samples {
    /// In the order of the sheet.
    pub all: Vec<Sample>,
    /// Names of the columns that are kept as they are.
    pub extra: Vec<String>,
    /// Things read as meant, or worth a look.
    pub notes: Vec<String>,
    /// Place of the column `vial`.
    pub vial_column: Option<usize>,
    /// Place of the column `tray`.
    pub tray_column: Option<usize>,
    /// The sheet has a column for series.
    pub has_series: bool,
    /// Place of the column `replicate`.
    pub replicate_column: Option<usize>,
}

/// Places of the columns that mean something.
struct Places {
    series: Option<usize>,
    time_h: Option<usize>,
    time_d: Option<usize>,
    dilution: Option<usize>,
    volume_ul: Option<usize>,
    replicate: Option<usize>,
    tray: Option<usize>,
    vial: Option<usize>,
}

impl Places {
    fn find(sheet: &Sheet, columns: &Columns) -> Result<Places, FileError> {
        let place = |key: &str, named: &Option<String>| match named {
            Some(name) => sheet.need(name, key).map(Some),
            None => Ok(sheet.column(key)),
        };
        let mut places = Places {
            series: place("series", &columns.series)?,
            time_h: place("time_h", &columns.time_h)?,
            time_d: place("time_d", &columns.time_d)?,
            dilution: place("dilution", &columns.dilution)?,
            volume_ul: place("volume_ul", &columns.volume_ul)?,
            replicate: place("replicate", &columns.replicate)?,
            tray: place("tray", &columns.tray)?,
            vial: place("vial", &columns.vial)?,
        };
        // What was asked for by name goes before a column that happens to be there.
        if columns.time_d.is_some() {
            places.time_h = None;
        } else if places.time_h.is_some() {
            places.time_d = None;
        }
        Ok(places)
    }

    /// Copied into the run list's own columns, so that they need not be kept beside.
    fn copied(&self) -> [Option<usize>; 7] {
        [
            self.series,
            self.time_h,
            self.dilution,
            self.volume_ul,
            self.replicate,
            self.tray,
            self.vial,
        ]
    }
}

/// Reads every row by the rules of the method.
///
/// # Errors
/// A column that the rules name is not there, or a cell holds what it cannot: with line and column.
pub fn read(sheet: &Sheet, rules: &Plan) -> Result<Samples, FileError> {
    let places = Places::find(sheet, &rules.columns)?;
    let (kept, mut notes) = kept(sheet, rules, &places);
    no_controls(sheet)?;
    let (mut said, mut mangled) = (Notes::default(), Mangled::default());
    let names = naming_columns(sheet, rules, &places);
    let mut all = Vec::with_capacity(sheet.rows.len());
    for (k, row) in sheet.rows.iter().enumerate() {
        for column in &names {
            let name = sheet.columns.get(*column).map_or("", String::as_str);
            mangled.look(&shown(name), row.line, sheet.cell(row, Some(*column)));
        }
        let text = |place: Option<usize>| sheet.cell(row, place).to_owned();
        let mut number = |place, bounds| number(sheet, row, place, bounds, &mut said);
        let time_h = match number(places.time_d, TIME_D)? {
            Some(days) => Some(days * HOURS_IN_A_DAY),
            None => number(places.time_h, TIME_H)?,
        };
        all.push(Sample {
            row: k,
            series: text(places.series),
            time_h,
            dilution: number(places.dilution, DILUTION)?.unwrap_or(1.0),
            volume_ul: number(places.volume_ul, VOLUME_UL)?,
            replicate: text(places.replicate),
            tray: text(places.tray),
            vial: text(places.vial),
            extra: kept.iter().map(|c| text(Some(*c))).collect(),
        });
    }
    notes.extend(said.into_texts());
    notes.extend(mangled.into_texts());
    let name = |c: &usize| sheet.columns.get(*c).cloned().unwrap_or_default();
    Ok(Samples {
        all,
        extra: kept.iter().map(name).collect(),
        notes,
        vial_column: places.vial,
        tray_column: places.tray,
        has_series: places.series.is_some(),
        replicate_column: places.replicate,
    })
}

/// A row that calls itself a blank or standard is none of the samples: the plan places those.
fn no_controls(sheet: &Sheet) -> Result<(), FileError> {
    let Some(column) = sheet.column("kind") else {
        return Ok(());
    };
    let other = |kind: Kind| kind != Kind::Sample;
    let wrong = sheet
        .rows
        .iter()
        .find(|row| Kind::parse(sheet.cell(row, Some(column))).is_some_and(other));
    wrong.map_or(Ok(()), |row| {
        let expected = "sample or an empty cell: the plan places blanks, standards, calibrators and conditioning itself";
        Err(sheet.found(row, column, expected))
    })
}

/// Columns that go into the run list as they are, and what is said of those that cannot: the run list has its own.
fn kept(sheet: &Sheet, rules: &Plan, places: &Places) -> (Vec<usize>, Vec<String>) {
    let copied = places.copied();
    let fields = rules.name.fields().chain(rules.file.fields());
    let in_names: Vec<String> = fields.map(str::to_lowercase).collect();
    let (mut kept, mut notes) = (Vec::new(), Vec::new());
    for (c, name) in sheet.columns.iter().enumerate() {
        if name.is_empty() || copied.contains(&Some(c)) {
            continue;
        }
        let lower = name.to_lowercase();
        if !has_column(&lower) {
            kept.push(c);
        } else if !in_names.contains(&lower) {
            notes.push(format!(
                "column {} is left out: a plan makes that column of the run list itself",
                shown(name)
            ));
        }
    }
    (kept, notes)
}

/// Columns that name something, without those that are meant to hold dates.
fn naming_columns(sheet: &Sheet, rules: &Plan, places: &Places) -> Vec<usize> {
    let fields = rules.name.fields().chain(rules.file.fields());
    let mut out: Vec<usize> = fields.filter_map(|f| sheet.column(f)).collect();
    out.extend(
        [places.series, places.replicate, places.vial]
            .into_iter()
            .flatten(),
    );
    out.sort_unstable();
    out.dedup();
    out.retain(|c| {
        let name = sheet.columns.get(*c).map(|n| n.to_lowercase());
        name.is_some_and(|n| !n.contains("date") && !n.contains("datum"))
    });
    out
}

fn number(
    sheet: &Sheet,
    row: &Row,
    place: Option<usize>,
    bounds: Bounds,
    notes: &mut Notes,
) -> Result<Option<f64>, FileError> {
    let text = sheet.cell(row, place);
    let Some(column) = place.filter(|_| !text.is_empty()) else {
        return Ok(None);
    };
    let (number, comma) = decimal(text, sheet.comma_delimits);
    let number = number
        .filter(|n| bounds.hold(*n))
        .ok_or_else(|| sheet.found(row, column, &bounds.words()))?;
    if comma {
        notes.add(row.line, DECIMAL_COMMAS);
    }
    Ok(Some(number))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn samples(text: &str, change: impl FnOnce(&mut Plan)) -> Result<Samples, String> {
        let sheet = Sheet::parse(text.as_bytes(), Path::new("s.csv")).unwrap();
        let mut rules = Plan::default();
        change(&mut rules);
        read(&sheet, &rules).map_err(|e| e.to_string())
    }

    #[test]
    fn columns_are_found_by_name_in_any_case() {
        let read = samples(
            "Name;Series;TIME_H;Dilution;Volume_uL;place\nx;A;24,5;10;;bench 3\n",
            |_| {},
        )
        .unwrap();
        let expected = Sample {
            series: "A".to_owned(),
            time_h: Some(24.5),
            dilution: 10.0,
            extra: vec!["bench 3".to_owned()],
            ..Sample::default()
        };
        assert_eq!(read.all, [expected]);
        assert_eq!(read.extra, ["place"]);
        assert_eq!(
            read.notes,
            ["decimal commas are read as decimal points (line 2)"]
        );
    }

    #[test]
    fn days_become_hours() {
        let days = |rules: &mut Plan| rules.columns.time_d = Some("day".to_owned());
        let read = samples("name,day,time_h\nx,3,nonsense\n", days).unwrap();
        assert_eq!(read.all[0].time_h, Some(72.0));
    }

    #[test]
    fn what_is_no_number_is_told_with_line_and_column() {
        for (cell, found) in [
            ("-10", "\"-10\""),
            ("0", "\"0\""),
            ("ten", "\"ten\""),
            ("1:10", "\"1:10\""),
            ("\"1,5\"", "\"1,5\""),
        ] {
            let message = samples(&format!("name,dilution\nx,2\ny,{cell}\n"), |_| {}).unwrap_err();
            assert_eq!(
                message,
                format!(
                    "s.csv:3: column dilution: found {found}, expected a number above 0 and at most 1000000000"
                )
            );
        }
        let message = samples("name,time_h\nx,02. Jan\n", |_| {}).unwrap_err();
        assert_eq!(
            message,
            "s.csv:2: column time_h: found \"02. Jan\", expected a number from -1000000 to 1000000 h"
        );
    }

    #[test]
    fn a_column_that_is_asked_for_must_be_there() {
        let series = |rules: &mut Plan| rules.columns.series = Some("crok".to_owned());
        assert_eq!(
            samples("name,crock\nx,A\n", series).unwrap_err(),
            "s.csv:1: found no column \"crok\" for series, expected one of \"name\" or \"crock\"; the nearest is \"crock\""
        );
    }

    #[test]
    fn mangled_names_are_kept_and_told() {
        let read = samples(
            "name,sampling date,kind\n02. Jan,2026-01-02,sample\n1-3,2026-01-03,sample\n",
            |_| {},
        )
        .unwrap();
        assert_eq!(
            read.notes,
            [
                "column kind is left out: a plan makes that column of the run list itself",
                "column name: \"02. Jan\" looks like a name that a spreadsheet program made a date of; it is kept as it stands (line 2)",
            ]
        );
        assert_eq!(read.extra, ["sampling date"]);
        let other =
            |rules: &mut Plan| rules.name = super::super::template::Template::field("crock");
        assert_eq!(
            samples("name,crock\na,A\n", other).unwrap().notes,
            ["column name is left out: a plan makes that column of the run list itself"]
        );
    }
}
