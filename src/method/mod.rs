//! The method: what is analysed, under which conditions, and within which limits a result can be trusted.
//!
//! This file holds the checked values; [`mod@file`] reads them from TOML. Limits left out take the defaults
//! given here, in one place.

mod analytes;
mod conditions;
pub mod file;
mod limits;
pub mod plan;
mod program;
mod pumping;
mod steering;

pub use plan::Plan;
pub use program::Program;
pub use pumping::{Bottle, Phase, Pumping};
pub use steering::{Area, Integration, Span, Steering};

/// A checked method. Every number is finite and in its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Method {
    /// Free text.
    pub name: String,
    /// How the separation is run.
    pub conditions: Conditions,
    /// The column, where described.
    pub column: Option<Column>,
    /// The eluent and its containers, where described.
    pub eluent: Option<Eluent>,
    /// How it is pumped, and how vials are drawn from.
    pub pumping: Pumping,
    /// At least one; names are unique.
    pub analytes: Vec<Analyte>,
    /// What standards and calibrators contain; names are unique.
    pub levels: Vec<Level>,
    /// Tolerances.
    pub limits: Limits,
    /// How calibrators are fitted.
    pub fit: Fit,
    /// Where the 95 % intervals of samples take the scatter of an injection from.
    pub scatter: ScatterOf,
    /// How samples are read off the curve.
    pub quantify: Quantify,
    /// What is ordered for the integration.
    pub integration: Integration,
    /// By which rules sample sheets become run lists.
    pub plan: Plan,
    /// SHA-256 of the file's bytes, hex: the provenance of every number made with it.
    pub sha256: String,
}

/// What shows how areas scatter from injection to injection.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ScatterOf {
    /// The calibrators about their curve.
    #[default]
    Calibrators,
    /// These, pooled with the queue's standards about their own means: an interval that follows the night.
    Standards,
}

/// How a sample's area becomes an amount.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Quantify {
    /// By the calibration curve as it is.
    #[default]
    Curve,
    /// By the curve, after the response factor between the checkpoints on both sides has set the area right.
    Bracketing,
}

impl Quantify {
    /// The word in the method, and in the sheet beside the calibration's name.
    pub const fn word(self) -> &'static str {
        match self {
            Quantify::Curve => "curve",
            Quantify::Bracketing => "bracketing",
        }
    }
}

/// How the separation is run.
#[derive(Debug, Clone, PartialEq)]
pub struct Conditions {
    /// Length of a run, min.
    pub run_time_min: f64,
    /// Time between the end of one run and the start of the next (injection, needle wash), min. Default 0.
    pub overhead_min: f64,
    /// Flow, mL/min.
    pub flow_ml_min: Option<f64>,
    /// The injection volume for which the calibration holds, µL.
    pub injection_ul: Option<f64>,
    /// Detector wavelength, nm.
    pub wavelength_nm: Option<f64>,
    /// Column oven, °C.
    pub oven_c: Option<f64>,
    /// Where the detector cannot read higher, mAU; left out: only a flat top tells.
    pub detector_max_mau: Option<f64>,
    /// Usual full width of a peak at half height, s; left out: estimated from the trace.
    pub peak_width_s: Option<f64>,
    /// Time of what the column does not hold back, min: retention factors are told with it.
    pub dead_time_min: Option<f64>,
}

/// The column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Length, mm.
    pub length_mm: Option<f64>,
    /// Inner diameter, mm.
    pub inner_diameter_mm: Option<f64>,
    /// Particle size, µm.
    pub particle_um: Option<f64>,
}

/// The mobile phase and its containers.
#[derive(Debug, Clone, PartialEq)]
pub struct Eluent {
    /// Free text.
    pub name: Option<String>,
    /// Filling of the bottle at the start, mL.
    pub bottle_ml: Option<f64>,
    /// What must stay in the bottle, mL.
    pub reserve_ml: Option<f64>,
    /// Room in the waste container at the start, mL.
    pub waste_free_ml: Option<f64>,
}

/// One compound that is reported.
#[derive(Debug, Clone, PartialEq)]
pub struct Analyte {
    /// Its name, as columns and run lists spell it.
    pub name: String,
    /// Expected retention, min.
    pub retention_min: f64,
    /// Half-width of the search window, min.
    pub window_min: f64,
    /// Unit of its concentrations, free text.
    pub unit: String,
    /// Molar mass, g/mol.
    pub molar_mass_g_mol: Option<f64>,
    /// What is ordered for its peak.
    pub steering: Steering,
}

/// What a standard or calibrator of this name contains.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// As the run list's `level` column names it.
    pub name: String,
    /// Nominal concentration in the vial for each analyte of the method (same order), in the analyte's unit;
    /// `None`: the level does not contain it.
    pub nominal: Vec<Option<f64>>,
}

/// How calibrators are fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Weights of the least squares.
    pub weight: Weight,
    /// Curve through the origin.
    pub through_zero: bool,
    /// Straight or curved.
    pub degree: Degree,
}

/// Highest power of the concentration in a calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Degree {
    /// area = b₀ + b₁c
    #[default]
    Straight,
    /// area = b₀ + b₁c + b₂c²
    Quadratic,
}

/// Weights of a calibration's least squares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub enum Weight {
    /// All points alike.
    #[serde(rename = "1")]
    One,
    /// 1/x: scatter grows with the root of the amount.
    #[serde(rename = "1/x")]
    #[default]
    InverseX,
    /// 1/x²: scatter grows with the amount.
    #[serde(rename = "1/x2")]
    InverseX2,
}

/// Tolerances of the checks. The defaults are those of the contract's sample method; each is a house limit
/// (common practice, no source) that a laboratory should set by its own validation.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Short-term noise of a blank, peak to peak, mAU.
    pub blank_noise_mau: f64,
    /// Drift of a blank's baseline, mAU/h, either way.
    pub blank_drift_mau_per_h: f64,
    /// A blank's response in an analyte's window, % of the lowest calibrator's.
    pub carry_over_percent_of_lowest: f64,
    /// Recovery of a standard, %: lowest and highest that pass.
    pub recovery_percent: [f64; 2],
    /// Change of a standard's area against the queue's first of its level, %, either way.
    pub standard_area_drift_percent: f64,
    /// Distance of a peak from its expected place, % of the retention, either way.
    pub retention_shift_percent: f64,
    /// Symmetry factor of a standard's peaks, at most.
    pub tailing_max: f64,
    /// Plate number of a standard's peaks, at least.
    pub plates_min: f64,
    /// Resolution of a standard's peaks, at least.
    pub resolution_min: f64,
    /// Relative standard deviation of replicates, %.
    pub replicate_rsd_percent: f64,
    /// Band in which the pressure usually stands, MPa.
    pub pressure_normal_mpa: Option<[f64; 2]>,
    /// Highest pressure, MPa.
    pub pressure_max_mpa: Option<f64>,
    /// Lowest pressure, MPa.
    pub pressure_min_mpa: Option<f64>,
    /// How long past its expected time the next trace may be, min.
    pub late_trace_min: f64,
    /// Coefficient of determination of a calibration in the queue, at least.
    pub calibration_r2_min: f64,
    /// Back-calculated error of a calibration level, %, either way.
    pub back_calculated_percent: f64,
    /// The same for the lowest level.
    pub back_calculated_lowest_percent: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            blank_noise_mau: 0.5,
            blank_drift_mau_per_h: 5.0,
            carry_over_percent_of_lowest: 20.0,
            recovery_percent: [90.0, 110.0],
            standard_area_drift_percent: 5.0,
            retention_shift_percent: 2.0,
            tailing_max: 2.0,
            plates_min: 2000.0,
            resolution_min: 1.5,
            replicate_rsd_percent: 10.0,
            pressure_normal_mpa: None,
            pressure_max_mpa: None,
            pressure_min_mpa: None,
            late_trace_min: 10.0,
            calibration_r2_min: 0.995,
            // 15 % and 20 % at the lowest level: ICH M10 (2022) 3.2.4, taken as a model.
            back_calculated_percent: 15.0,
            back_calculated_lowest_percent: 20.0,
        }
    }
}

impl Method {
    /// Index of the level with this name.
    pub fn level(&self, name: &str) -> Option<&Level> {
        self.levels.iter().find(|l| l.name == name)
    }

    /// End of the last analyte's search window, min: a trace that stops earlier cannot be used.
    pub fn last_window_end_min(&self) -> f64 {
        self.analytes
            .iter()
            .map(|a| a.retention_min + a.window_min)
            .fold(0.0, f64::max)
    }

    /// Run time plus overhead, s: the pace that a queue is expected to keep until it shows its own.
    pub fn cycle_s(&self) -> f64 {
        (self.conditions.run_time_min + self.conditions.overhead_min) * 60.0
    }
}
