//! Areas, places, noise and drift on random made-up traces.

use super::{median_and_worst, near, see, top};
use crate::signal::made::{Dice, Made};

/// A peak of random shape on wandering baseline with noise, and its true area.
fn random_peak(
    seed: u64,
    rate: f64,
    ratio: [f64; 2],
    tail: [f64; 2],
    colour: u64,
) -> (Made, f64, f64) {
    let mut d = Dice::new(seed * 7 + 1);
    let (sigma, tau) = (d.even(7.0, 11.0), d.even(tail[0], tail[1]));
    let (mu, sd) = (d.even(500.0, 900.0), d.even(0.02, 0.1));
    let (apex, unit) = top(mu, sigma, tau * sigma);
    // 2H/h with h of six standard deviations.
    let area = (d.even(ratio[0].ln(), ratio[1].ln()).exp() * 3.0 * sd) / unit;
    let m = Made::flat(22.0, rate, seed)
        .peak(area, mu, sigma, tau * sigma)
        .wander(
            d.even(-3.0, 3.0),
            0.15,
            d.even(900.0, 2400.0),
            d.even(0.0, 6.0),
        )
        .front(336.0);
    let m = if colour == 0 {
        m.white(sd)
    } else {
        m.coloured(sd, 0.4)
    };
    (m, apex, area)
}

/// Errors of the area, %, and of the apex, s, over many random peaks; how many were not found.
fn errors(rate: f64, ratio: [f64; 2], tail: [f64; 2]) -> (Vec<f64>, Vec<f64>, usize) {
    let (mut areas, mut apexes, mut missed) = (Vec::new(), Vec::new(), 0);
    for seed in 0..60 {
        let (m, apex, area) = random_peak(seed, rate, ratio, tail, seed % 2);
        match near(&see(&m), apex, 15.0) {
            Some(q) => {
                areas.push(100.0 * (q.area_mau_s / area - 1.0));
                apexes.push(q.apex_s - apex);
            }
            None => missed += 1,
        }
    }
    (areas, apexes, missed)
}

#[test]
fn areas_of_isolated_peaks_are_right() {
    for rate in [1.0, 5.0, 20.0] {
        let (areas, apexes, missed) = errors(rate, [100.0, 2000.0], [0.0, 1.0]);
        let (median, worst) = median_and_worst(&areas);
        assert!(
            missed == 0 && median < 0.2 && worst < 1.0,
            "{rate}: {median} {worst} {missed}"
        );
        if rate == 1.0 {
            assert!(
                median_and_worst(&apexes).1 < 0.1,
                "{:?}",
                median_and_worst(&apexes)
            );
        }
    }
}

#[test]
fn small_peaks_and_long_tails_are_measured_well_enough() {
    for rate in [1.0, 8.0] {
        let (areas, _, missed) = errors(rate, [3.0, 10.0], [0.2, 0.6]);
        let (median, worst) = median_and_worst(&areas);
        assert!(
            missed == 0 && median < 5.0 && worst < 30.0,
            "{rate}: {median} {worst} {missed}"
        );
        let (areas, _, missed) = errors(rate, [30.0, 1000.0], [1.5, 4.0]);
        let (median, worst) = median_and_worst(&areas);
        assert!(
            missed == 0 && median < 2.0 && worst < 6.0,
            "{rate}: {median} {worst} {missed}"
        );
    }
}

#[test]
fn blanks_show_no_peak_and_no_air() {
    for seed in 0..120u64 {
        let mut d = Dice::new(seed * 31 + 3);
        let rate = [1.0, 2.0, 8.0, 20.0][seed as usize % 4];
        let sd = d.even(0.02, 1.0);
        let m = Made::flat(22.0, rate, seed)
            .wander(d.even(-6.0, 6.0), 0.15, d.even(900.0, 2400.0), 1.0)
            .front(300.0);
        let m = match seed % 3 {
            0 => m.white(sd),
            1 => m.coloured(sd, 0.5),
            _ => m.coloured(sd, 4.0),
        };
        let m = if seed % 5 == 0 { m.rounded(0.1) } else { m };
        let p = see(&m);
        assert!(
            p.peaks.iter().all(|q| (q.apex_s - 300.0).abs() < 30.0),
            "{seed}: {:?}",
            p.peaks
        );
        assert_eq!(p.air, None, "{seed}");
    }
}

#[test]
fn noise_and_drift_come_from_what_is_free() {
    for seed in 0..20 {
        let m = Made::flat(18.0, 8.0, seed)
            .wander(6.0, 0.0, 900.0, 0.0)
            .front(300.0)
            .peak(2000.0, 600.0, 9.0, 4.0)
            .white(0.05);
        let p = see(&m);
        assert!(
            (p.drift_mau_per_h.unwrap() - 6.0).abs() < 0.2,
            "{:?}",
            p.drift_mau_per_h
        );
        // Peak to peak of some 400 values is about 5.8 standard deviations.
        assert!(
            (p.noise_mau.unwrap() / 0.05 - 5.8).abs() < 0.4,
            "{:?}",
            p.noise_mau
        );
    }
}
