//! What a station needs before its first trace: method, stored calibration, patterns.

use std::path::Path;
use std::sync::Arc;

use jiff::tz::TimeZone;

use crate::config::document;
use crate::config::error::FileError;
use crate::config::{Config, Station};
use crate::intake::filter::Filter;
use crate::method::{self, Method};
use crate::night;
use crate::night::calibrate::Named;
use crate::night::queue::Terms;
use crate::outside;
use crate::quant::calibration::Calibration;
use crate::runlist::pattern::Pattern;

/// A calibration as it was read from its file.
#[derive(Debug, Clone)]
pub struct StoredCalibration {
    /// The curves under the file's name.
    pub named: Named,
    /// The file's text.
    pub text: String,
}

/// Everything of a station that comes from files which people write.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The method.
    pub method: Arc<Method>,
    /// Its text.
    pub method_text: String,
    /// The stored calibration; `None` where none is configured or its file is not there yet.
    pub calibration: Option<StoredCalibration>,
    /// Which files are traces and run lists.
    pub filter: Filter,
    /// What file names say where no list does.
    pub pattern: Option<Pattern>,
}

impl Setup {
    /// Reads a station's method and calibration and makes its patterns ready.
    ///
    /// # Errors
    /// The first file that cannot be used, with line and place. A calibration that is not there yet is no error: the
    /// queue may bring its own calibrators.
    pub fn load(config: &Config, station: &Station) -> Result<Setup, FileError> {
        let method_text = read(&station.method)?;
        let method = method::file::parse(&method_text, &station.method)?;
        let calibration = match &station.calibration {
            Some(path) => load_calibration(path, &method)?,
            None => None,
        };
        let filter = Filter::new(config, station)
            .map_err(|e| FileError::whole(&config.path, e.to_string()))?;
        let pattern = match &station.name_pattern {
            Some(text) => Some(Pattern::parse(text).map_err(|e| {
                FileError::whole(
                    &config.path,
                    format!("station {}: name_pattern: {e}", station.name),
                )
            })?),
            None => None,
        };
        Ok(Setup {
            method: Arc::new(method),
            method_text,
            calibration,
            filter,
            pattern,
        })
    }

    /// A night without lists and landings. `time_scale` is 1 in life.
    pub fn night(&self, time_scale: f64, zone: TimeZone) -> night::station::Station {
        let stored = self.calibration.as_ref().map(|c| c.named.clone());
        let terms = Terms {
            method: Arc::clone(&self.method),
            stored,
            time_scale,
        };
        night::station::Station::new(terms, self.pattern.clone(), zone)
    }
}

fn read(path: &Path) -> Result<String, FileError> {
    outside::disk("read", path)
        .map_err(|e| FileError::whole(path, format!("cannot be read: {e}")))?;
    document::read(path)
}

/// The stored calibration, in the method's units; a conversion is told in the log.
fn load_calibration(path: &Path, method: &Method) -> Result<Option<StoredCalibration>, FileError> {
    let missing =
        std::fs::metadata(path).is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound);
    if missing {
        return Ok(None);
    }
    let text = read(path)?;
    let calibration = Calibration::from_toml(&text).map_err(|e| FileError {
        path: path.to_owned(),
        line: e.line.map(|l| l as u64),
        column: None,
        message: e.message,
    })?;
    let (calibration, notes) = calibration
        .in_units_of(&method.analytes)
        .map_err(|e| FileError::whole(path, e.to_string()))?;
    for note in &notes {
        tracing::warn!("{}: {note}", path.display());
    }
    let label = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    Ok(Some(StoredCalibration {
        named: Named {
            label,
            calibration: Arc::new(calibration),
        },
        text,
    }))
}
