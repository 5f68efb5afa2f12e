//! What a practitioner would look at first: by check, and by the pattern over all analytes of a trace.
//!
//! Common practice of liquid chromatography, no source: hints where to look, never a finding.

use crate::check::Check;
use crate::night::queue::{Queue, Slot};
use crate::reading::{Evaluation, Reading};
use crate::runlist::Kind;
use crate::text::{fixed, one_line};

/// Recoveries of one injection that lie no further apart than this, in percentage points, moved together.
const TOGETHER_POINTS: f64 = 8.0;

/// Hints for the failures of one injection, the most telling first, each a sentence or two.
pub fn look_first(queue: &Queue, slot: &Slot) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for check in Check::ALL {
        if slot.assessment.failures.iter().any(|f| f.check == check) {
            out.extend(hint(queue, slot, check));
        }
    }
    out.dedup();
    out
}

fn hint(queue: &Queue, slot: &Slot, check: Check) -> Option<String> {
    match check {
        Check::NoPeak => Some(no_peak(queue, slot)),
        Check::Recovery => recovery(queue, slot),
        Check::StandardDrift if !has(slot, Check::Recovery) => Some(drift(queue, slot)),
        Check::StandardDrift => None,
        Check::RetentionShift => retention(queue, slot),
        Check::CarryOver => Some(carry_over(queue, slot)),
        Check::AirBubble => Some(air(slot)),
        other => general(other, slot.plan.kind).map(str::to_owned),
    }
}

const DRIFT: &str = "The response moves while the standard still passes: evaporation from a pierced vial, the injected volume, \
the lamp, or a compound that decomposes on the tray. Watch the next standard.";

/// The hint where no pattern says more.
pub fn general(check: Check, kind: Kind) -> Option<&'static str> {
    Some(match check {
        Check::UnreadableTrace => {
            "Open the file: an export that was cut short, another format or channel, or a full disk. Exporting it again under \
the same name is enough; its last content counts."
        }
        Check::MissingTrace => {
            "Look whether it was injected at all and only its export is missing: then export it under the listed name."
        }
        Check::RunList => {
            "Correct the list at the line that is named and save it: what has landed moves to where it belongs."
        }
        Check::AirBubble => {
            "Look at the eluent level and the inlet filter, degas, purge the pump until its pressure is steady, and wait for \
a flat baseline before injecting."
        }
        Check::Saturated if kind == Kind::Sample => {
            "The detector had no room left: dilute further, or inject less."
        }
        Check::Saturated => {
            "A known solution at the detector's ceiling: a wrong vial or level, or another wavelength or range than the method's."
        }
        Check::BlankNoise => {
            "Noise: bubbles in the flow cell, pump pulsation, a lamp near its end, a degasser that does not. Compare with \
the noise at no flow: what stays is lamp and electronics."
        }
        Check::BlankDrift => {
            "Drift: lamp or oven not warm yet, column not in equilibrium, eluent being used up or contaminated. It often \
settles within an hour of flow."
        }
        Check::Calibration => {
            "Look at the level that is named: one vial at fault leaves the others on a line. Inject that level again, or \
make it again; an error that grows from level to level is in the dilutions or the detector's range."
        }
        Check::PeakShape => {
            "Peak shape: a column that ages or has a void at its inlet, a frit or guard column partly blocked, a loose fitting, too much injected."
        }
        Check::LateTrace => {
            "At the instrument: a pump stopped by its pressure limit, an injector error, a door or tray that is open, an empty \
bottle. If injections go on, the export has stopped: its folder, the network, the disk."
        }
        Check::Replicates => {
            "Compare the traces of the group: integration first, then the vials (dilution, mixing, filtering). Nothing is left out by itself."
        }
        _ => return None,
    })
}

/// The hint for a condition of the station, by the name of its check.
pub fn of_station(check: &str) -> Option<&'static str> {
    Some(match check {
        "pressure-high" => {
            "After a slow rise: pre-filter, guard column or inlet frit. After a sudden one: a capillary or the injector blocked, salt \
fallen out of a buffer, a cold oven. Which part it is shows when the flow path is opened from the detector backwards, by the rules of your laboratory."
        }
        "pressure-low" => {
            "A leak, an empty bottle, air in the pump, or a pump that has stopped. Look under the fittings first: the eluent is an acid."
        }
        "pressure-rise" => {
            "Pressure that climbs slowly: most often a pre-filter, guard column or inlet frit that fills up. Have a new one ready, and \
think about filtering the samples."
        }
        "pressure-ripple" => {
            "Air in a pump head, a check valve that sticks, a worn piston seal. Degas and purge first; a valve can be cleaned, a seal changed."
        }
        "eluent-short" => {
            "Fill the bottle with the same eluent between two injections, or shorten the queue. A pump that draws air spoils every \
injection after it. Reckoned from a full bottle, as the method says: what an earlier queue drank from it comes on top."
        }
        "waste-full" => {
            "Empty the waste container or change it before it runs over, by the rules of your laboratory. Reckoned from an empty \
container, as the method says: what an earlier queue left in it comes on top."
        }
        other => return general(Check::parse(other)?, Kind::Sample),
    })
}

fn has(slot: &Slot, check: Check) -> bool {
    slot.assessment.failures.iter().any(|f| f.check == check)
}

fn reading(slot: &Slot) -> Option<&Reading> {
    match &slot.landing.as_ref()?.evaluation {
        Evaluation::Read(reading) => Some(reading),
        Evaluation::Unreadable(_) => None,
    }
}

fn analyte(queue: &Queue, k: usize) -> String {
    queue
        .method()
        .analytes
        .get(k)
        .map(|a| one_line(&a.name))
        .unwrap_or_default()
}

/// Names of the analytes that fail a check.
fn failing(queue: &Queue, slot: &Slot, check: Check) -> String {
    let of_check = slot.assessment.failures.iter().filter(|f| f.check == check);
    of_check
        .filter_map(|f| f.analyte)
        .map(|k| analyte(queue, k))
        .collect::<Vec<_>>()
        .join(" and ")
}

fn no_peak(queue: &Queue, slot: &Slot) -> String {
    let found = reading(slot).is_some_and(|r| r.analytes.iter().any(Option::is_some));
    if found {
        format!(
            "{} alone shows no peak: has it moved out of its window (eluent, temperature), or has it decomposed in the vial?",
            failing(queue, slot, Check::NoPeak)
        )
    } else {
        "No peak at all: probably nothing was injected. Look at the vial's place and level, the needle and its seat, the \
syringe; then at flow and lamp."
            .to_owned()
    }
}

fn recovery(queue: &Queue, slot: &Slot) -> Option<String> {
    let all: Vec<f64> = slot
        .assessment
        .lines
        .iter()
        .filter_map(|l| l.recovery_percent)
        .collect();
    let (least, most) = (
        all.iter().copied().reduce(f64::min)?,
        all.iter().copied().reduce(f64::max)?,
    );
    let percent = if fixed(least, 0) == fixed(most, 0) {
        format!("{} %", fixed(least, 0))
    } else {
        format!("{} to {} %", fixed(least, 0), fixed(most, 0))
    };
    let [low, high] = queue.method().limits.recovery_percent;
    let several = all.len() > 1;
    let together = most - least <= TOGETHER_POINTS && several;
    let names = failing(queue, slot, Check::Recovery);
    Some(if together && least < low && most < 100.0 {
        format!(
            "All analytes are low together ({percent}): less was injected, or the solution is weaker. Look at the vial (level, \
septum, air under the needle), the injected volume, bubbles or a leak at syringe and valve."
        )
    } else if together && most > high && least > 100.0 {
        format!(
            "All analytes are high together ({percent}): more was injected, or the solution is stronger. Look for evaporation \
from an open or often pierced vial, a vial of another level, the injected volume."
        )
    } else if least < low && most > high {
        format!(
            "Some are high and some low ({percent}): a vial of another level or mixture, or peaks given to the wrong names."
        )
    } else if !several {
        // One figure cannot tell the vial from the integration.
        format!(
            "{names} is the only analyte with a recovery here ({percent}): look at the vial and the injected volume, then at how its \
peak was integrated."
        )
    } else if most < low || least > high {
        let side = if most < low { "low" } else { "high" };
        format!(
            "All analytes are {side}, and not alike ({percent}): the injected volume would move all by the same share. Look at the \
solution (level, age, decomposition), then at how each peak was integrated."
        )
    } else {
        part(&names, least < low)
    })
}

/// Some analytes fail on one side, and the others are within the limits.
fn part(names: &str, low: bool) -> String {
    let (is, that) = if names.contains(" and ") {
        ("are", "those peaks were")
    } else {
        ("is", "that peak was")
    };
    if low {
        format!(
            "{names} {is} low and the rest is not: look at how {that} integrated (baseline, a neighbour), then whether the \
compound decomposes or is consumed in the vial."
        )
    } else {
        let it = if is == "are" { "they were" } else { "it was" };
        format!(
            "{names} {is} high and the rest is not: look for a neighbour under the peak or carry-over, then at how {it} integrated."
        )
    }
}

/// How the areas have moved since the queue's first standard of this level, %, one for each analyte with both.
fn moved(queue: &Queue, slot: &Slot) -> Vec<f64> {
    let same = |s: &&Slot| s.plan.kind == slot.plan.kind && s.plan.level == slot.plan.level;
    let mut landed = queue.slots().iter().filter(same);
    let Some(first) = landed.find(|s| reading(s).is_some()) else {
        return Vec::new();
    };
    let areas = |s: &Slot| -> Vec<Option<f64>> {
        let correction = crate::check::volume_correction(&s.plan, queue.method());
        let lines = s.assessment.lines.iter();
        lines.map(|l| Some(l.area_mau_s? * correction)).collect()
    };
    let pairs = areas(first).into_iter().zip(areas(slot));
    pairs
        .filter_map(|(a, b)| Some(100.0 * (b? / a? - 1.0)))
        .filter(|x| x.is_finite())
        .collect()
}

fn drift(queue: &Queue, slot: &Slot) -> String {
    let all = moved(queue, slot);
    let enough = queue.method().limits.standard_area_drift_percent / 2.0;
    let names = failing(queue, slot, Check::StandardDrift);
    if all.len() < 2 {
        DRIFT.to_owned()
    } else if all.iter().all(|x| *x < -enough) {
        "All areas are down together while the standard still passes: less is injected from time to time, or the solution weakens. \
Look at the injected volume, then at the vial (level, septum). Watch the next standard."
            .to_owned()
    } else if all.iter().all(|x| *x > enough) {
        "All areas are up together while the standard still passes: evaporation from a pierced vial, or more is injected. Watch \
the next standard."
            .to_owned()
    } else if all.iter().filter(|x| x.abs() > enough).count() == 1 {
        format!(
            "{names} alone moves while the standard still passes: look at how its peak is integrated, then whether the compound \
decomposes on the tray. Watch the next standard."
        )
    } else {
        DRIFT.to_owned()
    }
}

/// Spikes are bubbles in the detector; noise alone need not be.
fn air(slot: &Slot) -> String {
    let spikes = reading(slot)
        .and_then(|r| r.air.as_ref())
        .is_none_or(|a| a.spikes > 0);
    let usual = general(Check::AirBubble, slot.plan.kind).unwrap_or_default();
    if spikes {
        format!("Spikes: bubbles pass the detector. {usual}")
    } else {
        format!(
            "Chaotic noise without spikes: air in a pump head or at a check valve, more than a bubble in the detector. {usual}"
        )
    }
}

/// Shifts of all peaks, %, later ones positive.
fn shifts(queue: &Queue, slot: &Slot) -> Vec<f64> {
    let Some(reading) = reading(slot) else {
        return Vec::new();
    };
    let pairs = queue.method().analytes.iter().zip(&reading.analytes);
    pairs
        .filter_map(|(a, f)| Some(100.0 * (f.as_ref()?.retention_min / a.retention_min - 1.0)))
        .collect()
}

fn retention(queue: &Queue, slot: &Slot) -> Option<String> {
    let all = shifts(queue, slot);
    let enough = queue.method().limits.retention_shift_percent / 2.0;
    Some(if all.len() > 1 && all.iter().all(|s| *s > enough) {
        "All peaks come later: less flow (a leak, air or a check valve in the pump) or a colder oven.".to_owned()
    } else if all.len() > 1 && all.iter().all(|s| *s < -enough) {
        "All peaks come earlier: more flow, a warmer oven, another eluent strength, or a column that has been losing retention for a while.".to_owned()
    } else if all.len() > 1 {
        format!(
            "{} has moved and the rest has not: is it the right peak? The acidity of the eluent moves one acid more than another.",
            failing(queue, slot, Check::RetentionShift)
        )
    } else {
        "The peak has moved: flow and oven temperature first, then the eluent, then whether it is the right peak.".to_owned()
    })
}

fn carry_over(queue: &Queue, slot: &Slot) -> String {
    let before = queue
        .slots()
        .iter()
        .rev()
        .find(|s| s.plan.position < slot.plan.position && s.landing.is_some());
    let after = before
        .map(|s| {
            format!(
                " It followed {} (position {}).",
                one_line(&s.plan.name),
                s.plan.position
            )
        })
        .unwrap_or_default();
    format!(
        "{} in a blank.{after} Inject the blank again: what shrinks was carried over (needle wash, seat, valve), what stays is in \
the blank itself, its vial, or the eluent.",
        failing(queue, slot, Check::CarryOver)
    )
}

#[cfg(test)]
mod tests;
