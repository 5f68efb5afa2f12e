//! A calibration in the units of a method.

use super::{Calibration, CalibrationError, Meta};
use crate::method::Analyte;
use crate::quant::units::{UnitError, factor};
use crate::text::significant;

/// Why a calibration does not serve a method's units.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ConversionError {
    /// The units have no known way between them.
    #[error(
        "{analyte}: calibrated in {from}, the method reports {to}: {reason}; or make the calibration anew"
    )]
    Unit {
        /// Name of the analyte.
        analyte: String,
        /// The calibration's unit.
        from: String,
        /// The method's unit.
        to: String,
        /// What is missing.
        reason: UnitError,
    },
    /// The converted points cannot be fitted.
    #[error(transparent)]
    Fit(#[from] CalibrationError),
}

impl Calibration {
    /// The calibration with each curve in the unit that the method's analyte has, fitted again from converted nominals,
    /// and one sentence for each conversion. Curves of analytes that the method does not have stay as they are; where
    /// nothing differs the calibration comes back as it was.
    ///
    /// # Errors
    /// A unit that is not known, or a change between molar and mass without the analyte's molar mass.
    pub fn in_units_of(
        &self,
        analytes: &[Analyte],
    ) -> Result<(Calibration, Vec<String>), ConversionError> {
        let (mut points, mut notes) = (self.points.clone(), Vec::new());
        let mut units: Vec<(&str, &str)> = Vec::new();
        for curve in &self.curves {
            let known = analytes
                .iter()
                .find(|a| a.name == curve.analyte && a.unit != curve.unit);
            let Some(analyte) = known else {
                units.push((&curve.analyte, &curve.unit));
                continue;
            };
            let factor =
                factor(&curve.unit, &analyte.unit, analyte.molar_mass_g_mol).map_err(|reason| {
                    ConversionError::Unit {
                        analyte: curve.analyte.clone(),
                        from: curve.unit.clone(),
                        to: analyte.unit.clone(),
                        reason,
                    }
                })?;
            for p in points.iter_mut().filter(|p| p.analyte == curve.analyte) {
                p.nominal *= factor;
            }
            let by = if factor == 1.0 {
                "the same in other letters".to_owned()
            } else {
                format!("times {}", significant(factor, 6))
            };
            notes.push(format!(
                "{}: calibrated in {}, converted to {} ({by})",
                curve.analyte, curve.unit, analyte.unit
            ));
            units.push((&curve.analyte, &analyte.unit));
        }
        if notes.is_empty() {
            return Ok((self.clone(), notes));
        }
        let meta = Meta {
            name: self.name.clone(),
            method_name: self.method_name.clone(),
            method_sha256: self.method_sha256.clone(),
            created: self.created.clone(),
            program_version: self.program_version.clone(),
        };
        let converted = Calibration::assemble(&points, &self.blanks, &units, self.fit, meta)?;
        Ok((converted, notes))
    }
}
