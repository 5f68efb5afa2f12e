//! What a data set's `expected.json` states, and how near a figure must be to it.

use std::path::{Path, PathBuf};

use runsitter::signal::{Params, Peak, Profile, integrate};
use runsitter::trace::{self, Hints, Settings, Trace};
use serde_json::Value;

/// A file below `tests/data`.
pub fn data(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(path)
}

/// Reads an export the way the program does, nothing told beforehand.
pub fn export(path: &str) -> Trace {
    read_with(path, &Settings::default())
}

/// The same with settings.
pub fn read_with(path: &str, settings: &Settings) -> Trace {
    let bytes = std::fs::read(data(path)).unwrap();
    trace::read(&bytes, settings, &Hints::default()).unwrap()
}

/// Integrates a trace, nothing told beforehand.
pub fn seen(trace: &Trace) -> Profile {
    integrate(&trace.time_s, &trace.signal_mau, &Params::default())
}

/// The stated results of a data set.
pub fn expected(set: &str) -> Value {
    let text = std::fs::read_to_string(data(&format!("{set}/expected.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// One stated peak; times in the file's unit.
pub struct Stated<'a>(pub &'a Value);

impl Stated<'_> {
    pub fn number(&self, key: &str) -> f64 {
        self.0[key].as_f64().unwrap_or_else(|| panic!("no {key}"))
    }

    /// The peak of ours that stands nearest.
    pub fn nearest<'p>(&self, profile: &'p Profile, unit_s: f64) -> &'p Peak {
        let apex_s = self.number("apex_parabola") * unit_s;
        profile
            .peaks
            .iter()
            .min_by(|a, b| {
                (a.apex_s - apex_s)
                    .abs()
                    .total_cmp(&(b.apex_s - apex_s).abs())
            })
            .unwrap()
    }

    /// Demands that a figure of ours is that of a key times a unit, within a part of it.
    #[track_caller]
    pub fn near(&self, key: &str, unit: f64, ours: f64, part: f64) {
        let want = self.number(key) * unit;
        println!(
            "at {:8.3}: {key} {ours:.5}, stated {want:.5}, {:+.2} %",
            self.number("apex_parabola"),
            100.0 * (ours / want - 1.0)
        );
        assert!(
            (ours / want - 1.0).abs() <= part,
            "peak at {}: {key} {ours}, stated {want}, allowed {} %",
            self.number("apex_parabola"),
            100.0 * part
        );
    }
}
