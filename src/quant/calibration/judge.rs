//! Does a calibration meet its limits?

use super::Calibration;
use crate::method::Limits;
use crate::quant::curve::Curve;
use crate::text::significant;

/// Which limit was missed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// The coefficient of determination is too low.
    R2,
    /// A level's back-calculated error is too large.
    BackCalculated,
}

/// One limit that a calibration misses.
#[derive(Debug, Clone, PartialEq)]
pub struct Miss {
    /// Name of the analyte.
    pub analyte: String,
    /// Which limit.
    pub what: What,
    /// Name of the level, where one is at fault.
    pub level: Option<String>,
    /// What was found: R², or the error in %, signed.
    pub measured: f64,
    /// The limit: R² at least, or the error at most, %, either way.
    pub limit: f64,
    /// `%`, or empty for R².
    pub unit: &'static str,
    /// All of it in words.
    pub message: String,
}

impl Calibration {
    /// The limits that are missed, by analyte in order; empty: acceptable. Met exactly is met.
    ///
    /// The error of a level is that of the mean of its replicates. `back_calculated_lowest_percent` holds for the lowest
    /// level above zero (ICH M10 3.2.4 taken as a model); a level at zero has no relative error and is not judged.
    pub fn acceptable(&self, limits: &Limits) -> Vec<Miss> {
        self.curves
            .iter()
            .flat_map(|curve| misses(curve, limits))
            .collect()
    }
}

fn misses(curve: &Curve, limits: &Limits) -> Vec<Miss> {
    let mut out = Vec::new();
    let (r2, r2_min) = (curve.r2(), limits.calibration_r2_min);
    if r2 < r2_min {
        out.push(Miss {
            analyte: curve.analyte.clone(),
            what: What::R2,
            level: None,
            measured: r2,
            limit: r2_min,
            unit: "",
            message: format!(
                "{}: R² is {}, at least {} is asked",
                curve.analyte,
                below(r2, r2_min),
                significant(r2_min, 6)
            ),
        });
    }
    for level in &curve.levels {
        let Some(error) = level.error_percent else {
            continue;
        };
        let lowest = level.nominal == curve.lowest;
        let limit = if lowest {
            limits.back_calculated_lowest_percent
        } else {
            limits.back_calculated_percent
        };
        // An error that is no number (a parabola without an answer there) is no pass.
        if error.abs() <= limit {
            continue;
        }
        let which = if lowest { "lowest level" } else { "level" };
        out.push(Miss {
            analyte: curve.analyte.clone(),
            what: What::BackCalculated,
            level: Some(level.level.clone()),
            measured: error,
            limit,
            unit: "%",
            message: format!(
                "{}: {which} `{}` ({} {unit}) is back-calculated as {} {unit}, {} % off; at most {} % is allowed",
                curve.analyte,
                level.level,
                significant(level.nominal, 6),
                significant(level.back_calculated, 4),
                signed(error),
                significant(limit, 4),
                unit = curve.unit,
            ),
        });
    }
    out
}

fn signed(percent: f64) -> String {
    if percent > 0.0 {
        format!("+{}", significant(percent, 3))
    } else {
        significant(percent, 3)
    }
}

/// A value with enough digits to be seen below its limit.
fn below(value: f64, limit: f64) -> String {
    (4..17)
        .map(|d| significant(value, d))
        .find(|t| t.parse::<f64>().is_ok_and(|v| v < limit))
        .unwrap_or_else(|| value.to_string())
}
