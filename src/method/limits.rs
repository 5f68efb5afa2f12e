//! The `[limits]` table. The ranges only keep slips of the keyboard out (common practice, no source).

use super::Limits;
use crate::config::bounds::Bounds;
use crate::config::error::FileError;
use crate::config::table::Table;

pub(super) const KEYS: &[&str] = &[
    "blank_noise_mau",
    "blank_drift_mau_per_h",
    "carry_over_percent_of_lowest",
    "recovery_percent",
    "standard_area_drift_percent",
    "retention_shift_percent",
    "tailing_max",
    "plates_min",
    "resolution_min",
    "replicate_rsd_percent",
    "pressure_normal_mpa",
    "pressure_max_mpa",
    "pressure_min_mpa",
    "late_trace_min",
    "calibration_r2_min",
    "back_calculated_percent",
    "back_calculated_lowest_percent",
];

const SIGNAL_MAU: Bounds = Bounds::above_zero(1e9, "mAU");
const DRIFT_MAU_PER_H: Bounds = Bounds::above_zero(1e9, "mAU/h");
const PERCENT: Bounds = Bounds::above_zero(1000.0, "%");
const RECOVERY_PERCENT: Bounds = Bounds::range(0.0, 1000.0, "%");
const PRESSURE_MPA: Bounds = Bounds::range(0.0, 200.0, "MPa");
const HIGHEST_MPA: Bounds = Bounds::above_zero(200.0, "MPa");

/// The limits given, the rest at their defaults.
pub(super) fn read(root: &Table<'_>) -> Result<Limits, FileError> {
    let Some(value) = root.get("limits") else {
        return Ok(Limits::default());
    };
    let table = value.table(KEYS)?;
    let limits = instrument(&table, peaks(&table, Limits::default())?)?;
    pressures(&table, &limits)?;
    Ok(limits)
}

/// Blanks, standards, replicates.
fn peaks(table: &Table<'_>, rest: Limits) -> Result<Limits, FileError> {
    let or = |key: &str, bounds: Bounds, default: f64| table.number_or(key, bounds, default);
    let percent = |key: &str, default: f64| or(key, PERCENT, default);
    let recovery = table.band("recovery_percent", RECOVERY_PERCENT)?;
    Ok(Limits {
        blank_noise_mau: or("blank_noise_mau", SIGNAL_MAU, rest.blank_noise_mau)?,
        blank_drift_mau_per_h: or(
            "blank_drift_mau_per_h",
            DRIFT_MAU_PER_H,
            rest.blank_drift_mau_per_h,
        )?,
        carry_over_percent_of_lowest: percent(
            "carry_over_percent_of_lowest",
            rest.carry_over_percent_of_lowest,
        )?,
        recovery_percent: recovery.unwrap_or(rest.recovery_percent),
        standard_area_drift_percent: percent(
            "standard_area_drift_percent",
            rest.standard_area_drift_percent,
        )?,
        retention_shift_percent: percent("retention_shift_percent", rest.retention_shift_percent)?,
        tailing_max: or(
            "tailing_max",
            Bounds::range(1.0, 100.0, ""),
            rest.tailing_max,
        )?,
        plates_min: or("plates_min", Bounds::range(0.0, 1e7, ""), rest.plates_min)?,
        resolution_min: or(
            "resolution_min",
            Bounds::range(0.0, 100.0, ""),
            rest.resolution_min,
        )?,
        replicate_rsd_percent: percent("replicate_rsd_percent", rest.replicate_rsd_percent)?,
        ..rest
    })
}

/// Pressure, pace, calibration.
fn instrument(table: &Table<'_>, rest: Limits) -> Result<Limits, FileError> {
    let or = |key: &str, bounds: Bounds, default: f64| table.number_or(key, bounds, default);
    let lowest = or(
        "back_calculated_lowest_percent",
        PERCENT,
        rest.back_calculated_lowest_percent,
    )?;
    Ok(Limits {
        pressure_normal_mpa: table.band("pressure_normal_mpa", PRESSURE_MPA)?,
        pressure_max_mpa: table.number("pressure_max_mpa", HIGHEST_MPA)?,
        pressure_min_mpa: table.number("pressure_min_mpa", PRESSURE_MPA)?,
        late_trace_min: or(
            "late_trace_min",
            Bounds::range(0.0, 1440.0, "min"),
            rest.late_trace_min,
        )?,
        calibration_r2_min: or(
            "calibration_r2_min",
            Bounds::range(0.0, 1.0, ""),
            rest.calibration_r2_min,
        )?,
        back_calculated_percent: or(
            "back_calculated_percent",
            PERCENT,
            rest.back_calculated_percent,
        )?,
        back_calculated_lowest_percent: lowest,
        ..rest
    })
}

/// The pressure limits stand in order.
fn pressures(table: &Table<'_>, limits: &Limits) -> Result<(), FileError> {
    if let (Some(low), Some(high)) = (limits.pressure_min_mpa, limits.pressure_max_mpa)
        && low >= high
    {
        let message = format!(
            "found a pressure_min_mpa of {low} and a pressure_max_mpa of {high}, expected the minimum below the maximum"
        );
        return Err(table.error(&message));
    }
    if let (Some([low, high]), Some(highest)) =
        (limits.pressure_normal_mpa, limits.pressure_max_mpa)
        && highest < high
    {
        let message = format!(
            "found a pressure_normal_mpa from {low} to {high} and a pressure_max_mpa of {highest}, expected the normal band below the maximum"
        );
        return Err(table.error(&message));
    }
    Ok(())
}
