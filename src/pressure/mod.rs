//! The pump's pressure: from the bytes of a growing log to what is said of a queue.
//!
//! [`log`] makes readings in MPa of the bytes as they come ([`layout`] tells the columns apart, [`time`] their times).
//! [`course`] is the pressure of one queue: it keeps what is needed in bounded memory and says when a condition begins and
//! ends, by [`limits`] (with the pulse of an injection left out), [`fall`] (a sudden drop, and the pump's shutdown that is none),
//! [`forecast`] on the slope of like phases of the cycle ([`slope`]), and [`ripple`]. [`digest`] is what the summary says.
//!
//! Pure: bytes, numbers and times come in as values.

mod cells;
pub mod course;
pub mod cycle;
pub mod digest;
pub mod fall;
pub mod forecast;
pub mod layout;
pub mod limits;
pub mod log;
pub mod pulse;
pub mod ripple;
#[cfg(test)]
mod simulate;
pub mod slope;
pub mod terms;
pub mod time;
pub mod unit;
pub mod words;

use jiff::Timestamp;

/// One reading of the pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When, by the log's own time.
    pub at: Timestamp,
    /// The pressure, MPa.
    pub mpa: f64,
    /// It stands for a whole injection, and not for a moment.
    pub whole: bool,
}
