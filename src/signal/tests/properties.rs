//! What must not change an area, and what must never break the integration.

use proptest::prelude::*;

use super::{median_and_worst, near, see};
use crate::signal::made::Made;
use crate::signal::{Params, Profile, integrate, is_usable};

fn run(seed: u64) -> Made {
    Made::flat(22.0, 8.0, seed)
        .front(336.0)
        .peak(2400.0, 774.0, 9.0, 3.8)
        .peak(600.0, 822.0, 9.5, 4.0)
        .peak(900.0, 1086.0, 11.0, 4.6)
        .wander(2.0, 0.1, 1500.0, 0.5)
        .coloured(0.03, 0.4)
}

const PLACES: [f64; 3] = [777.0, 825.0, 1089.0];

fn areas(p: &Profile, shift_s: f64) -> [f64; 3] {
    PLACES.map(|t| near(p, t + shift_s, 8.0).map_or(f64::NAN, |q| q.area_mau_s))
}

fn alike(a: [f64; 3], b: [f64; 3], factor: f64, within: f64) -> bool {
    a.iter()
        .zip(b)
        .all(|(a, b)| (b / (a * factor) - 1.0).abs() < within)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn areas_do_not_mind_where_zero_is(seed in 0u64..1000, level in -500.0..500.0f64, later in 0.0..300.0f64) {
        let m = run(seed);
        let before = areas(&see(&m), 0.0);
        let signal: Vec<f64> = m.signal_mau.iter().map(|y| y + level).collect();
        let time: Vec<f64> = m.time_s.iter().map(|t| t + later).collect();
        let after = areas(&integrate(&time, &signal, &Params::default()), later);
        prop_assert!(alike(before, after, 1.0, 2e-3), "{before:?} {after:?}");
    }

    #[test]
    fn areas_scale_with_the_signal(seed in 0u64..1000, power in -3.0..4.0f64) {
        let m = run(seed);
        let factor = 10f64.powf(power);
        let before = areas(&see(&m), 0.0);
        let signal: Vec<f64> = m.signal_mau.iter().map(|y| y * factor).collect();
        let after = areas(&integrate(&m.time_s, &signal, &Params::default()), 0.0);
        prop_assert!(alike(before, after, factor, 1e-6), "{before:?} {after:?}");
    }

    #[test]
    fn areas_do_not_mind_the_sampling_rate(seed in 0u64..1000, group in 2usize..9) {
        let m = run(seed);
        let before = areas(&see(&m), 0.0);
        let thin = |v: &[f64]| -> Vec<f64> {
            v.chunks_exact(group).map(|c| c.iter().sum::<f64>() / group as f64).collect()
        };
        let after = areas(&integrate(&thin(&m.time_s), &thin(&m.signal_mau), &Params::default()), 0.0);
        prop_assert!(alike(before, after, 1.0, 8e-3), "{before:?} {after:?}");
    }

    #[test]
    fn anything_may_come(
        values in prop::collection::vec(prop_oneof![
            4 => -1e3..1e3f64,
            1 => prop::num::f64::ANY,
            1 => Just(f64::MAX),
            1 => Just(0.0),
        ], 0..400),
        step in prop_oneof![4 => 0.01..3.0f64, 1 => prop::num::f64::ANY],
        fit_all in any::<bool>(),
    ) {
        let time: Vec<f64> = (0..values.len()).map(|i| i as f64 * step).collect();
        let mut params = Params::default();
        params.steering.fit_all = fit_all;
        let p = integrate(&time, &values, &params);
        prop_assert!(p.peaks.iter().all(|q| q.area_mau_s.is_finite() && q.height_mau.is_finite()));
        prop_assert!(is_usable(&time, &values) || p.peaks.is_empty());
    }
}

#[test]
fn a_step_a_flat_line_and_a_line_show_no_peak() {
    for k in 0..20u64 {
        let (height, at) = (0.5 * 1.6f64.powi(k as i32), 500.0 + 17.3 * k as f64);
        for rate in [1.0, 8.0] {
            let flat = || Made::flat(22.0, rate, k);
            let step = || flat().add(|t| if t > at { height } else { 0.0 });
            let line = || flat().add(|t| 0.01 * height * t);
            for m in [
                flat(),
                step(),
                line(),
                step().white(0.03),
                line().white(0.03),
            ] {
                assert!(see(&m).peaks.is_empty(), "{k} {rate}: {:?}", see(&m).peaks);
            }
        }
    }
}

/// Dips before, behind and on the foot of a peak take nothing from it but what they cover.
#[test]
fn dips_do_not_break_their_neighbours() {
    let mut errors = Vec::new();
    for apart in [70.0, 90.0, 120.0, -70.0, -90.0, -120.0] {
        for depth in [0.05, 0.5, 2.0] {
            let m = Made::flat(22.0, 8.0, 1)
                .peak(1000.0, 774.0, 9.0, 4.0)
                .peak(-1000.0 * depth, 774.0 + apart, 9.0, 4.0)
                .peak(700.0, 774.0 + 2.2 * apart, 9.0, 4.0)
                .white(0.03);
            let p = see(&m);
            for (at, area) in [(777.0, 1000.0), (777.0 + 2.2 * apart, 700.0)] {
                let q = near(&p, at, 10.0).unwrap_or_else(|| panic!("{apart} {depth} {at}"));
                errors.push(100.0 * (q.area_mau_s / area - 1.0));
            }
        }
    }
    let (median, worst) = median_and_worst(&errors);
    assert!(median < 0.3 && worst < 3.0, "{median} {worst} {errors:?}");
}
