//! From peaks to analytes: which peak stands where the method expects one, and what is said of it.

use crate::method::{Analyte, Column, Method};
use crate::reading::{Evaluation, Found, Reading, Unreadable};
use crate::signal::{self, Params, Peak, Profile, Rule};
use crate::trace::{SignalUnit, Trace};

/// Resolution below which a vertical between unequal neighbours biases their areas. Common practice: at 1.5 and
/// 10 : 1 the error is 0.2 % for Gaussians, at 1.0 it is 8 %.
const PARTED: f64 = 1.5;
/// Neighbours count as unequal from this ratio of heights.
const UNEQUAL: f64 = 1.5;
/// A neighbour smaller than this part of a peak does not bias it noticeably.
const NEGLIGIBLE: f64 = 0.2;
/// A run that ends earlier than this part of its time is told.
const EARLY: f64 = 0.99;

/// Integrates a trace and finds the method's analytes in it.
///
/// A trace that ends before the last analyte's search window does is [`Evaluation::Unreadable`]; one that starts or
/// stops otherwise early is read, with a note.
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
    let profile = signal::integrate(&trace.time_s, &trace.signal_mau, &params(method));
    let analytes = find(&profile, &method.analytes, *last);
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
        ..usual
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
fn find(profile: &Profile, analytes: &[Analyte], end_s: f64) -> Vec<Option<Found>> {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    let mut candidates = vec![0u32; analytes.len()];
    for (a, analyte) in analytes.iter().enumerate() {
        for (p, peak) in profile.peaks.iter().enumerate() {
            let away_min = (peak.apex_s / 60.0 - analyte.retention_min).abs();
            if away_min <= analyte.window_min {
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
            found[a] = Some(told(profile, p, candidates[a], end_s));
        }
    }
    found
}

/// A peak in the words of a [`Reading`].
fn told(profile: &Profile, index: usize, candidates: u32, end_s: f64) -> Found {
    let peak = &profile.peaks[index];
    let resolution = match (peak.resolution_before, peak.resolution_after) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    Found {
        retention_min: peak.apex_s / 60.0,
        area_mau_s: peak.area_mau_s,
        height_mau: peak.height_mau,
        signal_to_noise: peak.signal_to_noise,
        tailing: peak.tailing,
        plates: peak.plates,
        resolution,
        width_half_s: peak.width_50_s,
        start_min: peak.start_s / 60.0,
        end_min: peak.end_s / 60.0,
        baseline_start_mau: peak.baseline_start_mau,
        baseline_end_mau: peak.baseline_end_mau,
        rule: peak.rule.words().to_owned(),
        candidates,
        saturated: peak.saturated,
        doubtful: doubtful(&profile.peaks, index, end_s),
    }
}

/// Why an area counts as biased.
fn doubtful(peaks: &[Peak], index: usize, end_s: f64) -> Option<String> {
    let peak = &peaks[index];
    if peak.end_s >= end_s && peak.rule == Rule::ValleyToValley {
        return Some("the trace ends before the peak does".to_owned());
    }
    if peak.rule == Rule::TangentSkim {
        return Some("it rides on the tail of a larger peak".to_owned());
    }
    let before = index
        .checked_sub(1)
        .and_then(|i| peaks.get(i))
        .map(|n| (n, n.end_s, peak.start_s, peak.resolution_before));
    let after = peaks
        .get(index + 1)
        .map(|n| (n, peak.end_s, n.start_s, peak.resolution_after));
    let worst = before
        .into_iter()
        .chain(after)
        .filter(|(n, a, b, resolution)| {
            let ratio = n.height_mau / peak.height_mau;
            let unequal = ratio.max(1.0 / ratio) >= UNEQUAL && ratio > NEGLIGIBLE;
            a >= b && unequal && resolution.is_none_or(|r| r < PARTED)
        })
        .min_by(|x, y| x.3.unwrap_or(0.0).total_cmp(&y.3.unwrap_or(0.0)))?;
    let ratio = worst.0.height_mau / peak.height_mau;
    let size = if ratio >= 1.0 {
        format!("{ratio:.1} times as high")
    } else {
        format!("{:.0} % as high", 100.0 * ratio)
    };
    let resolution = worst.3.map_or("below 1".to_owned(), |r| format!("{r:.2}"));
    Some(format!(
        "{} at resolution {resolution} from a neighbour {size}",
        peak.rule.words()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::method::{Conditions, Fit, Limits, Weight};
    use crate::signal::made::{Dice, Made};
    use crate::trace::{Delimiter, Layout, TimeUnit};

    fn method(places: &[(&str, f64, f64)]) -> Method {
        let analytes = places
            .iter()
            .map(|(name, retention_min, window_min)| Analyte {
                name: (*name).to_owned(),
                retention_min: *retention_min,
                window_min: *window_min,
                unit: "mmol/L".to_owned(),
                molar_mass_g_mol: None,
            })
            .collect();
        Method {
            name: "organic acids in brine".to_owned(),
            conditions: Conditions {
                run_time_min: 22.0,
                overhead_min: 0.0,
                flow_ml_min: Some(0.6),
                injection_ul: None,
                wavelength_nm: Some(210.0),
                oven_c: None,
                detector_max_mau: None,
                peak_width_s: None,
            },
            column: None,
            eluent: None,
            analytes,
            levels: Vec::new(),
            limits: Limits::default(),
            fit: Fit {
                weight: Weight::InverseX,
                through_zero: false,
                degree: crate::method::Degree::Straight,
            },
            sha256: String::new(),
        }
    }

    fn trace(m: Made) -> Trace {
        let layout = Layout {
            encoding: "UTF-8".to_owned(),
            delimiter: Delimiter::Comma,
            decimal: b'.',
            header_line: None,
            first_line: 1,
            last_line: m.time_s.len() as u64,
            columns: 2,
            time_column: 1,
            time_name: String::new(),
            signal_column: 2,
            signal_name: String::new(),
            time_unit: TimeUnit::Minutes,
            time_unit_from: String::new(),
            signal_unit: SignalUnit::MilliAu,
            signal_unit_from: String::new(),
            notes: Vec::new(),
        };
        Trace {
            time_s: m.time_s,
            signal_mau: m.signal_mau,
            layout,
        }
    }

    fn read(m: Made, method: &Method) -> Reading {
        match evaluate(&trace(m), method) {
            Evaluation::Read(reading) => reading,
            Evaluation::Unreadable(why) => panic!("{why:?}"),
        }
    }

    const ACIDS: [(&str, f64, f64); 2] = [("lactic acid", 12.9, 0.4), ("acetic acid", 15.2, 0.4)];

    #[test]
    fn analytes_are_found_at_their_places() {
        let m = Made::flat(22.0, 8.0, 1)
            .front(336.0)
            .peak(240.0, 774.0, 9.0, 3.8)
            .peak(180.0, 912.0, 10.0, 4.2)
            .white(0.03);
        let r = read(m, &method(&ACIDS));
        assert_eq!(
            (r.points, r.notes.len(), r.signal_unit.as_str()),
            (10561, 0, "mAU")
        );
        let lactic = r.analytes[0].clone().unwrap();
        assert!(
            (lactic.area_mau_s / 240.0 - 1.0).abs() < 0.01
                && (lactic.retention_min - 12.94).abs() < 0.02,
            "{lactic:?}"
        );
        assert_eq!(
            (lactic.candidates, lactic.rule.as_str(), lactic.doubtful),
            (1, "valley to valley", None)
        );
        assert!((r.analytes[1].clone().unwrap().area_mau_s / 180.0 - 1.0).abs() < 0.01);
    }

    #[test]
    fn an_empty_window_stays_empty_even_beside_a_large_neighbour() {
        for seed in 0..20 {
            let mut d = Dice::new(seed);
            let rate = [1.0, 8.0][seed as usize % 2];
            // A large unknown whose tail crosses the window of lactic acid.
            let m = Made::flat(22.0, rate, seed).front(336.0).peak(
                d.even(500.0, 50_000.0),
                710.0,
                9.0,
                d.even(4.0, 18.0),
            );
            let r = read(
                m.coloured(0.05, 0.5),
                &method(&[("lactic acid", 12.9, 0.4)]),
            );
            assert_eq!(r.analytes, [None], "{seed}");
        }
    }

    #[test]
    fn the_nearest_of_several_is_taken_and_a_peak_serves_once() {
        let made = |second: f64| {
            Made::flat(22.0, 8.0, 1)
                .peak(240.0, 770.0, 7.0, 2.0)
                .peak(240.0, second, 7.0, 2.0)
                .white(0.03)
        };
        let r = read(made(815.0), &method(&[("lactic acid", 12.9, 1.0)]));
        let lactic = r.analytes[0].clone().unwrap();
        assert!(
            lactic.candidates == 2 && (lactic.retention_min - 12.87).abs() < 0.03,
            "{lactic:?}"
        );
        // Both windows hold the first peak alone: the nearer analyte has it.
        let both = method(&[("lactic acid", 12.9, 0.4), ("formic acid", 13.2, 0.4)]);
        let r = read(made(1000.0), &both);
        assert!(r.analytes[0].is_some() && r.analytes[1].is_none());
        // With a peak for each, each has its own.
        let r = read(made(806.0), &both);
        assert!((r.analytes[1].clone().unwrap().retention_min - 13.47).abs() < 0.03);
    }

    #[test]
    fn a_small_one_beside_a_large_one_is_doubtful() {
        let m = Made::flat(22.0, 8.0, 1)
            .peak(2400.0, 774.0, 9.0, 3.0)
            .peak(300.0, 820.0, 9.0, 3.0)
            .white(0.03);
        let r = read(
            m,
            &method(&[("lactic acid", 12.9, 0.3), ("formic acid", 13.7, 0.3)]),
        );
        let formic = r.analytes[1].clone().unwrap();
        assert_eq!(formic.rule, "perpendicular drop");
        assert!(formic.resolution.unwrap() < 1.5);
        assert!(formic.doubtful.unwrap().contains("times as high"));
        assert_eq!(r.analytes[0].clone().unwrap().doubtful, None);
    }

    #[test]
    fn a_trace_that_ends_too_soon_is_unreadable_and_one_that_ends_early_is_told() {
        let method = method(&ACIDS);
        match evaluate(&trace(Made::flat(14.2, 8.0, 1)), &method) {
            Evaluation::Unreadable(why) => {
                assert!(
                    why.message.contains("14.20 min") && why.message.contains("15.60 min"),
                    "{why:?}"
                );
            }
            Evaluation::Read(r) => panic!("{r:?}"),
        }
        assert_eq!(
            read(Made::flat(18.2, 8.0, 1).white(0.03), &method).notes,
            ["stops at 18.20 min of 22.00"]
        );
        assert!(
            read(Made::flat(21.9, 8.0, 1).white(0.03), &method)
                .notes
                .is_empty()
        );
        // One sampling interval short of the window's end is whole.
        assert!(matches!(
            evaluate(&trace(Made::flat(15.59, 1.0, 1)), &method),
            Evaluation::Read(_)
        ));
    }
}
