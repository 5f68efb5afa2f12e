//! Fits of overlapped groups against known truth.

use super::{median_and_worst, near, top};
use crate::signal::made::{Dice, Made};
use crate::signal::steer::Steering;
use crate::signal::{Params, Profile, Rule, integrate};

fn fitted(m: &Made) -> Profile {
    let params = Params {
        steering: Steering {
            fit_all: true,
            ..Steering::default()
        },
        ..Params::default()
    };
    integrate(&m.time_s, &m.signal_mau, &params)
}

/// Errors of the second peak's area, %: classical, fitted; and the fitted one over its standard error.
fn errors(ratio: f64, tail: [f64; 2]) -> [Vec<f64>; 3] {
    let mut out = [Vec::new(), Vec::new(), Vec::new()];
    for seed in 0..24u64 {
        let mut d = Dice::new(seed * 5 + 2);
        let (sigma, rate) = (d.even(7.0, 11.0), [1.0, 2.0, 8.0, 20.0][seed as usize % 4]);
        let tau = sigma * d.even(tail[0], tail[1]);
        let (apex, unit) = top(0.0, sigma, tau);
        // Full width at half height of these shapes: 2.35 sigma for a Gaussian, more by about 0.43 tau²/sigma² sigma.
        let apart = 2.0 * (2.355 + 0.5 * (tau / sigma).powi(2)) * sigma / 1.18;
        let (first, mu) = (d.even(100.0, 800.0) / unit, d.even(500.0, 900.0));
        let m = Made::flat(22.0, rate, seed)
            .peak(first, mu, sigma, tau)
            .peak(ratio * first, mu + apart, sigma, tau)
            .wander(2.0, 0.1, 1800.0, 1.0)
            .white(0.03);
        let p = fitted(&m);
        let q = near(&p, mu + apart + apex, 0.4 * apart).unwrap_or_else(|| panic!("{seed}"));
        let f = q.fitted.as_ref().unwrap_or_else(|| panic!("{seed}: {q:?}"));
        let truth = ratio * first;
        out[0].push(100.0 * (q.area_mau_s / truth - 1.0));
        out[1].push(100.0 * (f.area_mau_s / truth - 1.0));
        out[2].push((f.area_mau_s - truth) / f.area_se_mau_s);
    }
    out
}

#[test]
fn pairs_at_resolution_one_are_right_within_what_is_promised() {
    for (ratio, most) in [(1.0, 0.5), (0.1, 1.0)] {
        for tail in [[0.0, 0.0], [0.3, 0.6]] {
            let [classical, fitted, scores] = errors(ratio, tail);
            let (median, worst) = median_and_worst(&classical);
            assert!(
                median < 0.3 && worst < 1.5,
                "classical {ratio} {tail:?}: {median} {worst}"
            );
            let (median, worst) = median_and_worst(&fitted);
            assert!(
                median < 0.2 && worst < most,
                "fitted {ratio} {tail:?}: {median} {worst}"
            );
            // The standard error is of the right size; wander makes it a little too small.
            let rms = (scores.iter().map(|z| z * z).sum::<f64>() / scores.len() as f64).sqrt();
            assert!((0.4..3.0).contains(&rms), "{ratio} {tail:?}: {rms}");
        }
    }
}

#[test]
fn shapes_of_a_lone_peak_are_found() {
    for (sigma, tau) in [(9.0, 0.0), (9.0, 4.0), (8.0, 16.0)] {
        let m = Made::flat(22.0, 8.0, 3)
            .peak(3000.0, 700.0, sigma, tau)
            .white(0.02);
        let p = fitted(&m);
        let f = near(&p, 700.0, 30.0)
            .and_then(|q| q.fitted.clone())
            .unwrap();
        assert!((f.area_mau_s / 3000.0 - 1.0).abs() < 2e-3, "{f:?}");
        assert!(
            (f.sigma_s - sigma).abs() < 0.02 * sigma && (f.tau_s - tau).abs() < 0.05 * sigma,
            "{f:?}"
        );
        assert!((f.apex_s - top(700.0, sigma, tau).0).abs() < 0.2 && f.together == 1);
    }
}

#[test]
fn what_cannot_be_fitted_says_so_and_keeps_its_classical_area() {
    let cut = Made::flat(22.0, 8.0, 3)
        .peak(30_000.0, 700.0, 9.0, 4.0)
        .cut(600.0)
        .white(0.02);
    let q = near(&fitted(&cut), 705.0, 15.0).cloned().unwrap();
    assert!(
        q.fitted.is_none() && q.unfitted.is_some() && q.area_mau_s > 10_000.0,
        "{q:?}"
    );
    // A tent is no peak's shape.
    let block = Made::flat(22.0, 8.0, 3)
        .add(|t| (100.0 - 4.0 * (t - 700.0).abs()).max(0.0))
        .white(0.02);
    let q = near(&fitted(&block), 700.0, 25.0).cloned().unwrap();
    assert_eq!(
        q.unfitted,
        Some("the fitted shape is not that of the signal"),
        "{q:?}"
    );
}

#[test]
fn nothing_is_fitted_where_nobody_asks() {
    let m = Made::flat(22.0, 8.0, 3)
        .peak(3000.0, 700.0, 9.0, 4.0)
        .white(0.02);
    let p = integrate(&m.time_s, &m.signal_mau, &Params::default());
    let q = near(&p, 702.0, 10.0).unwrap();
    assert_eq!(
        (q.fitted.clone(), q.unfitted, q.rule),
        (None, None, Rule::ValleyToValley)
    );
}
