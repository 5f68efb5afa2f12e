//! One row of a run list becomes an injection.

use super::cells::{Notes, Row};
use super::header::Column;
use super::{Injection, Kind, Mangled, stem};
use crate::config::bounds::Bounds;
use crate::config::error::{FileError, quoted};
use crate::text::nearest;

/// Highest position: far beyond any queue, and far from where counting could overflow.
const LAST_POSITION: f64 = 1e9;
// The upper ends only keep slips of the keyboard out (common practice, no source).
const POSITION: Bounds = Bounds::range(1.0, LAST_POSITION, "");
pub(crate) const VOLUME_UL: Bounds = Bounds::above_zero(1e6, "µL");
pub(crate) const DILUTION: Bounds = Bounds::above_zero(1e9, "");
pub(crate) const TIME_H: Bounds = Bounds::range(-1e6, 1e6, "h");

/// Reads a row; `next_position` serves a list without a column `position`.
pub(super) fn injection(
    row: &Row<'_>,
    next_position: u64,
    notes: &mut Notes,
    mangled: &mut Mangled,
) -> Result<Injection, FileError> {
    cells_fit(row, notes)?;
    for column in [Column::Name, Column::File, Column::Series] {
        mangled.look(column.name(), row.line, row.text(column)?);
    }
    let owned = |column: Column| row.text(column).map(str::to_owned);
    let stem = file_stem(row)?;
    let name = owned(Column::Name)?;
    Ok(Injection {
        position: position(row, next_position, notes)?,
        tray: owned(Column::Tray)?,
        vial: owned(Column::Vial)?,
        kind: kind(row)?,
        name: if name.is_empty() { stem.clone() } else { name },
        stem,
        volume_ul: row.number(Column::VolumeUl, VOLUME_UL, notes)?,
        dilution: row
            .number(Column::Dilution, DILUTION, notes)?
            .unwrap_or(1.0),
        level: owned(Column::Level)?,
        series: owned(Column::Series)?,
        time_h: row.number(Column::TimeH, TIME_H, notes)?,
        replicate: owned(Column::Replicate)?,
        extra: extra(row, notes),
    })
}

/// Every cell that holds something stands under a name.
fn cells_fit(row: &Row<'_>, notes: &mut Notes) -> Result<(), FileError> {
    let width = row.header.width;
    for (place, cell) in row.record.iter().enumerate() {
        if cell.trim().is_empty() || row.header.is_named(place) {
            continue;
        }
        let cell = quoted(cell.trim());
        return Err(row.error(if place < width {
            format!("column {}: found {cell}, expected a name for this column in the header", place + 1)
        } else {
            let cells = row.record.len();
            format!("found {cells} cells with {cell} in cell {}, expected {width} cells as in the header", place + 1)
        }));
    }
    if row.record.len() < width {
        notes.add(
            row.line,
            "cells that are missing at a row's end are read as empty",
        );
    }
    Ok(())
}

fn position(row: &Row<'_>, next: u64, notes: &mut Notes) -> Result<u64, FileError> {
    const EXPECTED: &str = "a whole number from 1 to 1000000000";
    if row.header.place(Column::Position).is_none() {
        return Ok(next);
    }
    let text = row.text(Column::Position)?;
    let number = row
        .number(Column::Position, POSITION, notes)
        .ok()
        .flatten()
        .filter(|n| n.fract() == 0.0);
    number
        .map(|n| n as u64)
        .ok_or_else(|| row.found(Column::Position, text, EXPECTED))
}

fn kind(row: &Row<'_>) -> Result<Kind, FileError> {
    let text = row.text(Column::Kind)?;
    Kind::parse(text).ok_or_else(|| {
        let words = Kind::ALL.map(Kind::word);
        let mut expected = "blank, standard, calibrator, sample or conditioning".to_owned();
        if let Some(near) = nearest(&text.to_lowercase(), words).filter(|_| !text.is_empty()) {
            expected.push_str(&format!("; the nearest is {near}"));
        }
        row.found(Column::Kind, text, &expected)
    })
}

fn file_stem(row: &Row<'_>) -> Result<String, FileError> {
    let text = row.text(Column::File)?;
    let stem = stem(text).trim();
    if stem.is_empty() {
        return Err(row.found(Column::File, text, "the name of a trace's file"));
    }
    Ok(stem.to_owned())
}

fn extra(row: &Row<'_>, notes: &mut Notes) -> Vec<String> {
    let cell = |(name, place): &(String, usize)| {
        let cell = super::cells::plain(row.record.get(*place).unwrap_or_default());
        if cell.contains('\n') {
            notes.add(
                row.line,
                &format!("a cell of column {} goes over several lines", quoted(name)),
            );
        }
        cell.to_owned()
    };
    row.header.extra.iter().map(cell).collect()
}
