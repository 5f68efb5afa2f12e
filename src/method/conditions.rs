//! The `[conditions]`, `[column]` and `[eluent]` tables. The upper ends of the ranges only keep slips of the
//! keyboard out (common practice, no source).

use super::{Analyte, Column, Conditions, Eluent};
use crate::config::bounds::Bounds;
use crate::config::error::{FileError, quoted};
use crate::config::table::Table;

pub(super) const KEYS: &[&str] = &[
    "run_time_min",
    "overhead_min",
    "flow_ml_min",
    "injection_ul",
    "wavelength_nm",
    "oven_c",
    "detector_max_mau",
    "peak_width_s",
    "dead_time_min",
];
pub(super) const COLUMN_KEYS: &[&str] =
    &["length_mm", "inner_diameter_mm", "particle_um", "porosity"];
pub(super) const ELUENT_KEYS: &[&str] = &[
    "name",
    "bottle_ml",
    "reserve_ml",
    "waste_free_ml",
    "bottle",
    "viscosity_mpa_s",
];
const VOLUME_ML: Bounds = Bounds::range(0.0, 1e6, "mL");

/// How the separation is run.
pub(super) fn read(root: &Table<'_>, analytes: &[Analyte]) -> Result<Conditions, FileError> {
    let table = root
        .need("conditions", "a table with run_time_min")?
        .table(KEYS)?;
    let run_time = table.need("run_time_min", "the length of a run")?;
    let run_time_min = run_time.number(Bounds::above_zero(1440.0, "min"))?;
    // A run that is over before a peak can come would refuse every trace.
    if let Some(late) = analytes.iter().find(|a| a.retention_min >= run_time_min) {
        let (name, end) = (
            quoted(&late.name),
            crate::text::significant(late.retention_min, 6),
        );
        return Err(run_time.found(&format!("more than {end} min, the retention of {name}")));
    }
    Ok(Conditions {
        run_time_min,
        overhead_min: table.number_or("overhead_min", Bounds::range(0.0, 1440.0, "min"), 0.0)?,
        flow_ml_min: table.number("flow_ml_min", Bounds::above_zero(100.0, "mL/min"))?,
        injection_ul: table.number("injection_ul", Bounds::above_zero(1e5, "µL"))?,
        wavelength_nm: table.number("wavelength_nm", Bounds::range(100.0, 2000.0, "nm"))?,
        oven_c: table.number("oven_c", Bounds::range(-20.0, 300.0, "°C"))?,
        detector_max_mau: table.number("detector_max_mau", Bounds::above_zero(1e9, "mAU"))?,
        peak_width_s: table.number("peak_width_s", Bounds::above_zero(3600.0, "s"))?,
        dead_time_min: dead_time(&table, analytes)?,
    })
}

/// Before every analyte: nothing comes out earlier than what is not held back.
fn dead_time(table: &Table<'_>, analytes: &[Analyte]) -> Result<Option<f64>, FileError> {
    let Some(value) = table.get("dead_time_min") else {
        return Ok(None);
    };
    let dead_time_min = value.number(Bounds::above_zero(1440.0, "min"))?;
    if let Some(early) = analytes.iter().find(|a| a.retention_min < dead_time_min) {
        let (name, at) = (
            quoted(&early.name),
            crate::text::significant(early.retention_min, 6),
        );
        return Err(value.found(&format!("at most {at} min, the retention of {name}")));
    }
    Ok(Some(dead_time_min))
}

/// The column, where described.
pub(super) fn column(root: &Table<'_>) -> Result<Option<Column>, FileError> {
    let Some(value) = root.get("column") else {
        return Ok(None);
    };
    let table = value.table(COLUMN_KEYS)?;
    Ok(Some(Column {
        length_mm: table.number("length_mm", Bounds::above_zero(10_000.0, "mm"))?,
        inner_diameter_mm: table.number("inner_diameter_mm", Bounds::above_zero(1000.0, "mm"))?,
        particle_um: table.number("particle_um", Bounds::above_zero(1000.0, "µm"))?,
    }))
}

/// The eluent and its containers, where described.
pub(super) fn eluent(root: &Table<'_>) -> Result<Option<Eluent>, FileError> {
    let Some(value) = root.get("eluent") else {
        return Ok(None);
    };
    let table = value.table(ELUENT_KEYS)?;
    let eluent = Eluent {
        name: table
            .get("name")
            .map(|v| v.text("the eluent's name"))
            .transpose()?
            .map(str::to_owned),
        bottle_ml: table.number("bottle_ml", Bounds::above_zero(1e6, "mL"))?,
        reserve_ml: table.number("reserve_ml", VOLUME_ML)?,
        waste_free_ml: table.number("waste_free_ml", VOLUME_ML)?,
    };
    if let (Some(bottle), Some(reserve)) = (eluent.bottle_ml, eluent.reserve_ml)
        && reserve >= bottle
    {
        let message =
            format!("found a reserve_ml of {reserve} in a bottle_ml of {bottle}, expected less");
        return Err(table.error(&message));
    }
    Ok(Some(eluent))
}
