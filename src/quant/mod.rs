//! From peaks to concentrations: matched analytes, calibration, inverse prediction, dilution.
//!
//! Pure: values in, values out.

pub mod calibration;
pub mod curve;
pub mod describe;
pub mod detection;
pub mod dilution;
pub mod matching;
pub mod plot;
pub mod regression;
pub mod student;

#[cfg(test)]
mod reference;
