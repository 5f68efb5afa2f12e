//! A calibration from weeks before the night: what the station's file holds when the queue brings calibrators of its own.

use std::path::Path;

use super::chemistry::{ACIDS, CALIBRATORS};
use super::settings::{METHOD_FILE, method_toml};
use crate::method;
use crate::quant::calibration::{Calibration, Meta, Point};

/// Scatter of its areas, now up, now down.
const SCATTER: f64 = 0.003;

/// The file's text, for a detector that read as the acids' table says. `None` never happens: method and points are those
/// that the test below holds good.
pub(super) fn calibration_toml() -> Option<String> {
    let method = method::file::parse(&method_toml(), Path::new(METHOD_FILE)).ok()?;
    let mut points = Vec::new();
    for acid in ACIDS {
        for (k, (level, nominal)) in (1..).zip(CALIBRATORS) {
            let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
            points.push(Point {
                level: level.to_owned(),
                analyte: acid.name.to_owned(),
                nominal,
                area_mau_s: acid.response_mau_s * nominal * (1.0 + sign * SCATTER),
                height_mau: None,
                trace: format!("calibrators-{k:02}.csv"),
                sha256: String::new(),
            });
        }
    }
    let meta = Meta {
        name: super::STATION.to_owned(),
        method_name: method.name.clone(),
        method_sha256: method.sha256.clone(),
        created: "2026-09-01T08:00:00Z".to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let calibration = Calibration::fit(points, &method.analytes, method.fit, meta).ok()?;
    Some(calibration.to_toml(&method.limits))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_reads_back_and_meets_its_limits() {
        let text = calibration_toml().unwrap();
        let read = Calibration::from_toml(&text).unwrap();
        assert_eq!(read.curves.len(), ACIDS.len());
        let method = method::file::parse(&method_toml(), Path::new(METHOD_FILE)).unwrap();
        assert!(read.acceptable(&method.limits).is_empty());
    }
}
