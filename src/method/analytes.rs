//! The `[[analyte]]` and `[[level]]` tables.

use super::{Analyte, Level, steering};
use crate::config::bounds::Bounds;
use crate::config::error::{FileError, quoted};
use crate::config::table::{Table, Value};
use crate::text::nearest;

pub(super) const KEYS: &[&str] = &[
    "name",
    "retention_min",
    "window_min",
    "unit",
    "molar_mass_g_mol",
    steering::ANALYTE_KEYS[0],
    steering::ANALYTE_KEYS[1],
    steering::ANALYTE_KEYS[2],
    steering::ANALYTE_KEYS[3],
];
pub(super) const LEVEL_KEYS: &[&str] = &["name", "nominal"];
const FREE_KEYS: &[&str] = &[];
const LONGEST_NAME: usize = 100;
/// More analytes or levels than this are no method.
const MOST: usize = 500;

/// Every analyte.
pub(super) fn read_all(root: &Table<'_>) -> Result<Vec<Analyte>, FileError> {
    let value = root.need("analyte", "at least one [[analyte]]")?;
    let values = value.list("[[analyte]] in double brackets")?;
    if values.is_empty() || values.len() > MOST {
        return Err(value.error(&format!(
            "found {}, expected 1 to {MOST} analytes",
            values.len()
        )));
    }
    let mut analytes: Vec<Analyte> = Vec::with_capacity(values.len());
    for value in values {
        let analyte = analyte(&value.table(KEYS)?, &analytes)?;
        analytes.push(analyte);
    }
    Ok(analytes)
}

fn analyte(table: &Table<'_>, earlier: &[Analyte]) -> Result<Analyte, FileError> {
    let name = unique(
        &table.need("name", "the analyte's name")?,
        earlier.iter().map(|a| a.name.as_str()),
        "analyte",
    )?;
    let time = |key: &str, what: &str| {
        table
            .need(key, what)?
            .number(Bounds::above_zero(1440.0, "min"))
    };
    let retention_min = time("retention_min", "the expected retention in min")?;
    let window_min = time("window_min", "the half-width of the search window in min")?;
    if window_min >= retention_min {
        let message = format!(
            "found a window_min of {window_min} at a retention_min of {retention_min}, expected less"
        );
        return Err(table.error(&message));
    }
    Ok(Analyte {
        name,
        retention_min,
        window_min,
        unit: table
            .need("unit", "the unit of its concentrations")?
            .text("a unit")?
            .to_owned(),
        molar_mass_g_mol: table.number("molar_mass_g_mol", Bounds::above_zero(1e6, "g/mol"))?,
        steering: steering::of_analyte(table, retention_min)?,
    })
}

/// Every level, its concentrations in the order of the analytes.
pub(super) fn levels(root: &Table<'_>, analytes: &[Analyte]) -> Result<Vec<Level>, FileError> {
    let Some(value) = root.get("level") else {
        return Ok(Vec::new());
    };
    let values = value.list("[[level]] in double brackets")?;
    if values.len() > MOST {
        return Err(value.error(&format!(
            "found {}, expected at most {MOST} levels",
            values.len()
        )));
    }
    let mut levels: Vec<Level> = Vec::with_capacity(values.len());
    for value in values {
        let table = value.table(LEVEL_KEYS)?;
        let name_value = table.need("name", "the level's name")?;
        let name = unique(&name_value, levels.iter().map(|l| l.name.as_str()), "level")?;
        let nominal = nominal(
            &table.need("nominal", "{ \"analyte\" = concentration }")?,
            analytes,
        )?;
        levels.push(Level { name, nominal });
    }
    Ok(levels)
}

fn nominal(value: &Value<'_>, analytes: &[Analyte]) -> Result<Vec<Option<f64>>, FileError> {
    let mut nominal = vec![None; analytes.len()];
    for (name, value) in value.table(FREE_KEYS)?.entries() {
        let index = analytes.iter().position(|a| a.name == name);
        let Some(slot) = index.and_then(|i| nominal.get_mut(i)) else {
            let mut message = "found no analyte of this name".to_owned();
            if let Some(near) = nearest(name, analytes.iter().map(|a| a.name.as_str())) {
                message.push_str(&format!(", the nearest is {}", quoted(near)));
            }
            return Err(value.error(&message));
        };
        // What a level does not contain is left out: 0 would make every recovery infinite.
        *slot = Some(value.number(Bounds::above_zero(1e12, "in the analyte's unit"))?);
    }
    if nominal.iter().all(Option::is_none) {
        return Err(value.error("found no analyte, expected the concentration of at least one"));
    }
    Ok(nominal)
}

/// A name that none before it has, whatever its capitals: in a sheet they would look alike.
fn unique<'a>(
    value: &Value<'_>,
    mut earlier: impl Iterator<Item = &'a str>,
    what: &str,
) -> Result<String, FileError> {
    let name = value.text("a name")?;
    if name.len() > LONGEST_NAME {
        return Err(value.found(&format!("a name of at most {LONGEST_NAME} bytes")));
    }
    if earlier.any(|e| e.to_lowercase() == name.to_lowercase()) {
        return Err(value.found(&format!("a name that no other {what} has")));
    }
    Ok(name.to_owned())
}
