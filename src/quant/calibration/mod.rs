//! A calibration: one curve for each analyte, with every area it rests on.

pub mod area_table;
pub mod file;
pub mod judge;
pub mod units;
pub(crate) mod write;

use serde::{Deserialize, Serialize};

pub use super::blank::Blank;
pub use super::curve::Point;
use super::curve::{Curve, FitForm};
use super::regression::FitError;
use crate::method::{Analyte, Fit, Method};
use crate::text::nearest;

/// The curves of a method and where they come from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Free text.
    pub name: String,
    /// Name of the method whose analytes and levels were used.
    pub method_name: String,
    /// SHA-256 of that method's file, hex.
    pub method_sha256: String,
    /// When it was made, RFC 3339.
    pub created: String,
    /// Version of the program that made it.
    pub program_version: String,
    /// How every curve was fitted.
    #[serde(with = "FitForm")]
    pub fit: Fit,
    /// One for each analyte that has points, in the method's order.
    pub curves: Vec<Curve>,
    /// Every area, grouped by analyte in the order of `curves`, within an analyte as given.
    pub points: Vec<Point>,
    /// What blanks show, grouped likewise; may be empty.
    #[serde(default)]
    pub blanks: Vec<Blank>,
}

/// What a calibration carries besides its curves.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Meta {
    /// Free text.
    pub name: String,
    /// Name of the method.
    pub method_name: String,
    /// SHA-256 of the method's file, hex.
    pub method_sha256: String,
    /// When it is made, RFC 3339.
    pub created: String,
    /// Version of the program.
    pub program_version: String,
}

/// Why points give no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// No point at all.
    #[error(
        "there is not one calibrator area: name calibrators in the run list (kind `calibrator`, with a level), or give a table of areas"
    )]
    NoPoints,
    /// A point's analyte is not in the method.
    #[error("{}", unknown("analyte", .analyte, .nearest.as_deref()))]
    UnknownAnalyte {
        /// As written.
        analyte: String,
        /// The nearest known name.
        nearest: Option<String>,
    },
    /// A point's level is not in the method.
    #[error("{}", unknown("level", .level, .nearest.as_deref()))]
    UnknownLevel {
        /// As written.
        level: String,
        /// The nearest known name.
        nearest: Option<String>,
    },
    /// The level has no nominal concentration of the analyte.
    #[error(
        "level `{level}` of the method has no nominal concentration of `{analyte}`: add it to the level, or leave the row out"
    )]
    NotInLevel {
        /// Name of the level.
        level: String,
        /// Name of the analyte.
        analyte: String,
    },
    /// Some analytes cannot be fitted.
    #[error("{}", .0.iter().map(|(a, e)| format!("{a}: {e}")).collect::<Vec<_>>().join("; "))]
    Fits(Vec<(String, FitError)>),
}

fn unknown(what: &str, word: &str, nearest: Option<&str>) -> String {
    match nearest {
        Some(known) => format!("the method has no {what} `{word}`; did you mean `{known}`?"),
        None => format!("the method has no {what} `{word}`"),
    }
}

impl Point {
    /// A point with the nominal concentration that the method's level gives it.
    ///
    /// # Errors
    /// An unknown level or analyte (the nearest known is named), or a level that does not contain the analyte.
    pub fn of_method(
        method: &Method,
        level: &str,
        analyte: &str,
        area_mau_s: f64,
        trace: &str,
        sha256: &str,
    ) -> Result<Point, CalibrationError> {
        let index = method.analytes.iter().position(|a| a.name == analyte);
        let index = index.ok_or_else(|| unknown_analyte(&method.analytes, analyte))?;
        let known = method
            .level(level)
            .ok_or_else(|| CalibrationError::UnknownLevel {
                level: level.to_owned(),
                nearest: nearest(level, method.levels.iter().map(|l| l.name.as_str()))
                    .map(str::to_owned),
            })?;
        let nominal = known.nominal.get(index).copied().flatten().ok_or_else(|| {
            CalibrationError::NotInLevel {
                level: level.to_owned(),
                analyte: analyte.to_owned(),
            }
        })?;
        Ok(Point {
            level: level.to_owned(),
            analyte: analyte.to_owned(),
            nominal,
            area_mau_s,
            height_mau: None,
            trace: trace.to_owned(),
            sha256: sha256.to_owned(),
        })
    }
}

fn unknown_analyte(analytes: &[Analyte], analyte: &str) -> CalibrationError {
    CalibrationError::UnknownAnalyte {
        analyte: analyte.to_owned(),
        nearest: nearest(analyte, analytes.iter().map(|a| a.name.as_str())).map(str::to_owned),
    }
}

impl Calibration {
    /// Fits every analyte that has points, without blanks. All or nothing: one analyte that cannot be fitted fails the
    /// calibration.
    ///
    /// # Errors
    /// No points, a point of an unknown analyte, or the reasons of all analytes that cannot be fitted.
    pub fn fit(
        points: Vec<Point>,
        analytes: &[Analyte],
        fit: Fit,
        meta: Meta,
    ) -> Result<Calibration, CalibrationError> {
        Calibration::fit_with_blanks(points, Vec::new(), analytes, fit, meta)
    }

    /// The same with blanks. A blank's entry of an analyte without points is left out.
    ///
    /// # Errors
    /// As [`fit`](Calibration::fit).
    pub fn fit_with_blanks(
        points: Vec<Point>,
        blanks: Vec<Blank>,
        analytes: &[Analyte],
        fit: Fit,
        meta: Meta,
    ) -> Result<Calibration, CalibrationError> {
        if points.is_empty() {
            return Err(CalibrationError::NoPoints);
        }
        if let Some(p) = points
            .iter()
            .find(|p| !analytes.iter().any(|a| a.name == p.analyte))
        {
            return Err(unknown_analyte(analytes, &p.analyte));
        }
        let names: Vec<(&str, &str)> = analytes
            .iter()
            .map(|a| (a.name.as_str(), a.unit.as_str()))
            .collect();
        Calibration::assemble(&points, &blanks, &names, fit, meta)
    }

    /// Fits points of the named analytes (name, unit).
    fn assemble(
        points: &[Point],
        blanks: &[Blank],
        analytes: &[(&str, &str)],
        fit: Fit,
        meta: Meta,
    ) -> Result<Calibration, CalibrationError> {
        let mut out = Calibration {
            name: meta.name,
            method_name: meta.method_name,
            method_sha256: meta.method_sha256,
            created: meta.created,
            program_version: meta.program_version,
            fit,
            curves: Vec::new(),
            points: Vec::with_capacity(points.len()),
            blanks: Vec::new(),
        };
        let mut failed = Vec::new();
        for (name, unit) in analytes {
            let own: Vec<&Point> = points.iter().filter(|p| p.analyte == *name).collect();
            if own.is_empty() {
                continue;
            }
            let quiet: Vec<&Blank> = blanks.iter().filter(|b| b.analyte == *name).collect();
            match Curve::fit_with_blanks(name, unit, &own, &quiet, fit) {
                Ok(curve) => out.curves.push(curve),
                Err(e) => failed.push(((*name).to_owned(), e)),
            }
            out.points.extend(own.into_iter().cloned());
            out.blanks.extend(quiet.into_iter().cloned());
        }
        if failed.is_empty() {
            Ok(out)
        } else {
            Err(CalibrationError::Fits(failed))
        }
    }

    /// The curve of an analyte.
    pub fn curve(&self, analyte: &str) -> Option<&Curve> {
        self.curves.iter().find(|c| c.analyte == analyte)
    }

    /// The points of an analyte.
    pub fn points_of<'a>(&'a self, analyte: &'a str) -> impl Iterator<Item = &'a Point> {
        self.points.iter().filter(move |p| p.analyte == analyte)
    }

    /// The blanks of an analyte.
    pub fn blanks_of<'a>(&'a self, analyte: &'a str) -> impl Iterator<Item = &'a Blank> {
        self.blanks.iter().filter(move |b| b.analyte == analyte)
    }

    /// Names of the method's analytes that have no curve: their samples get no concentration.
    pub fn without_curve<'a>(&self, analytes: &'a [Analyte]) -> Vec<&'a str> {
        analytes
            .iter()
            .map(|a| a.name.as_str())
            .filter(|name| self.curve(name).is_none())
            .collect()
    }
}

#[cfg(test)]
pub(crate) mod tests;
