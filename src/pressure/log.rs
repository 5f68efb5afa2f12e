//! A growing log: bytes as they come in, readings out.

use encoding_rs::{CoderResult, Decoder, UTF_16BE, UTF_16LE};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Reading;
use super::layout::{Layout, TimeColumn, sniff, time_text};
use super::time::{Clock, Raw};
use super::unit::Unit;
use crate::trace::clock::elapsed;
use crate::trace::lines::line_at;

/// A line without an end that is longer than this is none, bytes.
const LONGEST_LINE: usize = 64 * 1024;
/// So much of a log is looked at before its columns are told, bytes.
const HEAD: usize = 64 * 1024;
/// So many lines in a row that fit no longer, and the columns are told anew.
const STRANGE_LINES: u32 = 20;
/// No pump of this trade goes beyond, MPa: a larger number is a code, not a pressure (house limit, no source).
const HIGHEST_MPA: f64 = 400.0;

/// One value for a whole injection, whose time the queue knows.
#[derive(Debug, Clone, PartialEq)]
pub struct OfInjection {
    /// Stem of its trace.
    pub stem: String,
    /// The pressure, MPa.
    pub mpa: f64,
}

/// What the rows since the last look say.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Taken {
    /// Readings in the order of the file.
    pub readings: Vec<Reading>,
    /// Values of whole injections.
    pub injections: Vec<OfInjection>,
    /// Things to be said, each once.
    pub notes: Vec<String>,
}

/// Reads one file as it grows.
#[derive(Debug)]
pub struct Log {
    unit: Option<Unit>,
    clock: Clock,
    wide: Option<Decoder>,
    begun: bool,
    /// Whole lines while the columns are not known, then the unfinished line alone.
    pending: Vec<u8>,
    layout: Option<Layout>,
    rows: Vec<(Raw, u32, f64)>,
    injections: Vec<OfInjection>,
    strange: u32,
    notes: Vec<String>,
    told: Vec<String>,
}

impl Log {
    /// A log of which nothing has been read. `unit`: as configured; local times are those of `zone`.
    pub fn new(unit: Option<Unit>, zone: TimeZone) -> Log {
        Log {
            unit,
            clock: Clock::new(zone),
            wide: None,
            begun: false,
            pending: Vec::new(),
            layout: None,
            rows: Vec::new(),
            injections: Vec::new(),
            strange: 0,
            notes: Vec::new(),
            told: Vec::new(),
        }
    }

    /// How it is read, once that is known.
    pub fn layout(&self) -> Option<&Layout> {
        self.layout.as_ref()
    }

    /// True where its characters have two bytes: NUL bytes are then no sign of space that is still to be filled.
    pub fn is_wide(&self) -> bool {
        self.wide.is_some()
    }

    /// The next bytes of the file. An unfinished last line waits for its rest.
    pub fn feed(&mut self, bytes: &[u8]) {
        let bytes = self.begin(bytes);
        match &mut self.wide {
            None => self.pending.extend_from_slice(bytes),
            Some(decoder) => {
                let mut text = String::with_capacity(bytes.len() + 16);
                let mut rest = bytes;
                loop {
                    let (result, read, _) = decoder.decode_to_string(rest, &mut text, false);
                    rest = rest.get(read..).unwrap_or_default();
                    if result == CoderResult::InputEmpty {
                        break;
                    }
                    text.reserve(rest.len() + 16);
                }
                self.pending.extend_from_slice(text.as_bytes());
            }
        }
        self.work();
    }

    /// Looks for a byte order mark, or UTF-16 without one, in the first bytes.
    fn begin<'b>(&mut self, bytes: &'b [u8]) -> &'b [u8] {
        if self.begun || bytes.is_empty() {
            return bytes;
        }
        self.begun = true;
        match bytes {
            [0xEF, 0xBB, 0xBF, rest @ ..] => rest,
            [0xFF, 0xFE, rest @ ..] => {
                self.wide = Some(UTF_16LE.new_decoder_without_bom_handling());
                rest
            }
            [0xFE, 0xFF, rest @ ..] => {
                self.wide = Some(UTF_16BE.new_decoder_without_bom_handling());
                rest
            }
            [a, 0, b, 0, ..] if *a != 0 && *b != 0 => {
                self.wide = Some(UTF_16LE.new_decoder_without_bom_handling());
                bytes
            }
            [0, a, 0, b, ..] if *a != 0 && *b != 0 => {
                self.wide = Some(UTF_16BE.new_decoder_without_bom_handling());
                bytes
            }
            _ => bytes,
        }
    }

    fn work(&mut self) {
        if self.layout.is_none() {
            self.sniff();
        }
        let Some(layout) = self.layout.clone() else {
            return;
        };
        let pending = std::mem::take(&mut self.pending);
        let mut at = 0;
        while let Some(end) = next_line_end(&pending, at) {
            let (stop, next) = line_at(&pending, at);
            debug_assert!(stop <= end);
            self.line(pending.get(at..stop).unwrap_or_default(), &layout);
            at = next;
        }
        let rest = pending.get(at..).unwrap_or_default();
        if rest.len() <= LONGEST_LINE {
            self.pending = rest.to_vec();
        }
        if self.strange >= STRANGE_LINES {
            // The export has changed: its header comes anew.
            self.strange = 0;
            self.layout = None;
        }
    }

    fn sniff(&mut self) {
        let whole = self
            .pending
            .iter()
            .rposition(|b| matches!(b, b'\n' | b'\r'))
            .map_or(0, |n| n + 1);
        let head = self.pending.get(..whole.min(HEAD)).unwrap_or_default();
        // A line that the limit cuts in two is left out.
        let cut = head
            .iter()
            .rposition(|b| matches!(b, b'\n' | b'\r'))
            .map_or(0, |n| n + 1);
        match sniff(head.get(..cut).unwrap_or_default(), self.unit) {
            Ok(Some(layout)) => {
                for note in layout.notes.clone() {
                    self.say(note);
                }
                self.layout = Some(layout);
            }
            Ok(None) => {}
            Err(why) => self.say(why),
        }
        if self.layout.is_none() && self.pending.len() > HEAD {
            // No log so far: what comes later may be one.
            let keep = self.pending.len() - HEAD / 2;
            self.pending.drain(..keep);
        }
    }

    fn line(&mut self, line: &[u8], layout: &Layout) {
        let Some(cells) = layout.dialect.split(line) else {
            return;
        };
        if self.row(&cells, layout).is_some() {
            self.strange = 0;
        } else {
            self.strange += 1;
        }
    }

    /// Takes a row; `None` where it is none.
    fn row(&mut self, cells: &[&[u8]], layout: &Layout) -> Option<()> {
        let value = layout.dialect.number(cells.get(layout.pressure)?)? * layout.factor;
        if value.abs() > HIGHEST_MPA {
            return None;
        }
        let text = time_text(cells, layout.time)?;
        let raw = match layout.time {
            TimeColumn::Stamp(_) | TimeColumn::DateAndClock(..) => self.clock.moment(&text)?,
            TimeColumn::Clock(_) => self.clock.elapsed(elapsed(text.as_bytes())?, true),
            TimeColumn::Elapsed { factor_s, .. } => {
                let s = layout.dialect.number(text.as_bytes())?;
                self.clock.elapsed(s * factor_s, false)
            }
            TimeColumn::Trace(_) => {
                let stem = stem(&text)?.to_owned();
                self.injections.push(OfInjection { stem, mpa: value });
                return Some(());
            }
        };
        self.rows.push((raw, self.clock.restarts(), value));
        Some(())
    }

    fn say(&mut self, note: String) {
        if !self.told.contains(&note) && self.told.len() < 20 {
            self.told.push(note.clone());
            self.notes.push(note);
        }
    }

    /// What has been read since the last call, the file's modification time now being `written`.
    pub fn take(&mut self, written: Timestamp) -> Taken {
        let rows = std::mem::take(&mut self.rows);
        let raws: Vec<(Raw, u32)> = rows.iter().map(|(raw, n, _)| (*raw, *n)).collect();
        let times = self.clock.settle(&raws, written);
        let lost = times.iter().filter(|t| t.is_none()).count();
        if lost > 0 {
            self.say(format!(
                "{lost} readings of an earlier start of the elapsed time have no known time and are left out"
            ));
        }
        let readings = times.into_iter().zip(rows).filter_map(|(at, (_, _, mpa))| {
            Some(Reading {
                at: at?,
                mpa,
                whole: false,
            })
        });
        Taken {
            readings: readings.collect(),
            injections: std::mem::take(&mut self.injections),
            notes: std::mem::take(&mut self.notes),
        }
    }
}

/// Where the line that starts at `at` has its end mark; `None` for an unfinished one.
fn next_line_end(bytes: &[u8], at: usize) -> Option<usize> {
    let rest = bytes.get(at..)?;
    memchr::memchr2(b'\n', b'\r', rest).map(|n| at + n)
}

/// The stem of a trace's name, whatever folder stands before it.
fn stem(text: &str) -> Option<&str> {
    let name = text.rsplit(['/', '\\']).next()?;
    let stem = crate::runlist::stem(name);
    (!stem.is_empty()).then_some(stem)
}

#[cfg(test)]
mod tests;
