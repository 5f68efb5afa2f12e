//! Analytes at their places, and what is said of them.

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
            steering: Default::default(),
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
            dead_time_min: None,
        },
        column: None,
        eluent: None,
        pumping: Default::default(),
        analytes,
        levels: Vec::new(),
        limits: Limits::default(),
        fit: Fit {
            weight: Weight::InverseX,
            through_zero: false,
            degree: crate::method::Degree::Straight,
        },
        integration: Default::default(),
        plan: Default::default(),
        scatter: Default::default(),
        quantify: Default::default(),
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

/// Lactic acid with a tenth of formic acid behind it at a resolution of about 1.
fn overlapped() -> Made {
    Made::flat(22.0, 8.0, 1)
        .peak(2400.0, 774.0, 9.0, 3.0)
        .peak(240.0, 813.0, 9.0, 3.0)
        .white(0.03)
}

const PAIR: [(&str, f64, f64); 2] = [("lactic acid", 12.94, 0.3), ("formic acid", 13.58, 0.3)];

#[test]
fn the_method_says_which_area_counts_and_both_are_kept() {
    let mut method = method(&PAIR);
    method.conditions.dead_time_min = Some(5.6);
    let classical = read(overlapped(), &method).analytes[1].clone().unwrap();
    assert_eq!(classical.fitted, None);
    assert_eq!(classical.classical_area_mau_s, Some(classical.area_mau_s));
    assert!(
        classical
            .doubtful
            .as_ref()
            .unwrap()
            .contains("times as high")
    );
    let k = (classical.retention_min - 5.6) / 5.6;
    assert!((classical.retention_factor.unwrap() - k).abs() < 1e-12 && (k - 1.43).abs() < 0.02);
    assert!(classical.peak_to_valley.unwrap() > 1.1);
    method.integration.fit = true;
    let both = read(overlapped(), &method).analytes[1].clone().unwrap();
    assert_eq!(both.area_mau_s, classical.area_mau_s);
    method.integration.fit = false;
    method.analytes[1].steering.area = Area::Fitted;
    let fitted = read(overlapped(), &method).analytes[1].clone().unwrap();
    let f = fitted.fitted.clone().unwrap();
    assert_eq!(both.fitted, Some(f.clone()));
    assert_eq!((fitted.area_mau_s, f.together), (f.area_mau_s, 2));
    assert_eq!(fitted.classical_area_mau_s, Some(classical.area_mau_s));
    assert!((fitted.area_mau_s / 240.0 - 1.0).abs() < 0.01, "{fitted:?}");
    assert_eq!(fitted.doubtful, None);
    // The neighbour's own area still counts as it did.
    let lactic = read(overlapped(), &method).analytes[0].clone().unwrap();
    assert_eq!(Some(lactic.area_mau_s), lactic.classical_area_mau_s);
}

#[test]
fn a_fit_that_fails_leaves_the_classical_area_and_says_so() {
    let mut method = method(&[("lactic acid", 12.94, 0.3)]);
    method.analytes[0].steering.area = Area::Fitted;
    let m = Made::flat(22.0, 8.0, 1)
        .peak(24_000.0, 774.0, 9.0, 3.0)
        .cut(500.0)
        .white(0.03);
    let lactic = read(m, &method).analytes[0].clone().unwrap();
    assert!(lactic.saturated && lactic.fitted.is_none());
    assert_eq!(Some(lactic.area_mau_s), lactic.classical_area_mau_s);
    assert!(
        lactic
            .doubtful
            .unwrap()
            .contains("the classical area counts")
    );
}

#[test]
fn steering_of_the_method_reaches_the_integration() {
    let mut method = method(&PAIR);
    method.analytes[1].steering.bounds_min = Some([13.25, 14.2]);
    let formic = read(overlapped(), &method).analytes[1].clone().unwrap();
    assert_eq!(formic.rule, "forced bounds");
    assert!((formic.start_min - 13.25).abs() < 1e-9 && (formic.end_min - 14.2).abs() < 1e-9);
    method.analytes[1].steering = Default::default();
    method.analytes[1].steering.min_signal_to_noise = Some(1e5);
    assert_eq!(read(overlapped(), &method).analytes[1], None);
    method.analytes[1].steering.min_signal_to_noise = Some(10.0);
    assert!(read(overlapped(), &method).analytes[1].is_some());
    method.integration.spans = vec![crate::method::Span {
        from_min: 13.3,
        to_min: 14.0,
        no_peaks: true,
        baseline: None,
    }];
    let r = read(overlapped(), &method);
    assert!(r.analytes[0].is_some() && r.analytes[1].is_none());
}

#[test]
fn samples_that_say_nothing_are_unreadable() {
    let said = |change: &dyn Fn(&mut Made)| {
        let mut m = overlapped();
        change(&mut m);
        match evaluate(&trace(m), &method(&PAIR)) {
            Evaluation::Unreadable(why) => why.message,
            Evaluation::Read(r) => panic!("{r:?}"),
        }
    };
    assert!(said(&|m| m.signal_mau[77] = f64::NAN).contains("no signal"));
    assert!(said(&|m| m.signal_mau[77] = f64::INFINITY).contains("no signal"));
    assert!(said(&|m| m.time_s[77] = 0.0).contains("do not increase"));
    let hole = |m: &mut Made| {
        let keep = |t: &f64| !(760.0..800.0).contains(t);
        let kept: Vec<bool> = m.time_s.iter().map(keep).collect();
        let thin = |v: &[f64]| -> Vec<f64> {
            v.iter()
                .zip(&kept)
                .filter(|(_, k)| **k)
                .map(|(v, _)| *v)
                .collect()
        };
        (m.time_s, m.signal_mau) = (thin(&m.time_s), thin(&m.signal_mau));
    };
    assert_eq!(
        said(&hole),
        "no samples between 12.66 and 13.33 min, inside the window of lactic acid, expected them without gaps"
    );
}
