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
    let default = Limits::default();
    let Some(value) = root.get("limits") else {
        return Ok(default);
    };
    let table = value.table(KEYS)?;
    let or = |key: &str, bounds: Bounds, default: f64| table.number_or(key, bounds, default);
    let percent = |key: &str, default: f64| or(key, PERCENT, default);
    let limits = Limits {
        blank_noise_mau: or("blank_noise_mau", SIGNAL_MAU, default.blank_noise_mau)?,
        blank_drift_mau_per_h: or(
            "blank_drift_mau_per_h",
            DRIFT_MAU_PER_H,
            default.blank_drift_mau_per_h,
        )?,
        carry_over_percent_of_lowest: percent(
            "carry_over_percent_of_lowest",
            default.carry_over_percent_of_lowest,
        )?,
        recovery_percent: table
            .band("recovery_percent", RECOVERY_PERCENT)?
            .unwrap_or(default.recovery_percent),
        standard_area_drift_percent: percent(
            "standard_area_drift_percent",
            default.standard_area_drift_percent,
        )?,
        retention_shift_percent: percent(
            "retention_shift_percent",
            default.retention_shift_percent,
        )?,
        tailing_max: or(
            "tailing_max",
            Bounds::range(1.0, 100.0, ""),
            default.tailing_max,
        )?,
        plates_min: or(
            "plates_min",
            Bounds::range(0.0, 1e7, ""),
            default.plates_min,
        )?,
        resolution_min: or(
            "resolution_min",
            Bounds::range(0.0, 100.0, ""),
            default.resolution_min,
        )?,
        replicate_rsd_percent: percent("replicate_rsd_percent", default.replicate_rsd_percent)?,
        pressure_normal_mpa: table.band("pressure_normal_mpa", PRESSURE_MPA)?,
        pressure_max_mpa: table.number("pressure_max_mpa", HIGHEST_MPA)?,
        pressure_min_mpa: table.number("pressure_min_mpa", PRESSURE_MPA)?,
        late_trace_min: or(
            "late_trace_min",
            Bounds::range(0.0, 1440.0, "min"),
            default.late_trace_min,
        )?,
        calibration_r2_min: or(
            "calibration_r2_min",
            Bounds::range(0.0, 1.0, ""),
            default.calibration_r2_min,
        )?,
        back_calculated_percent: percent(
            "back_calculated_percent",
            default.back_calculated_percent,
        )?,
        back_calculated_lowest_percent: percent(
            "back_calculated_lowest_percent",
            default.back_calculated_lowest_percent,
        )?,
    };
    pressures(&table, &limits)?;
    Ok(limits)
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
    Ok(())
}
