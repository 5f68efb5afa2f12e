//! From the bytes of an export to numbers in known units. Knows nothing of methods and of what a file means.
//!
//! [`read`] decodes the bytes, finds the longest run of rows whose time increases (`sections` and `block`, under guesses that
//! `shape` compares), tells its columns and units apart (`header`, `names`, `columns`, `units`), reads it in a tight loop
//! (`rows`, `number`, `clock`) and converts it (`finish`).

mod block;
pub(crate) mod clock;
mod columns;
pub(crate) mod decode;
mod finish;
pub(crate) mod header;
pub(crate) mod lines;
pub(crate) mod names;
pub(crate) mod number;
mod rows;
mod sections;
mod shape;
#[cfg(test)]
mod tests;
pub(crate) mod units;
mod words;

/// One chromatogram.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Times from injection, s; strictly increasing, finite, at least [`MIN_POINTS`].
    pub time_s: Vec<f64>,
    /// Detector signal, mAU where the unit is an absorbance, else in its own unit; finite; as long as `time_s`.
    pub signal_mau: Vec<f64>,
    /// How the file was read.
    pub layout: Layout,
}

/// Fewer samples than this are no chromatogram.
pub const MIN_POINTS: usize = 50;

/// Size limit where the configuration gives none, bytes.
pub const MAX_BYTES: u64 = 512 * 1024 * 1024;

/// What is known of a layout beforehand; `None`: to be sniffed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settings {
    /// Between the columns.
    pub delimiter: Option<Delimiter>,
    /// `b'.'` or `b','`.
    pub decimal: Option<u8>,
    /// Unit of the time column.
    pub time_unit: Option<TimeUnit>,
    /// Unit of the signal column.
    pub signal_unit: Option<SignalUnit>,
    /// Column of the time, from 1.
    pub time_column: Option<usize>,
    /// Column of the signal, from 1.
    pub signal_column: Option<usize>,
    /// Largest file that is read, bytes; `None`: [`MAX_BYTES`].
    pub max_bytes: Option<u64>,
}

/// What helps to guess where a file does not say; never more than a hint.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Hints {
    /// Usual length of a run, min: tells seconds from minutes.
    pub run_time_min: Option<f64>,
    /// Wavelength, nm: chooses among several signal columns that name one.
    pub wavelength_nm: Option<f64>,
}

/// Between the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delimiter {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// Tabulator.
    Tab,
    /// One or more blanks.
    Space,
}

/// Unit of a time column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeUnit {
    /// Seconds.
    Seconds,
    /// Minutes.
    Minutes,
}

/// Unit of a signal column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignalUnit {
    /// Micro absorbance units.
    MicroAu,
    /// Milli absorbance units.
    MilliAu,
    /// Absorbance units.
    Au,
    /// Nano refractive index units; kept as they are.
    NanoRiu,
    /// Microvolts; kept as they are.
    MicroVolt,
    /// Millivolts; kept as they are.
    MilliVolt,
}

/// How a file was read: for `check`, for messages and for the ledger.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// `UTF-8`, `UTF-16LE`, …
    pub encoding: String,
    /// Between the columns.
    pub delimiter: Delimiter,
    /// `b'.'` or `b','`.
    pub decimal: u8,
    /// Line of the header, from 1, where there is one.
    pub header_line: Option<u64>,
    /// Line of the first sample, from 1.
    pub first_line: u64,
    /// Line of the last sample, from 1.
    pub last_line: u64,
    /// Columns in a data line.
    pub columns: usize,
    /// Column of the time, from 1, and its name.
    pub time_column: usize,
    /// Name of the time column; empty without a header.
    pub time_name: String,
    /// Column of the signal, from 1.
    pub signal_column: usize,
    /// Name of the signal column; empty without a header.
    pub signal_name: String,
    /// Unit of the time.
    pub time_unit: TimeUnit,
    /// Where the unit was found: `configured`, `line 3`, `guessed from the length`.
    pub time_unit_from: String,
    /// Unit of the signal.
    pub signal_unit: SignalUnit,
    /// Where the unit was found.
    pub signal_unit_from: String,
    /// Things worth saying: a footer left out, several signal columns.
    pub notes: Vec<String>,
}

/// Why bytes are no trace.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{message}", line.map(|l| format!("line {l}: ")).unwrap_or_default())]
pub struct TraceError {
    /// Line in the file, from 1, where there is one.
    pub line: Option<u64>,
    /// What was found and what was expected; lower case, no final stop.
    pub message: String,
    /// The file ends in the middle of a line or before enough samples: it may still be growing.
    pub may_grow: bool,
}

/// An error at a line that no more bytes would mend.
fn error(line: Option<u64>, message: String) -> TraceError {
    TraceError {
        line,
        message,
        may_grow: false,
    }
}

/// Reads delimited text of any layout: what `settings` leave open is sniffed, with `hints` where the file does not say.
///
/// Times that are written with so few decimals that they repeat are spread evenly, and a note says so; a single time
/// that repeats is an error. Clock times and dates count in seconds: elapsed ones as written, dates and times of day
/// from the first row.
///
/// # Errors
/// Bytes that are no trace: no text, no two columns of numbers, fewer than [`MIN_POINTS`] rows, a cell that is no finite
/// number amid the data, times that do not increase, more than the size limit. [`TraceError::may_grow`] tells a file
/// that may only be unfinished.
pub fn read(bytes: &[u8], settings: &Settings, hints: &Hints) -> Result<Trace, TraceError> {
    let most = settings.max_bytes.unwrap_or(MAX_BYTES);
    if bytes.len() as u64 > most {
        return Err(error(
            None,
            format!(
                "the file has {} bytes, expected at most {most}",
                bytes.len()
            ),
        ));
    }
    let text = decode::text(bytes)?;
    let found = sections::find(&text.bytes, settings, hints);
    if found.is_nothing() && settings.delimiter.is_none() && text.bytes.contains(&b'|') {
        // The one other delimiter that is met now and then.
        let bytes: Vec<u8> = text
            .bytes
            .iter()
            .map(|b| if *b == b'|' { b';' } else { *b })
            .collect();
        let found = sections::find(&bytes, settings, hints);
        let mut trace = finish::trace(&bytes, text.encoding, found, settings, hints)?;
        trace
            .layout
            .notes
            .push("columns are separated by '|', read as semicolons".to_owned());
        return Ok(trace);
    }
    finish::trace(&text.bytes, text.encoding, found, settings, hints)
}
