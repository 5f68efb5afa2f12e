//! Air, electronic spikes, ceilings.

use super::{near, see, top};
use crate::signal::made::{ACIDS, Dice, Made};
use crate::signal::steer::Steering;
use crate::signal::{Params, Profile, integrate};

/// A night's usual sample: seven acids, front, wander, noise.
fn acids(seed: u64, rate: f64) -> Made {
    let mut d = Dice::new(seed * 13 + 5);
    let mut m = Made::flat(22.0, rate, seed)
        .wander(2.0, 0.15, 1500.0, 0.0)
        .front(336.0);
    for (at, sigma, tau, response) in ACIDS {
        m = m.peak(d.even(1.0, 15.0) * response, at, sigma, tau);
    }
    m.white(0.03)
}

fn add_spike(m: &mut Made, from_s: f64, lasts_s: f64, height: f64) {
    for (t, y) in m.time_s.iter().zip(&mut m.signal_mau) {
        let x = (t - from_s) / lasts_s;
        *y += if (0.0..1.0).contains(&x) {
            height * (1.0 - (2.0 * x - 1.0).abs()).sqrt()
        } else {
            0.0
        };
    }
}

#[test]
fn spikes_and_chaos_are_air_and_nothing_else_is() {
    for seed in 0..24u64 {
        let rate = [1.0, 5.0, 8.0, 40.0][seed as usize % 4];
        let mut d = Dice::new(seed);
        assert_eq!(see(&acids(seed, rate)).air, None);
        assert_eq!(
            see(&acids(seed, rate)
                .cut(40.0)
                .rounded([0.01, 0.1, 1.0][seed as usize % 3]))
            .air,
            None,
            "{seed}"
        );
        assert_eq!(
            see(&acids(seed, rate).add(|t| if t > 700.0 { 5.0 } else { 0.0 })).air,
            None,
            "{seed}"
        );

        let mut m = acids(seed, rate);
        for k in 0..4 {
            let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
            add_spike(
                &mut m,
                d.even(450.0, 1200.0),
                d.even(1.5 / rate, 3.0).max(0.3),
                sign * d.even(3.0, 50.0),
            );
        }
        let air = see(&m)
            .air
            .unwrap_or_else(|| panic!("spikes of {seed} were not seen"));
        assert!(air.spikes >= 2 && air.tallest_mau > 1.0, "{air:?}");

        let mut m = acids(seed, rate);
        let (from, amplitude) = (d.even(400.0, 1000.0), d.even(2.0, 20.0));
        for (t, y) in m.time_s.iter().zip(&mut m.signal_mau) {
            *y += if *t > from && *t < from + 60.0 {
                d.even(-amplitude, amplitude)
            } else {
                0.0
            };
        }
        let air = see(&m)
            .air
            .unwrap_or_else(|| panic!("chaos of {seed} was not seen"));
        assert!(
            (air.from_min - from / 60.0).abs() < 0.3 && air.roughness_ratio > 10.0,
            "{air:?} {from}"
        );
    }
}

#[test]
fn one_electronic_spike_is_bridged() {
    let clean = acids(3, 8.0);
    let mut m = acids(3, 8.0);
    m.signal_mau[774 * 8] += 80.0;
    let (a, b) = (see(&clean), see(&m));
    assert_eq!((b.air.clone(), b.bridged), (None, 1));
    let area = |p: &Profile| near(p, 774.0, 15.0).map(|q| q.area_mau_s).unwrap();
    assert!((area(&a) / area(&b) - 1.0).abs() < 1e-3);
}

#[test]
fn ceilings_are_seen_and_apexes_are_none() {
    for seed in 0..60u64 {
        let mut d = Dice::new(seed);
        let (sigma, height) = (d.even(6.0, 12.0), d.even(200.0, 2500.0));
        let tau = sigma * d.even(0.0, 1.0);
        let step = [0.001, 0.01, 0.1, 1.0][seed as usize % 4];
        let rate = [1.0, 8.0, 40.0][seed as usize % 3];
        let whole = |h: f64| {
            Made::flat(22.0, rate, seed)
                .peak(h / top(700.0, sigma, tau).1, 700.0, sigma, tau)
                .white(0.03)
        };
        let p = see(&whole(height).rounded(step));
        assert!(
            p.peaks.iter().all(|q| !q.saturated),
            "{seed}: {:?}",
            p.peaks
        );
        let p = see(&whole(d.even(5.0, 200.0)).rounded(step));
        assert!(
            p.peaks.iter().all(|q| !q.saturated),
            "{seed}: {:?}",
            p.peaks
        );
        let p = see(&whole(height)
            .cut(1.5 + d.even(0.3, 0.98) * height)
            .rounded(step));
        assert!(
            p.peaks.iter().any(|q| q.saturated),
            "{seed}: {step} {rate} {height}"
        );
        let params = Params {
            detector_max_mau: Some(height * 0.9),
            ..Params::default()
        };
        let m = whole(height);
        assert!(
            integrate(&m.time_s, &m.signal_mau, &params)
                .peaks
                .iter()
                .any(|q| q.saturated)
        );
    }
}

/// Whatever the numbers are, the integration ends and gives numbers.
#[test]
fn strange_traces_are_survived() {
    for seed in 0..1200u64 {
        let mut d = Dice::new(seed * 3 + 1);
        let n = [2, 5, 16, 17, 50, 101, 300, 1000][seed as usize % 8];
        let mut at = d.even(-5.0, 100.0);
        let (mut time, mut signal, mut walk) = (Vec::new(), Vec::new(), 0.0);
        for k in 0..n {
            time.push(at);
            at += match seed % 5 {
                0 => 0.1,
                1 => d.even(0.001, 2.0),
                2 => 1.0,
                3 if d.even(0.0, 1.0) < 0.01 => 500.0,
                _ => 0.01,
            };
            walk += d.normal();
            signal.push(match seed / 8 % 7 {
                0 => 0.0,
                1 => 1e9 * d.normal(),
                2 => walk,
                3 if k % 7 == 0 => 1000.0,
                4 => (f64::from(k) * 0.05).sin() * 100.0,
                5 => f64::from(k * 2 / n) * 1e5,
                _ => (2.0 * d.normal()).round(),
            });
        }
        let wild = Params {
            peak_width_s: Some(d.even(1e-3, 1e4)),
            plates_max: d.even(1.0, 1e6),
            detector_max_mau: Some(3.0),
            first_peak_s: d.even(0.0, 1e4),
            threshold: d.even(0.1, 8.0),
            steering: Steering::default(),
        };
        for params in [Params::default(), wild] {
            let p = integrate(&time, &signal, &params);
            for q in &p.peaks {
                assert!(
                    q.area_mau_s.is_finite() && q.height_mau.is_finite(),
                    "{seed}: {q:?}"
                );
                assert!(
                    q.start_s <= q.apex_s && q.apex_s <= q.end_s,
                    "{seed}: {q:?}"
                );
            }
            assert!(p.peaks.windows(2).all(|w| w[0].apex_s < w[1].apex_s));
            assert_eq!(integrate(&time, &signal, &params), p);
        }
    }
}
