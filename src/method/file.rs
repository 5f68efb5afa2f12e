//! Reads the method from TOML. Every mistake is an error that names file, line and key.

use std::path::Path;

use sha2::{Digest, Sha256};

use super::{
    Degree, Fit, Method, Quantify, ScatterOf, Weight, analytes, conditions, limits, plan, pumping,
    steering,
};
use crate::config::document::{self, Document};
use crate::config::error::FileError;
use crate::config::table::Table;

const KEYS: &[&str] = &[
    "name",
    "conditions",
    "column",
    "eluent",
    "pump",
    "autosampler",
    "analyte",
    "level",
    "limits",
    "calibration",
    "integration",
    "span",
    "plan",
];
const CALIBRATION_KEYS: &[&str] = &["weight", "through_zero", "model", "scatter_of", "quantify"];

/// Reads and checks a method file.
///
/// # Errors
/// The file cannot be read, or the first mistake in it.
pub fn load(path: &Path) -> Result<Method, FileError> {
    parse(&document::read(path)?, path)
}

/// Checks the text of a method file; `path` only names it. The SHA-256 is that of the text's bytes.
///
/// # Errors
/// The first mistake: what is no TOML, an unknown or missing key, a wrong type, a value out of its range, a name
/// given twice, a level of an unknown analyte, a run that is over before the last analyte's window.
pub fn parse(text: &str, path: &Path) -> Result<Method, FileError> {
    let doc = Document::parse(text, path)?;
    let root = doc.root(KEYS)?;
    let analytes = analytes::read_all(&root)?;
    let levels = analytes::levels(&root, &analytes)?;
    Ok(Method {
        name: root
            .need("name", "the method's name")?
            .text("a name")?
            .to_owned(),
        conditions: conditions::read(&root, &analytes)?,
        column: conditions::column(&root)?,
        eluent: conditions::eluent(&root)?,
        pumping: pumping::read(&root)?,
        plan: plan::read(&root, &levels)?,
        levels,
        analytes,
        limits: limits::read(&root)?,
        fit: fit(&root)?,
        scatter: scatter(&root)?,
        quantify: quantify(&root)?,
        integration: steering::read(&root)?,
        sha256: crate::text::hex(&Sha256::digest(text.as_bytes())),
    })
}

fn fit(root: &Table<'_>) -> Result<Fit, FileError> {
    const WEIGHTS: [(&str, Weight); 3] = [
        ("1", Weight::One),
        ("1/x", Weight::InverseX),
        ("1/x2", Weight::InverseX2),
    ];
    const MODELS: [(&str, Degree); 2] = [
        ("straight", Degree::Straight),
        ("quadratic", Degree::Quadratic),
    ];
    let Some(value) = root.get("calibration") else {
        return Ok(Fit {
            weight: Weight::default(),
            through_zero: false,
            degree: Degree::default(),
        });
    };
    let table = value.table(CALIBRATION_KEYS)?;
    Ok(Fit {
        weight: table
            .get("weight")
            .map(|v| v.word(&WEIGHTS))
            .transpose()?
            .unwrap_or_default(),
        through_zero: table
            .get("through_zero")
            .map(|v| v.flag())
            .transpose()?
            .unwrap_or(false),
        degree: table
            .get("model")
            .map(|v| v.word(&MODELS))
            .transpose()?
            .unwrap_or_default(),
    })
}

fn scatter(root: &Table<'_>) -> Result<ScatterOf, FileError> {
    const WORDS: [(&str, ScatterOf); 2] = [
        ("calibrators", ScatterOf::Calibrators),
        ("standards", ScatterOf::Standards),
    ];
    let Some(value) = root.get("calibration") else {
        return Ok(ScatterOf::default());
    };
    let table = value.table(CALIBRATION_KEYS)?;
    let word = table
        .get("scatter_of")
        .map(|v| v.word(&WORDS))
        .transpose()?;
    Ok(word.unwrap_or_default())
}

fn quantify(root: &Table<'_>) -> Result<Quantify, FileError> {
    const WORDS: [(&str, Quantify); 2] = [
        (Quantify::Curve.word(), Quantify::Curve),
        (Quantify::Bracketing.word(), Quantify::Bracketing),
    ];
    let Some(value) = root.get("calibration") else {
        return Ok(Quantify::default());
    };
    let table = value.table(CALIBRATION_KEYS)?;
    let word = table.get("quantify").map(|v| v.word(&WORDS)).transpose()?;
    Ok(word.unwrap_or_default())
}

#[cfg(test)]
mod tests;
