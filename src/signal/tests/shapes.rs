//! Published shapes: single peaks, pairs, a made run.

use super::{median_and_worst, near, read, see, top};
use crate::signal::made::Made;
use crate::signal::{Params, Rule, integrate};

/// Truth computed to 40 digits; see tests/reference/README.md.
#[test]
fn shapes_are_those_of_the_truth_table() {
    for r in read(include_str!("../../../tests/reference/emg_truth.csv")) {
        let f = |i: usize| r[i].parse::<f64>().unwrap();
        let (area, mu, sigma, tau) = (f(1), f(2), f(3), f(4));
        // The table's unit of time is a tenth of a minute or so; here 100 s, so that a peak has 20 to 100 samples.
        let scale = 8.0 / sigma;
        let m = Made::flat(60.0, 8.0, 1).peak(area * 1000.0 * scale, 1500.0, 8.0, tau * scale);
        let p = see(&m);
        let q = near(&p, 1500.0, 60.0).unwrap();
        let place = |x: f64| 1500.0 + (x - mu) * scale;
        assert!(
            (q.apex_s - place(f(5))).abs() < 0.03 + 0.004 * tau * scale,
            "{}: {} {}",
            r[0],
            q.apex_s,
            place(f(5))
        );
        assert!(
            (q.height_mau / (1000.0 * f(6)) - 1.0).abs() < 2e-3,
            "{}: height {}",
            r[0],
            q.height_mau
        );
        assert!(
            (q.area_mau_s / (area * 1000.0 * scale) - 1.0).abs() < 2e-3,
            "{}: area {}",
            r[0],
            q.area_mau_s
        );
        for (got, want) in [
            (q.width_50_s, f(14)),
            (q.width_10_s, f(17)),
            (q.width_05_s, f(20)),
        ] {
            assert!(
                (got.unwrap() / (want * scale) - 1.0).abs() < 0.012,
                "{}: width {got:?} {}",
                r[0],
                want * scale
            );
        }
        assert!(
            (q.tailing.unwrap() / f(21) - 1.0).abs() < 0.015,
            "{}: tailing {:?} {}",
            r[0],
            q.tailing,
            f(21)
        );
        let plates = 5.54 * (q.apex_s / (f(14) * scale)).powi(2);
        assert!(
            (q.plates.unwrap() / plates - 1.0).abs() < 0.012,
            "{}: plates",
            r[0]
        );
        assert_eq!(q.rule, Rule::ValleyToValley);
        assert!(
            !q.saturated && p.air.is_none() && p.peaks.len() == 1,
            "{}",
            r[0]
        );
    }
}

#[test]
fn pairs_are_parted_where_there_is_a_valley_and_only_there() {
    let (mut whole, mut parted) = (0, 0);
    let (mut errors, mut at_valleys) = (Vec::new(), Vec::new());
    for r in read(include_str!("../../../tests/reference/overlap_truth.csv")) {
        let f = |i: usize| r[i].parse::<f64>().unwrap();
        let (apart, tau, h1, h2) = (f(0), f(1), f(2), f(3));
        let s = 9.0;
        let unit = 100.0 / top(0.0, 1.0, tau).1;
        let m = Made::flat(40.0, 8.0, 1)
            .peak(h1 * unit * s, 900.0, s, tau * s)
            .peak(h2 * unit * s, 900.0 + apart * s, s, tau * s)
            .white(1e-4);
        let p = see(&m);
        let shown: Vec<f64> = p.peaks.iter().map(|q| q.apex_s).collect();
        if r[8] == "no" {
            assert_eq!(p.peaks.len(), 1, "{r:?}: {shown:?}");
            whole += 1;
            continue;
        }
        // A valley shallower than a few per mille is no feature of a measured trace.
        if f(13) < 1.02 {
            continue;
        }
        assert_eq!(p.peaks.len(), 2, "{r:?}: {shown:?}");
        parted += 1;
        // The line is drawn where the flanks balance: mostly far less than the error of the vertical at the valley.
        for (k, q) in p.peaks.iter().enumerate() {
            let error = q.area_mau_s / (f(6 + k) * 100.0 * s) - 1.0;
            let at_valley = (f(16 + k) / 100.0).abs();
            // Where the first hides most of the second, or the other way, no flank is left to judge by.
            if f(13) > 1.5 {
                errors.push(error);
                at_valleys.push(at_valley);
                assert!(error.abs() < 0.012 + 1.3 * at_valley, "{r:?}: {error}");
            }
        }
    }
    let (median, worst) = median_and_worst(&errors);
    assert!(median < 0.003, "{median} {worst}");
    let mean = |v: &[f64]| v.iter().map(|x| x.abs()).sum::<f64>() / v.len() as f64;
    assert!(
        mean(&errors) < 0.4 * mean(&at_valleys),
        "{} {}",
        mean(&errors),
        mean(&at_valleys)
    );
    assert_eq!(whole, 41);
    assert!(parted > 90, "{parted}");
}

/// Areas and places stated for the made run; see tests/reference/README.md.
#[test]
fn the_reference_run_is_integrated() {
    let rows = read(include_str!("../../../tests/reference/synthetic_run.csv"));
    let column = |k: usize| {
        rows.iter()
            .map(|r| r[k].parse().unwrap())
            .collect::<Vec<f64>>()
    };
    let (time, clean, noisy) = (column(0), column(1), column(2));
    for (signal, tolerance) in [(&clean, 0.006), (&noisy, 0.015)] {
        let p = integrate(&time, signal, &Params::default());
        for r in read(include_str!(
            "../../../tests/reference/synthetic_run_truth.csv"
        )) {
            let f = |i: usize| 60.0 * r[i].parse::<f64>().unwrap();
            let q = near(&p, top(f(1), f(2), f(3)).0, 10.0)
                .unwrap_or_else(|| panic!("{} not found", r[0]));
            assert!(
                (q.area_mau_s / f(4) - 1.0).abs()
                    < tolerance * if f(4) < 600.0 { 3.0 } else { 1.0 },
                "{r:?}: {q:?}"
            );
        }
        // The vertical stands near the valley at 8.4267 min.
        let line = near(&p, 60.0 * 8.1, 20.0).unwrap().end_s / 60.0;
        assert!((line - 8.4266667).abs() < 0.02, "{line}");
    }
}

#[test]
fn a_rider_is_skimmed_and_leaves_the_tail_to_its_carrier() {
    let (large, small) = (16_000.0, 240.0);
    let m = Made::flat(22.0, 8.0, 1)
        .peak(large, 600.0, 9.0, 18.0)
        .peak(small, 708.0, 9.0, 3.6)
        .white(0.03);
    let p = see(&m);
    let rider = near(&p, 710.0, 15.0).unwrap();
    assert_eq!(rider.rule, Rule::TailSkim);
    // A vertical takes nearly half of the rider's area from the tail; a tangent leaves a tenth of the rider to it.
    let error = rider.area_mau_s / small - 1.0;
    assert!(error.abs() < 0.01, "{error}");
    let carrier = near(&p, 612.0, 15.0).unwrap();
    assert!((carrier.area_mau_s / large - 1.0).abs() < 0.005);
}
