//! From peaks to analytes: which peak stands where the method expects one, and what is said of it.

mod told;

use told::{Asked, told};

use crate::method::{Analyte, Area, Column, Method};
use crate::reading::{Evaluation, Found, Reading, Unreadable};
use crate::signal::steer::{Span, Steering, Wish};
use crate::signal::{self, Params, Profile};
use crate::trace::{SignalUnit, Trace};

/// A run that ends earlier than this part of its time is told.
const EARLY: f64 = 0.99;
/// Part of an analyte's window that may lie between two samples.
const GAP: f64 = 0.3;

/// Integrates a trace and finds the method's analytes in it.
///
/// A trace that ends before the last analyte's search window does is [`Evaluation::Unreadable`]; one that starts or
/// stops otherwise early is read, with a note. Samples that cannot be integrated, and a gap inside a window, are
/// [`Evaluation::Unreadable`] too.
pub fn evaluate(trace: &Trace, method: &Method) -> Evaluation {
    let (Some(first), Some(last)) = (trace.time_s.first(), trace.time_s.last()) else {
        return Evaluation::Unreadable(Unreadable {
            line: None,
            message: "no samples, expected a trace".to_owned(),
        });
    };
    if let Some(short) = too_short(trace, method, *last) {
        return Evaluation::Unreadable(short);
    }
    if !signal::is_usable(&trace.time_s, &trace.signal_mau) {
        return Evaluation::Unreadable(Unreadable {
            line: None,
            message: "times that do not increase or values that are no signal, expected a trace"
                .to_owned(),
        });
    }
    if let Some(gap) = gap(trace, method) {
        return Evaluation::Unreadable(gap);
    }
    let profile = signal::integrate(&trace.time_s, &trace.signal_mau, &params(method));
    let analytes = find(&profile, method, *last);
    Evaluation::Read(Reading {
        points: trace.time_s.len() as u64,
        start_min: first / 60.0,
        end_min: last / 60.0,
        noise_mau: profile.noise_mau,
        drift_mau_per_h: profile.drift_mau_per_h,
        notes: notes(&profile, method, *first, *last),
        air: profile.air,
        analytes,
        signal_unit: unit(trace.layout.signal_unit).to_owned(),
    })
}

/// What the method tells the integration.
pub fn params(method: &Method) -> Params {
    let usual = Params::default();
    Params {
        peak_width_s: method.conditions.peak_width_s,
        plates_max: method
            .column
            .as_ref()
            .and_then(most_plates)
            .unwrap_or(usual.plates_max),
        detector_max_mau: method.conditions.detector_max_mau,
        first_peak_s: method
            .analytes
            .iter()
            .map(|a| a.retention_min * 60.0)
            .fold(f64::INFINITY, f64::min)
            / 2.0,
        steering: steering(method),
        ..usual
    }
}

/// What the method orders, in seconds.
fn steering(method: &Method) -> Steering {
    let span = |s: &crate::method::Span| Span {
        from_s: 60.0 * s.from_min,
        to_s: 60.0 * s.to_min,
        no_peaks: s.no_peaks,
        baseline: s.baseline,
    };
    let wish = |a: &Analyte| Wish {
        from_s: 60.0 * (a.retention_min - a.window_min),
        to_s: 60.0 * (a.retention_min + a.window_min),
        baseline: a.steering.baseline,
        bounds_s: a.steering.bounds_min.map(|b| b.map(|t| 60.0 * t)),
        fit: a.steering.area == Area::Fitted,
    };
    let ordered = |w: &Wish| w.baseline.is_some() || w.bounds_s.is_some() || w.fit;
    Steering {
        spans: method.integration.spans.iter().map(span).collect(),
        wishes: method.analytes.iter().map(wish).filter(ordered).collect(),
        fit_all: method.integration.fit,
    }
}

/// A plate height of one particle: better than any packed bed (twice that is a good one; common practice).
fn most_plates(column: &Column) -> Option<f64> {
    let plates = 1000.0 * column.length_mm? / column.particle_um?;
    (plates.is_finite() && plates > 0.0).then(|| plates.clamp(5_000.0, 500_000.0))
}

fn too_short(trace: &Trace, method: &Method, last_s: f64) -> Option<Unreadable> {
    let due_s = 60.0
        * method
            .last_window_end_min()
            .min(method.conditions.run_time_min);
    let interval_s =
        (last_s - trace.time_s.first()?) / trace.time_s.len().saturating_sub(1).max(1) as f64;
    (last_s + 2.0 * interval_s < due_s).then(|| Unreadable {
        line: Some(trace.layout.last_line),
        message: format!(
            "the trace ends at {:.2} min, expected at least {:.2} min, the end of the last analyte's window",
            last_s / 60.0,
            due_s / 60.0
        ),
    })
}

/// A stretch without samples inside an analyte's window: whether it has a peak there cannot be told.
fn gap(trace: &Trace, method: &Method) -> Option<Unreadable> {
    let times = &trace.time_s;
    method.analytes.iter().find_map(|a| {
        let (from, to) = (
            60.0 * (a.retention_min - a.window_min),
            60.0 * (a.retention_min + a.window_min),
        );
        let first = times.partition_point(|t| *t <= from).saturating_sub(1);
        let inside = times[first..].windows(2).take_while(|t| t[0] < to);
        let missing = |t: &&[f64]| {
            let (start, end) = (t[0].max(from), t[1].min(to));
            end - start > GAP * (to - from)
        };
        inside.into_iter().find(missing).map(|t| Unreadable {
            line: None,
            message: format!(
                "no samples between {:.2} and {:.2} min, inside the window of {}, expected them without gaps",
                t[0] / 60.0,
                t[1] / 60.0,
                a.name
            ),
        })
    })
}

fn notes(profile: &Profile, method: &Method, first_s: f64, last_s: f64) -> Vec<String> {
    let mut notes = Vec::new();
    let run_min = method.conditions.run_time_min;
    if last_s / 60.0 < EARLY * run_min {
        notes.push(format!(
            "stops at {:.2} min of {:.2}",
            last_s / 60.0,
            run_min
        ));
    }
    let late = method
        .analytes
        .iter()
        .find(|a| first_s / 60.0 > a.retention_min - a.window_min);
    if let Some(a) = late {
        notes.push(format!(
            "starts at {:.2} min, inside the window of {}",
            first_s / 60.0,
            a.name
        ));
    }
    if profile.air.is_none() && profile.bridged > 0 {
        notes.push(format!(
            "{} bridged",
            crate::text::count(profile.bridged as usize, "single spike")
        ));
    }
    notes
}

fn unit(unit: SignalUnit) -> &'static str {
    match unit {
        SignalUnit::MicroAu | SignalUnit::MilliAu | SignalUnit::Au => "mAU",
        SignalUnit::NanoRiu => "nRIU",
        SignalUnit::MicroVolt => "uV",
        SignalUnit::MilliVolt => "mV",
    }
}

/// One entry for each analyte. Of several peaks in a window the nearest to the expected place is taken; a peak that
/// stands in two windows serves the analyte whose place is nearer.
fn find(profile: &Profile, method: &Method, end_s: f64) -> Vec<Option<Found>> {
    let analytes = &method.analytes;
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    let mut candidates = vec![0u32; analytes.len()];
    for (a, analyte) in analytes.iter().enumerate() {
        for (p, peak) in profile.peaks.iter().enumerate() {
            let away_min = (peak.apex_s / 60.0 - analyte.retention_min).abs();
            let least = analyte.steering.min_signal_to_noise.unwrap_or(0.0);
            if away_min <= analyte.window_min && peak.signal_to_noise >= least {
                pairs.push((away_min, a, p));
                candidates[a] += 1;
            }
        }
    }
    pairs.sort_by(|x, y| x.0.total_cmp(&y.0).then((x.1, x.2).cmp(&(y.1, y.2))));
    let mut found: Vec<Option<Found>> = vec![None; analytes.len()];
    let mut taken = vec![false; profile.peaks.len()];
    for (_, a, p) in pairs {
        if found[a].is_none() && !taken[p] {
            taken[p] = true;
            let asked = Asked {
                area: analytes[a].steering.area,
                dead_time_min: method.conditions.dead_time_min,
            };
            found[a] = Some(told(profile, p, candidates[a], end_s, asked));
        }
    }
    found
}

#[cfg(test)]
mod tests;
