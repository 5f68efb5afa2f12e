//! What each fuzz target does with its bytes. The fuzzer and the replay of the corpus in `cargo test` share this file, so
//! that they cannot part. Everything here may only panic where a promise is broken.

use std::path::Path;
use std::sync::OnceLock;

use runsitter::method::Method;
use runsitter::plan::sheet::Sheet;
use runsitter::plan::{Request, make};
use runsitter::pressure::log::Log;
use runsitter::quant::calibration::Calibration;
use runsitter::quant::matching;
use runsitter::runlist::file::{parse, write};
use runsitter::runlist::pattern::Pattern;
use runsitter::trace::{Hints, Settings, read};

/// A target's body.
pub type Body = fn(&[u8]);

/// Every target: its name, which is that of its corpus, and its body.
pub const ALL: [(&str, Body); 8] = [
    ("trace", trace),
    ("run_list", run_list),
    ("sample_sheet", sample_sheet),
    ("method", method),
    ("config", config),
    ("calibration", calibration),
    ("pressure_log", pressure_log),
    ("name_pattern", name_pattern),
];

/// The sample method, read once.
fn sample_method() -> &'static Method {
    static METHOD: OnceLock<Method> = OnceLock::new();
    METHOD.get_or_init(|| {
        let text = include_str!("../../../config/methods/brine-acids.toml");
        runsitter::method::file::parse(text, Path::new("brine-acids.toml"))
            .expect("the sample method is sound")
    })
}

/// Delimited text of any layout: read, and where it is a trace, evaluated as the daemon does.
pub fn trace(bytes: &[u8]) {
    let method = sample_method();
    let hints = Hints {
        run_time_min: Some(method.conditions.run_time_min),
        wavelength_nm: method.conditions.wavelength_nm,
    };
    match read(bytes, &Settings::default(), &hints) {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(trace) => {
            assert_eq!(trace.time_s.len(), trace.signal_mau.len());
            let mut numbers = trace.time_s.iter().chain(&trace.signal_mau);
            assert!(numbers.all(|x| x.is_finite()));
            let grows = |w: &[f64]| matches!(w, [a, b] if a < b);
            assert!(trace.time_s.windows(2).all(grows), "times must increase");
            let _ = matching::evaluate(&trace, method);
        }
    }
}

/// The run list: what is read is in order and unique, and what is written again reads back as it was.
pub fn run_list(bytes: &[u8]) {
    match parse(bytes, Path::new("a.runlist.csv")) {
        Err(error) => one_line(&error.to_string()),
        Ok(list) => {
            let grows = list
                .injections
                .windows(2)
                .all(|w| matches!(w, [a, b] if a.position < b.position));
            assert!(grows, "positions must increase");
            let again = parse(write(&list).as_bytes(), Path::new("b.runlist.csv"));
            assert_eq!(again.map(|l| l.injections), Ok(list.injections));
        }
    }
}

/// The sample sheet: what is read is planned by the sample method's rules, and a plan is a run list that reads back.
pub fn sample_sheet(bytes: &[u8]) {
    let sheet = match Sheet::parse(bytes, Path::new("samples.csv")) {
        Ok(sheet) => sheet,
        Err(error) => return one_line(&error.to_string()),
    };
    let same_width = |row: &runsitter::plan::sheet::Row| row.cells.len() == sheet.columns.len();
    assert!(sheet.rows.iter().all(same_width));
    let request = Request {
        queue: "crocks".to_owned(),
        date: "2026-09-21".to_owned(),
        seed: Some(7),
    };
    let method = sample_method();
    match make(&sheet, method, &method.plan, &request) {
        Err(error) => one_line(&error.to_string()),
        Ok(planned) => {
            let again = parse(
                write(&planned.list).as_bytes(),
                Path::new("crocks.runlist.csv"),
            );
            assert_eq!(again.map(|l| l.injections), Ok(planned.list.injections));
        }
    }
}

/// The method.
pub fn method(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Err(error) = runsitter::method::file::parse(text, Path::new("m.toml")) {
        assert!(!error.to_string().is_empty());
    }
}

/// The configuration.
pub fn config(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Err(error) = runsitter::config::file::parse(text, Path::new("c.toml")) {
        assert!(!error.to_string().is_empty());
    }
}

/// A calibration file: what is accepted is written and reads back.
pub fn calibration(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Ok(calibration) = Calibration::from_toml(text) {
        let limits = runsitter::method::Limits::default();
        let again = Calibration::from_toml(&calibration.to_toml(&limits));
        assert!(again.is_ok(), "{again:?}");
    }
}

/// A pressure log that grows: however it is cut into pieces, nothing breaks and every reading is finite. The first byte
/// says how long the pieces are; there are some thirty at most.
pub fn pressure_log(bytes: &[u8]) {
    let Some((step, bytes)) = bytes.split_first() else {
        return;
    };
    let piece = usize::from(*step).max(bytes.len() / 32).max(1);
    let mut log = Log::new(None, jiff::tz::TimeZone::UTC);
    for piece in bytes.chunks(piece) {
        log.feed(piece);
        let taken = log.take(jiff::Timestamp::UNIX_EPOCH);
        assert!(taken.readings.iter().all(|r| r.mpa.is_finite()));
    }
}

/// A pattern of file names and a stem, one in each line.
pub fn name_pattern(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let (pattern, stem) = text.split_once('\n').unwrap_or((text, ""));
    if let Ok(pattern) = Pattern::parse(pattern) {
        let _ = pattern.apply(stem);
    }
}

/// An error is one line of text without control characters, whatever the file held.
fn one_line(error: &str) {
    assert!(
        !error.is_empty() && !error.contains(char::is_control),
        "{error:?}"
    );
}
