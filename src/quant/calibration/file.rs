//! Reads a calibration file and refuses one whose figures do not follow from its points.

use serde::Deserialize;
use toml::Spanned;

use super::{Blank, Calibration, CalibrationError, Meta, Point};
use crate::method::{Degree, Fit, Weight};
use crate::quant::blank::SigmaFrom;
use crate::quant::curve::Curve;
use crate::text::{nearest, significant};

/// Layout of the file; another number is another layout.
pub(super) const FORMAT: i64 = 1;

/// How far stored figures may be from fitted ones, relative to the response at the highest level.
const TOLERANCE: f64 = 1e-9;

/// Why a calibration file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{}{message}", line.map(|l| format!("line {l}: ")).unwrap_or_default(), prefix(path))]
pub struct CalibrationFileError {
    /// Line in the file, from 1, where there is one.
    pub line: Option<usize>,
    /// Which entry, `curve[0].slope`; empty: the file as a whole.
    pub path: String,
    /// What was found and what was expected.
    pub message: String,
}

fn prefix(path: &str) -> String {
    if path.is_empty() || path == "." {
        String::new()
    } else {
        format!("`{path}`: ")
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    format: Spanned<i64>,
    name: String,
    method_name: String,
    method_sha256: String,
    created: String,
    program_version: String,
    weight: Weight,
    through_zero: bool,
    #[serde(default)]
    model: Degree,
    #[serde(default)]
    curve: Vec<Spanned<RawCurve>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCurve {
    analyte: Spanned<String>,
    unit: String,
    intercept: Spanned<f64>,
    slope: Spanned<f64>,
    quadratic: Option<Spanned<f64>>,
    residual_sd: Spanned<f64>,
    sigma: Option<Spanned<f64>>,
    sigma_from: Option<Spanned<SigmaFrom>>,
    points: Vec<RawPoint>,
    #[serde(default)]
    blanks: Vec<RawBlank>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPoint {
    level: String,
    nominal: Spanned<f64>,
    area_mau_s: Spanned<f64>,
    height_mau: Option<Spanned<f64>>,
    trace: String,
    sha256: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBlank {
    area_mau_s: Option<Spanned<f64>>,
    noise_mau: Option<Spanned<f64>>,
    trace: String,
    sha256: String,
}

/// The text, for finding lines.
struct Source<'a>(&'a str);

impl Source<'_> {
    fn line(&self, offset: usize) -> Option<usize> {
        self.0
            .get(..offset)
            .map(|before| 1 + before.bytes().filter(|b| *b == b'\n').count())
    }

    fn fault(&self, offset: usize, path: String, message: String) -> CalibrationFileError {
        CalibrationFileError {
            line: self.line(offset),
            path,
            message,
        }
    }

    /// One that may be left out.
    fn optional(
        &self,
        value: Option<&Spanned<f64>>,
        path: impl FnOnce() -> String,
    ) -> Result<Option<f64>, CalibrationFileError> {
        value.map(|v| self.finite(v, path)).transpose()
    }

    /// A number that must be finite.
    fn finite(
        &self,
        value: &Spanned<f64>,
        path: impl FnOnce() -> String,
    ) -> Result<f64, CalibrationFileError> {
        let v = *value.get_ref();
        if v.is_finite() {
            return Ok(v);
        }
        Err(self.fault(
            value.span().start,
            path(),
            format!("{v} is no finite number"),
        ))
    }
}

impl Calibration {
    /// Reads what [`to_toml`](Calibration::to_toml) writes. The curves are fitted again from the points.
    ///
    /// # Errors
    /// Text that is no TOML, unknown or missing keys, numbers that are not finite, an analyte twice, points that
    /// cannot be fitted, and coefficients that do not follow from the points within 1e-9; with line and entry.
    pub fn from_toml(text: &str) -> Result<Calibration, CalibrationFileError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let source = Source(text);
        let raw = parse(&source)?;
        if *raw.format.get_ref() != FORMAT {
            let message = format!(
                "layout {} is not known; this program reads layout {FORMAT}: make the calibration again",
                raw.format.get_ref()
            );
            return Err(source.fault(raw.format.span().start, "format".to_owned(), message));
        }
        let points = points(&source, &raw.curve)?;
        let blanks = blanks(&source, &raw.curve)?;
        let names: Vec<(&str, &str)> = raw
            .curve
            .iter()
            .map(|c| {
                (
                    c.get_ref().analyte.get_ref().as_str(),
                    c.get_ref().unit.as_str(),
                )
            })
            .collect();
        let fit = Fit {
            weight: raw.weight,
            through_zero: raw.through_zero,
            degree: raw.model,
        };
        let meta = Meta {
            name: raw.name,
            method_name: raw.method_name,
            method_sha256: raw.method_sha256,
            created: raw.created,
            program_version: raw.program_version,
        };
        let calibration = Calibration::assemble(&points, &blanks, &names, fit, meta)
            .map_err(|e| not_fitted(&source, &raw.curve, e))?;
        for (i, stored) in raw.curve.iter().enumerate() {
            if let Some(curve) = calibration.curve(stored.get_ref().analyte.get_ref()) {
                agrees(&source, i, stored.get_ref(), curve)?;
            }
        }
        Ok(calibration)
    }
}

fn parse(source: &Source) -> Result<RawFile, CalibrationFileError> {
    let toml_fault = |path: String, e: &toml::de::Error| CalibrationFileError {
        line: e.span().and_then(|s| source.line(s.start)),
        path,
        message: with_nearest(e.message()),
    };
    let deserializer =
        toml::Deserializer::parse(source.0).map_err(|e| toml_fault(String::new(), &e))?;
    serde_path_to_error::deserialize(deserializer)
        .map_err(|e| toml_fault(e.path().to_string(), e.inner()))
}

/// "unknown field `slpe`, expected one of …" with the nearest of them named.
fn with_nearest(message: &str) -> String {
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    match quoted.split_first() {
        Some((word, known)) if message.starts_with("unknown") => {
            match nearest(word, known.iter().copied()) {
                Some(near) => format!("{message}; did you mean `{near}`?"),
                None => message.to_owned(),
            }
        }
        _ => message.to_owned(),
    }
}

/// The points of all curves, checked one by one.
fn points(
    source: &Source,
    curves: &[Spanned<RawCurve>],
) -> Result<Vec<Point>, CalibrationFileError> {
    let mut out = Vec::new();
    for (i, curve) in curves.iter().enumerate() {
        let name = &curve.get_ref().analyte;
        if curves
            .iter()
            .take(i)
            .any(|c| c.get_ref().analyte.get_ref() == name.get_ref())
        {
            let message = format!("`{}` has a curve already", name.get_ref());
            return Err(source.fault(name.span().start, format!("curve[{i}].analyte"), message));
        }
        if curve.get_ref().points.is_empty() {
            return Err(source.fault(
                curve.span().start,
                format!("curve[{i}].points"),
                "a curve needs points".to_owned(),
            ));
        }
        for (k, raw) in curve.get_ref().points.iter().enumerate() {
            let path = |key: &str| format!("curve[{i}].points[{k}].{key}");
            let nominal = source.finite(&raw.nominal, || path("nominal"))?;
            if nominal < 0.0 {
                let message = format!("{nominal} is below zero");
                return Err(source.fault(raw.nominal.span().start, path("nominal"), message));
            }
            out.push(Point {
                level: raw.level.clone(),
                analyte: name.get_ref().clone(),
                nominal,
                area_mau_s: source.finite(&raw.area_mau_s, || path("area_mau_s"))?,
                height_mau: source.optional(raw.height_mau.as_ref(), || path("height_mau"))?,
                trace: raw.trace.clone(),
                sha256: raw.sha256.clone(),
            });
        }
    }
    if curves.is_empty() {
        return Err(CalibrationFileError {
            line: None,
            path: "curve".to_owned(),
            message: "the file has no curve".to_owned(),
        });
    }
    Ok(out)
}

/// The blanks of all curves.
fn blanks(
    source: &Source,
    curves: &[Spanned<RawCurve>],
) -> Result<Vec<Blank>, CalibrationFileError> {
    let mut out = Vec::new();
    for (i, curve) in curves.iter().enumerate() {
        for (k, raw) in curve.get_ref().blanks.iter().enumerate() {
            let path = |key: &str| format!("curve[{i}].blanks[{k}].{key}");
            out.push(Blank {
                analyte: curve.get_ref().analyte.get_ref().clone(),
                area_mau_s: source.optional(raw.area_mau_s.as_ref(), || path("area_mau_s"))?,
                noise_mau: source.optional(raw.noise_mau.as_ref(), || path("noise_mau"))?,
                trace: raw.trace.clone(),
                sha256: raw.sha256.clone(),
            });
        }
    }
    Ok(out)
}

/// Points the reader to the first curve that cannot be fitted.
fn not_fitted(
    source: &Source,
    curves: &[Spanned<RawCurve>],
    error: CalibrationError,
) -> CalibrationFileError {
    if let CalibrationError::Fits(failed) = &error
        && let Some((analyte, reason)) = failed.first()
        && let Some((i, curve)) = curves
            .iter()
            .enumerate()
            .find(|(_, c)| c.get_ref().analyte.get_ref() == analyte)
    {
        let message = format!("the points of `{analyte}` give no curve: {reason}");
        return source.fault(curve.span().start, format!("curve[{i}]"), message);
    }
    CalibrationFileError {
        line: None,
        path: String::new(),
        message: error.to_string(),
    }
}

/// Stored figures must be those that the points give.
fn agrees(
    source: &Source,
    i: usize,
    stored: &RawCurve,
    curve: &Curve,
) -> Result<(), CalibrationFileError> {
    let top = curve.regression.value(curve.highest).abs();
    let mut figures = vec![
        ("slope", &stored.slope, curve.slope(), top / curve.highest),
        ("intercept", &stored.intercept, curve.intercept(), top),
        (
            "residual_sd",
            &stored.residual_sd,
            curve.regression.residual_sd,
            top,
        ),
    ];
    if let Some(sigma) = &stored.sigma {
        figures.push(("sigma", sigma, curve.sigma.mau_s, top));
    }
    match (&stored.quadratic, curve.bend()) {
        (Some(value), fitted) => {
            let scale = top / (curve.highest * curve.highest);
            figures.push(("quadratic", value, fitted.unwrap_or(0.0), scale));
        }
        (None, Some(_)) => {
            let message = "the file's model is quadratic, and the curve has no `quadratic`: it was changed by hand or is damaged; make the calibration again";
            let at = stored.slope.span().start;
            return Err(source.fault(at, format!("curve[{i}].quadratic"), message.to_owned()));
        }
        (None, None) => {}
    }
    for (key, value, fitted, scale) in figures {
        let found = source.finite(value, || format!("curve[{i}].{key}"))?;
        if (found - fitted).abs() > TOLERANCE * scale {
            let (found, fitted) = (significant(found, 12), significant(fitted, 12));
            let message = not_so(&found, &fitted, &curve.analyte);
            return Err(source.fault(value.span().start, format!("curve[{i}].{key}"), message));
        }
    }
    match &stored.sigma_from {
        Some(from) if *from.get_ref() != curve.sigma.from => {
            let message = not_so(
                from.get_ref().words(),
                curve.sigma.from.words(),
                &curve.analyte,
            );
            Err(source.fault(from.span().start, format!("curve[{i}].sigma_from"), message))
        }
        _ => Ok(()),
    }
}

fn not_so(found: &str, fitted: &str, analyte: &str) -> String {
    format!(
        "{found} is not what the points of `{analyte}` give, {fitted}: the file was changed by hand or is damaged; make the calibration again"
    )
}
