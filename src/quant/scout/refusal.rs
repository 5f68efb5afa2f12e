//! Why a trace shows no compound that a method could be set by, and what to do.

use std::fmt;

use super::Other;
use crate::reading::Air;
use crate::text::{count, fixed, one_line};

/// So many peaks are named.
const NAMED: usize = 6;

/// Why no analyte is proposed.
#[derive(Debug, Clone, PartialEq)]
pub enum Refusal {
    /// Air in the lines: nothing in the trace can be believed.
    Air(Air),
    /// No peak that could be the compound.
    Nothing {
        /// First and last time of the trace, min.
        span_min: [f64; 2],
        /// So many peaks there are that do not count: the front, and what the method declares free of peaks.
        before: usize,
    },
    /// The detector was at its ceiling.
    Saturated {
        /// Apex of the peak, min.
        apex_min: f64,
    },
    /// Peaks of like size.
    Several {
        /// All of them in order of time, with the analyte of the method that stands there.
        alike: Vec<(Other, Option<String>)>,
        /// The front is known and left out.
        dead_time: bool,
    },
    /// The trace begins or ends inside the peak.
    Cut {
        /// Apex of the peak, min.
        apex_min: f64,
        /// First time of the trace, min.
        start_min: f64,
        /// Last time of the trace, min.
        end_min: f64,
    },
    /// Too small for its figures.
    Weak {
        /// Apex of the peak, min.
        apex_min: f64,
        /// 2H/h.
        signal_to_noise: f64,
        /// What it should be at least.
        needed: f64,
    },
    /// A neighbour hides its width at half height.
    Merged {
        /// Apex of the peak, min.
        apex_min: f64,
    },
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let min = |t: &f64| fixed(*t, 2);
        match self {
            Refusal::Air(air) => {
                let what = match usize::try_from(air.spikes) {
                    Ok(0) => "chaotic noise".to_owned(),
                    n => count(n.unwrap_or(usize::MAX), "spike"),
                };
                write!(
                    f,
                    "air in the lines: {what} between {} and {} min; purge, degas, wait for a flat baseline, and inject again",
                    min(&air.from_min),
                    min(&air.to_min)
                )
            }
            Refusal::Nothing { span_min, before } => nothing(f, *span_min, *before),
            Refusal::Saturated { apex_min } => write!(
                f,
                "the peak at {} min has a flat top: the detector was at its ceiling; dilute the solution tenfold and inject it again",
                min(apex_min)
            ),
            Refusal::Several { alike, dead_time } => several(f, alike, *dead_time),
            Refusal::Cut {
                apex_min,
                start_min,
                end_min,
            } => write!(
                f,
                "the trace, from {} to {} min, does not hold the whole peak at {} min; record from the injection until the baseline is \
flat again, and inject again",
                min(start_min),
                min(end_min),
                min(apex_min)
            ),
            Refusal::Weak {
                apex_min,
                signal_to_noise,
                needed,
            } => write!(
                f,
                "the peak at {} min has a signal-to-noise ratio of {}, expected at least {} for a width that can be believed; inject a \
stronger solution, or measure at a wavelength that sees the compound better",
                min(apex_min),
                fixed(*signal_to_noise, 1),
                fixed(*needed, 0)
            ),
            Refusal::Merged { apex_min } => write!(
                f,
                "the peak at {} min runs together with another above half of its height: it has no width of its own; inject the pure \
compound alone, and less of it",
                min(apex_min)
            ),
        }
    }
}

impl std::error::Error for Refusal {}

fn nothing(f: &mut fmt::Formatter<'_>, [from, to]: [f64; 2], before: usize) -> fmt::Result {
    let (from, to) = (fixed(from, 2), fixed(to, 2));
    let what = if before > 0 {
        format!(
            "no peak but {} in the front or where the method expects none",
            count(before, "peak")
        )
    } else {
        "no peak".to_owned()
    };
    write!(
        f,
        "{what}, from {from} to {to} min; the solution is too weak, the wavelength does not see the compound, or the trace ends \
before all of it has left the column: inject more of it, or record longer"
    )
}

fn several(
    f: &mut fmt::Formatter<'_>,
    alike: &[(Other, Option<String>)],
    dead_time: bool,
) -> fmt::Result {
    let peak = |(o, known): &(Other, Option<String>)| {
        let known = known
            .as_ref()
            .map(|name| format!(", where {} stands", one_line(name)))
            .unwrap_or_default();
        format!(
            "{} min ({} % of the area{known})",
            fixed(o.apex_min, 2),
            fixed(o.area_percent, 0)
        )
    };
    let mut named: Vec<String> = alike.iter().take(NAMED).map(peak).collect();
    if alike.len() > NAMED {
        named.push(format!("{} more", alike.len() - NAMED));
    }
    write!(
        f,
        "{} of like size, at {}: which of them is the compound cannot be told; inject the pure compound alone, from a purer lot or a \
fresh solution where one of them is an impurity",
        count(alike.len(), "peak"),
        named.join(", ")
    )?;
    if dead_time {
        return Ok(());
    }
    f.write_str(
        "; where the first is the front, inject more of the compound, or give the method a dead_time_min and name it with --against",
    )
}
