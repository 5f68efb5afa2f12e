//! Measured runs of public data sets.

use super::{near, read};
use crate::signal::{Params, integrate};

/// The areas, mAU times the file's unit of time, of a data set's stated results.
fn stated(text: &str, key: &str) -> Vec<(f64, f64, f64, f64)> {
    let all: serde_json::Value = serde_json::from_str(text).unwrap();
    let peaks = all[key]["peaks"].as_array().unwrap();
    let number = |p: &serde_json::Value, k: &str| p[k].as_f64().unwrap();
    peaks
        .iter()
        .map(|p| {
            (
                number(p, "apex_parabola"),
                number(p, "area"),
                number(p, "height"),
                number(p, "w50"),
            )
        })
        .collect()
}

fn columns(text: &str) -> (Vec<f64>, Vec<f64>) {
    read(text)
        .iter()
        .map(|r| (r[0].parse::<f64>().unwrap(), r[1].parse::<f64>().unwrap()))
        .unzip()
}

/// Nine peaks at 160 Hz with coloured noise. The stated results draw one straight line under each cluster and end a peak
/// at 2.5 half-widths, so areas agree within some per cent, more for the small one of a fused pair.
#[test]
fn a_measured_run_at_160_hz() {
    let (minutes, signal) = columns(include_str!(
        "../../../tests/data/lc-isocratic-160hz/trace.csv"
    ));
    let time: Vec<f64> = minutes.iter().map(|t| t * 60.0).collect();
    let p = integrate(&time, &signal, &Params::default());
    let want = stated(
        include_str!("../../../tests/data/lc-isocratic-160hz/expected.json"),
        "every_sample",
    );
    assert_eq!((p.peaks.len(), want.len()), (9, 9));
    assert_eq!(p.air, None);
    for (q, (apex, area, height, width)) in p.peaks.iter().zip(want) {
        assert!(
            (q.apex_s / 60.0 - apex).abs() < 0.04 * width,
            "{} {apex}",
            q.apex_s / 60.0
        );
        assert!(
            (q.height_mau / height - 1.0).abs() < 0.04,
            "{} {height}",
            q.height_mau
        );
        assert!(
            (q.area_mau_s / 60.0 / area - 1.0).abs() < 0.08,
            "{} {area}",
            q.area_mau_s / 60.0
        );
    }
    // Thinned 16-fold by block means it gives nearly the same.
    let thin = |v: &[f64]| {
        v.chunks_exact(16)
            .map(|c| c.iter().sum::<f64>() / 16.0)
            .collect::<Vec<f64>>()
    };
    let q = integrate(&thin(&time), &thin(&signal), &Params::default());
    assert_eq!(q.peaks.len(), 9);
    for (a, b) in p.peaks.iter().zip(&q.peaks) {
        assert!(
            (a.area_mau_s / b.area_mau_s - 1.0).abs() < 0.04,
            "{} {}",
            a.area_mau_s,
            b.area_mau_s
        );
    }
}

/// One large peak at 1 Hz with skipped seconds and small ones before it.
#[test]
fn a_measured_run_with_one_large_peak() {
    let (time, signal) = columns(include_str!(
        "../../../tests/data/lc-unit-log-one-peak/trace.csv"
    ));
    let p = integrate(&time, &signal, &Params::default());
    let want = stated(
        include_str!("../../../tests/data/lc-unit-log-one-peak/expected.json"),
        "uv",
    );
    assert_eq!(p.air, None);
    for (apex, ..) in &want {
        assert!(near(&p, *apex, 3.0).is_some(), "{apex}: {:?}", p.peaks);
    }
    let (apex, area, height, width) = want[want.len() - 1];
    let q = near(&p, apex, 3.0).unwrap();
    assert!((q.apex_s - apex).abs() < 1.0 && !q.saturated);
    // The stated line runs from the start of the cluster to a point on this tail.
    assert!(
        (q.area_mau_s / area - 1.0).abs() < 0.02,
        "{} {area}",
        q.area_mau_s
    );
    assert!(
        (q.height_mau / height - 1.0).abs() < 0.02
            && (q.width_50_s.unwrap() / width - 1.0).abs() < 0.03
    );
    assert!((q.tailing.unwrap() - 1.2).abs() < 0.15, "{:?}", q.tailing);
}
