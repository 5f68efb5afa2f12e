//! Measured runs of public data sets, held against what a general numeric library makes of them by stated rules. The rules
//! differ from ours, so each tolerance says by what.

use runsitter::signal::{Peak, Profile, Rule};
use runsitter::trace::Trace;

use crate::stated::{Stated, expected, export, seen};

/// Area by trapezoids of the samples above the straight line between the two ends of a peak's baseline, mAU·s; the samples
/// at the bounds themselves are interpolated.
fn by_trapezoids(trace: &Trace, q: &Peak) -> f64 {
    let (times, signal) = (&trace.time_s, &trace.signal_mau);
    let at = |x: f64| {
        let k = times.partition_point(|t| *t < x).clamp(1, times.len() - 1);
        let part = (x - times[k - 1]) / (times[k] - times[k - 1]);
        (x, signal[k - 1] + (signal[k] - signal[k - 1]) * part)
    };
    let mut points = vec![at(q.start_s)];
    let inner = times.iter().zip(signal).map(|(t, y)| (*t, *y));
    points.extend(inner.filter(|(t, _)| *t > q.start_s && *t < q.end_s));
    points.push(at(q.end_s));
    let slope = (q.baseline_end_mau - q.baseline_start_mau) / (q.end_s - q.start_s);
    let above = |(t, y): (f64, f64)| y - q.baseline_start_mau - slope * (t - q.start_s);
    points
        .windows(2)
        .map(|w| 0.5 * (above(w[0]) + above(w[1])) * (w[1].0 - w[0].0))
        .sum()
}

/// Bounds and baseline ends are all that a person needs to come to the same area. A straight line between the ends stands
/// in for a baseline that may bend a little.
fn can_be_explained(trace: &Trace, profile: &Profile) {
    for q in &profile.peaks {
        let area = by_trapezoids(trace, q);
        assert!(
            (area / q.area_mau_s - 1.0).abs() < 0.002,
            "{area} by trapezoids: {q:?}"
        );
        assert_ne!(q.rule, Rule::TangentSkim, "{q:?}");
    }
    for w in profile.peaks.windows(2) {
        assert!(w[0].end_s <= w[1].start_s, "no sample counts twice");
    }
}

/// Nine peaks at 160 Hz in coloured noise.
#[test]
fn a_run_at_160_hz() {
    let trace = export("lc-isocratic-160hz/trace.csv");
    assert_eq!(trace.time_s.len(), 96_001);
    assert!((trace.time_s[96_000] - 60.0 * 10.0001).abs() < 0.01);
    let profile = seen(&trace);
    let all = expected("lc-isocratic-160hz");
    let peaks = all["every_sample"]["peaks"].as_array().unwrap();
    assert_eq!((profile.peaks.len(), peaks.len()), (9, 9));
    assert_eq!(profile.air, None);
    can_be_explained(&trace, &profile);
    for q in peaks {
        let stated = Stated(q);
        let ours = stated.nearest(&profile, 60.0);
        // Stated apexes are of a signal smoothed over 0.4 s, ours of a polynomial over the top: noise of 5 mAU moves both.
        assert!((ours.apex_s - 60.0 * stated.number("apex_parabola")).abs() < 0.1);
        // Where the resolution is about 1, the stated cut is a vertical at the valley, ours where the flanks' shapes put it: a
        // tail under the neighbour goes to the peak whose tail it is. The sum of a pair is held below.
        let apart = ours
            .resolution_before
            .unwrap_or(9.0)
            .min(ours.resolution_after.unwrap_or(9.0));
        let small = stated.number("height") < 100.0 && apart < 1.0;
        stated.near(
            "height",
            1.0,
            ours.height_mau,
            if small { 0.03 } else { 0.015 },
        );
        // Stated peaks end at 2.5 half widths and at a valley; ours where less than a hundredth is left.
        stated.near(
            "area",
            60.0,
            ours.area_mau_s,
            if apart < 1.5 { 0.08 } else { 0.055 },
        );
        stated.near("w50", 60.0, ours.width_50_s.unwrap(), 0.04);
        // Twice the error of the width.
        stated.near("plates", 1.0, ours.plates.unwrap(), 0.08);
        if let (Some(tailing), true) = (ours.tailing, q["tailing"].is_f64()) {
            // At 5 % of the height the noise is as large as the signal.
            stated.near("tailing", 1.0, tailing, 0.08);
        }
        // 2H/h: the stated h is that of four quiet minutes, ours that of a window beside the peak, where noise is less wide.
        let ratio = ours.signal_to_noise / stated.number("signal_to_noise");
        assert!((0.95..1.45).contains(&ratio), "{ratio}");
    }
    for k in [2, 5] {
        let stated = |k: usize| 60.0 * Stated(&peaks[k]).number("area");
        let sum = profile.peaks[k].area_mau_s + profile.peaks[k + 1].area_mau_s;
        let part = sum / (stated(k) + stated(k + 1)) - 1.0;
        assert!(part.abs() < 0.02, "pair {k}: {part}");
    }
    noise_of_160_hz(&profile, &all["noise"][1]);
}

/// Peak to peak in segments of a minute is a little less than that of four minutes about one line.
fn noise_of_160_hz(profile: &Profile, window: &serde_json::Value) {
    let (p2p, sd) = (
        window["p2p"].as_f64().unwrap(),
        window["sd"].as_f64().unwrap(),
    );
    let noise = profile.noise_mau.unwrap();
    assert!(noise < p2p && noise > 0.85 * p2p, "{noise} {p2p}");
    assert!((6.0..8.5).contains(&(noise / sd)), "{}", noise / sd);
}

/// Resolution between neighbours that stand next to each other in both lists.
#[test]
fn resolution_of_a_run_at_160_hz() {
    let profile = seen(&export("lc-isocratic-160hz/trace.csv"));
    let all = expected("lc-isocratic-160hz");
    let peaks = all["every_sample"]["peaks"].as_array().unwrap();
    for (q, ours) in peaks.iter().zip(&profile.peaks).take(8) {
        // 1.18 dt over the sum of the half widths, which agree within 4 %.
        Stated(q).near(
            "resolution_to_next",
            1.0,
            ours.resolution_after.unwrap(),
            0.03,
        );
    }
}

/// One large peak at 1 Hz behind small ones, on a baseline that has fallen by half a mAU in the end.
#[test]
fn a_run_with_one_large_peak() {
    let trace = export("lc-unit-log-one-peak/trace.csv");
    let profile = seen(&trace);
    assert_eq!(profile.air, None);
    can_be_explained(&trace, &profile);
    let all = expected("lc-unit-log-one-peak");
    let peaks = all["uv"]["peaks"].as_array().unwrap();
    for q in peaks {
        let stated = Stated(q);
        let ours = stated.nearest(&profile, 1.0);
        assert!((ours.apex_s - stated.number("apex_parabola")).abs() < 0.5);
        // The stated line of the last four runs from the flank of an unlisted peak at 356 s to the tail at 535 s, 1.4 to
        // 2.3 mAU above the signal at 432 s, where there is no peak: what stands on it is too low by as much.
        let lifted = stated.number("height") + 2.6;
        assert!(
            ours.height_mau > stated.number("height") && ours.height_mau < lifted + 0.05 * lifted,
            "{ours:?}"
        );
    }
    let main = Stated(&peaks[5]);
    let ours = main.nearest(&profile, 1.0);
    assert!(!ours.saturated && ours.rule == Rule::ValleyToValley);
    assert!((ours.apex_s - main.number("apex_parabola")).abs() < 0.15);
    // 2.3 mAU of 1,872, and over 54 s some 120 of 28,614 mAU·s; the rest is the tail behind 524 s.
    main.near("height", 1.0, ours.height_mau, 0.006);
    main.near("area", 1.0, ours.area_mau_s, 0.008);
    main.near("w50", 1.0, ours.width_50_s.unwrap(), 0.005);
    main.near("plates", 1.0, ours.plates.unwrap(), 0.01);
    // At 5 % of the height there is one sample a second on a steep front.
    main.near("tailing", 1.0, ours.tailing.unwrap(), 0.04);
}

/// The narrowest pairs of lines over minutes of the two stated windows are 0.498 and 0.294 mAU wide before the peaks, 0.206
/// and 0.217 mAU after them (convex hulls by a general library); the mean over all that is free lies between.
#[test]
fn noise_of_a_run_with_one_large_peak() {
    let noise = seen(&export("lc-unit-log-one-peak/trace.csv"))
        .noise_mau
        .unwrap();
    assert!((0.2..0.4).contains(&noise), "{noise}");
    // About a line through the whole window, slow wander counts as well: the stated peak to peak is wider.
    let all = expected("lc-unit-log-one-peak");
    assert!(noise < all["noise_after"]["p2p"].as_f64().unwrap());
}
