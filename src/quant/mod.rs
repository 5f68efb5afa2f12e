//! From peaks to concentrations: matched analytes, calibration, inverse prediction, dilution.
//!
//! Pure: values in, values out.

pub mod blank;
pub mod bracketing;
pub mod calibration;
pub mod curve;
pub mod describe;
pub mod detection;
pub mod dilution;
pub mod matching;
pub mod outlier;
pub mod plot;
pub mod rate;
pub mod regression;
pub mod scout;
pub mod student;
pub mod trend;
pub mod units;
pub mod usable;

#[cfg(test)]
mod reference;
