use super::*;
use crate::night::fixture;
use crate::signal::made::Made;
use crate::signal::{Params, integrate};

/// Standard deviation and tail of the peaks, s.
const SIGMA_S: f64 = 9.0;
const TAU_S: f64 = 3.0;

/// A trace of 22 min with peaks at these times, min, of these areas, mAU·s.
fn made(peaks: &[(f64, f64)]) -> Made {
    let mut made = Made::flat(22.0, 4.0, 7).white(0.01);
    for (at_min, area) in peaks {
        made = made.peak(*area, 60.0 * at_min, SIGMA_S, TAU_S);
    }
    made
}

fn seen(made: &Made) -> Profile {
    integrate(&made.time_s, &made.signal_mau, &Params::default())
}

fn proposed(
    peaks: &[(f64, f64)],
    method: Option<&Method>,
    name: &str,
) -> Result<Proposal, Refusal> {
    propose(&seen(&made(peaks)), [0.0, 22.0], method, name)
}

/// Two acids at 12.9 and 15.2 min, windows of 0.4 min.
fn method() -> Method {
    fixture::method()
}

#[test]
fn a_plain_peak_is_proposed() {
    let p = proposed(&[(9.0, 600.0)], None, "x").unwrap();
    // The tail moves apex and width a little: against the peak's own curve.
    let curve: Vec<f64> = (0..60_000)
        .map(|k| crate::signal::made::emg(f64::from(k) * 0.02, 540.0, SIGMA_S, TAU_S))
        .collect();
    let top = curve.iter().copied().fold(0.0, f64::max);
    let apex = curve.iter().position(|y| *y == top).unwrap() as f64 * 0.02;
    let width = curve.iter().filter(|y| **y >= 0.5 * top).count() as f64 * 0.02;
    assert!((60.0 * p.retention_min - apex).abs() < 0.3, "{p:?}");
    let plates = 5.54 * (apex / width).powi(2);
    assert!((p.plates / plates - 1.0).abs() < 0.02, "{p:?} {plates}");
    assert!(p.others.is_empty() && p.neighbours.is_empty() && !p.touches);
    assert!((p.area_percent - 100.0).abs() < 1e-9);
    // The width at half height, 0.39 min, is more than 3 % of 9 min.
    assert_eq!(p.window.because, Because::Width);
    assert!(
        (p.window.half_min - p.width_half_min).abs() <= 0.005 + 1e-9,
        "{p:?}"
    );
}

#[test]
fn a_late_sharp_peak_has_the_window_of_the_allowed_shift() {
    let p = proposed(&[(19.0, 600.0)], None, "x").unwrap();
    assert_eq!(p.window.because, Because::Shift(2.0));
    assert!((p.window.half_min - 0.57).abs() < 1e-9, "{p:?}");
}

#[test]
fn an_impurity_is_told_and_one_of_like_size_refused() {
    let p = proposed(&[(6.4, 30.0), (12.9, 600.0)], None, "x").unwrap();
    assert_eq!(p.others.len(), 1);
    assert!(
        (p.others[0].apex_min - 6.4).abs() < 0.05 && (p.others[0].area_percent - 4.76).abs() < 0.1
    );
    // Just below a quarter, and just above.
    assert!(proposed(&[(6.4, 144.0), (12.9, 600.0)], None, "x").is_ok());
    let refusal = proposed(&[(6.4, 156.0), (12.9, 600.0)], Some(&method()), "x").unwrap_err();
    let text = refusal.to_string();
    assert!(text.starts_with("2 peaks of like size, at 6.4"), "{text}");
    assert!(
        text.contains("(79 % of the area, where lactic acid stands)"),
        "{text}"
    );
    assert!(text.contains("inject the pure compound alone"), "{text}");
}

#[test]
fn the_front_does_not_count_where_it_is_known() {
    let mut method = method();
    let both = [(6.4, 600.0), (9.0, 600.0)];
    assert!(matches!(
        proposed(&both, Some(&method), "x"),
        Err(Refusal::Several { .. })
    ));
    method.conditions.dead_time_min = Some(6.0);
    let p = proposed(&both, Some(&method), "x").unwrap();
    assert!((p.retention_min - 9.0).abs() < 0.05 && p.others.is_empty());
    let only = proposed(&both[..1], Some(&method), "x").unwrap_err();
    assert!(
        only.to_string()
            .starts_with("no peak but 1 peak in the front"),
        "{only}"
    );
}

#[test]
fn what_shows_no_peak_is_refused() {
    let text = proposed(&[], None, "x").unwrap_err().to_string();
    assert!(
        text.starts_with("no peak, from 0.00 to 22.00 min; the solution is too weak"),
        "{text}"
    );
    // 600 mAU·s stand 800 noises high; a hundredth of it is found and too weak.
    let weak = proposed(&[(12.9, 3.0)], None, "x").unwrap_err();
    assert!(matches!(weak, Refusal::Weak { .. }), "{weak}");
}

#[test]
fn a_flat_top_is_refused() {
    let mut made = made(&[(12.9, 40_000.0)]);
    made.signal_mau.iter_mut().for_each(|y| *y = y.min(1000.0));
    let refusal = propose(&seen(&made), [0.0, 22.0], None, "x").unwrap_err();
    assert!(matches!(refusal, Refusal::Saturated { .. }), "{refusal}");
    assert!(refusal.to_string().contains("dilute"), "{refusal}");
}

#[test]
fn air_is_refused() {
    let mut profile = seen(&made(&[(12.9, 600.0)]));
    profile.air = Some(fixture::bubble());
    let refusal = propose(&profile, [0.0, 22.0], None, "x").unwrap_err();
    assert!(
        refusal
            .to_string()
            .starts_with("air in the lines: 3 spikes between 4.00 and 6.50 min; purge")
    );
}

#[test]
fn a_trace_that_ends_inside_the_peak_is_refused() {
    let mut made = made(&[(12.9, 600.0)]);
    let keep = (13.4 * 60.0 * 4.0) as usize;
    made.time_s.truncate(keep);
    made.signal_mau.truncate(keep);
    let refusal = propose(&seen(&made), [0.0, 13.4], None, "x").unwrap_err();
    assert!(matches!(refusal, Refusal::Cut { .. }), "{refusal}");
}

#[test]
fn neighbours_of_the_method_narrow_the_window_and_are_told() {
    let method = method();
    // 14.05 min: 1.15 from either acid; 0.42 wanted, 0.75 is free: nothing to say but that nothing is near.
    let free = proposed(&[(14.05, 600.0)], Some(&method), "x").unwrap();
    assert!(
        free.neighbours.is_empty() && !matches!(free.window.because, Because::Analyte(_)),
        "{free:?}"
    );
    // 13.62 min: 0.72 from lactic acid, whose window ends 0.32 before: the window goes so far, and resolution is 1.2.
    let near = proposed(&[(13.6, 600.0)], Some(&method), "x").unwrap();
    assert_eq!(near.window.because, Because::Analyte(0));
    assert!((0.3..0.35).contains(&near.window.half_min), "{near:?}");
    assert_eq!(near.neighbours.len(), 1);
    let n = near.neighbours[0];
    assert!(
        !n.inside && !n.touching && (1.1..1.3).contains(&n.resolution),
        "{n:?}"
    );
    // 13.2 min: inside its window.
    let inside = proposed(&[(13.2, 600.0)], Some(&method), "x").unwrap();
    assert!(
        inside.neighbours[0].inside && inside.neighbours[0].touching,
        "{inside:?}"
    );
    assert!(inside.window.half_min >= 0.5 * inside.width_half_min - 0.01);
}

#[test]
fn an_analyte_is_no_neighbour_of_itself() {
    let p = proposed(&[(12.95, 600.0)], Some(&method()), "Lactic Acid").unwrap();
    assert_eq!(p.known, Some(0));
    assert!(p.neighbours.is_empty(), "{p:?}");
}

#[test]
fn what_stands_before_the_injection_is_no_compound() {
    let mut made = made(&[(3.0, 900.0), (12.9, 600.0)]);
    made.time_s.iter_mut().for_each(|t| *t -= 300.0);
    let p = propose(&seen(&made), [-5.0, 17.0], None, "x").unwrap();
    assert!(
        (p.retention_min - 7.95).abs() < 0.05 && p.others.is_empty(),
        "{p:?}"
    );
}
