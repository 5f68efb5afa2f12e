//! What goes into the course of a queue's pressure, and what comes out of it.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::check::Check;

/// What a queue's pressure is judged by.
#[derive(Debug, Clone)]
pub struct Terms {
    /// Highest pressure, MPa.
    pub max_mpa: Option<f64>,
    /// Lowest pressure, MPa.
    pub min_mpa: Option<f64>,
    /// The band that people expect, MPa.
    pub normal_mpa: Option<[f64; 2]>,
    /// The method's cycle time, s.
    pub cycle_s: f64,
    /// How long past its time a trace may be, s.
    pub late_s: f64,
    /// 1 in life; a rehearsal runs its cycle times faster.
    pub time_scale: f64,
    /// For times in messages.
    pub zone: TimeZone,
}

/// What is planned: positions and names in order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    /// Position and name of each injection.
    pub injections: Vec<(u64, String)>,
    /// A list says so: then the end is known.
    pub listed: bool,
}

/// What is wrong now.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Finding {
    /// Position and name of the injection that ran.
    pub running: Option<(u64, String)>,
    /// What was measured, MPa.
    pub measured_mpa: f64,
    /// Against which limit, MPa.
    pub limit_mpa: f64,
    /// Positions of the injections that it touches.
    pub affected: Vec<u64>,
    /// One sentence, without a final stop.
    pub message: String,
}

/// A condition began (`Some`) or ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// When, by the log's own time.
    pub at: Timestamp,
    /// Which.
    pub check: Check,
    /// What is wrong; `None`: no more.
    pub finding: Option<Finding>,
}
