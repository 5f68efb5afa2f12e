//! What a person orders is done.

use super::{near, see};
use crate::signal::made::Made;
use crate::signal::steer::{Span, Steering, Style, Wish};
use crate::signal::{Params, Profile, Rule, integrate};

fn with(m: &Made, steering: Steering) -> Profile {
    let params = Params {
        steering,
        ..Params::default()
    };
    integrate(&m.time_s, &m.signal_mau, &params)
}

fn wish(from_s: f64, to_s: f64) -> Wish {
    Wish {
        from_s,
        to_s,
        baseline: None,
        bounds_s: None,
        fit: false,
    }
}

fn style(style: Style) -> Steering {
    Steering {
        spans: vec![Span {
            from_s: 700.0,
            to_s: 900.0,
            no_peaks: false,
            baseline: Some(style),
        }],
        ..Steering::default()
    }
}

/// Two equal Gaussians at resolution 1.0.
fn pair() -> Made {
    Made::flat(22.0, 8.0, 1)
        .peak(2000.0, 774.0, 9.0, 0.0)
        .peak(2000.0, 810.0, 9.0, 0.0)
        .white(0.01)
}

#[test]
fn a_valley_baseline_leaves_out_what_lies_below_the_line() {
    let (usual, valley) = (see(&pair()), with(&pair(), style(Style::Valley)));
    let (a, b) = (
        near(&usual, 774.0, 5.0).unwrap(),
        near(&valley, 774.0, 5.0).unwrap(),
    );
    assert_eq!(
        (a.rule, b.rule),
        (Rule::PerpendicularDrop, Rule::ValleyToValley)
    );
    // The valley of two equal Gaussians 4 sigma apart is 2 exp(-2) of the height of one.
    let height = 2000.0 / (9.0 * std::f64::consts::TAU.sqrt());
    let top = 2.0 * (-2f64).exp() * height;
    assert!(
        (b.baseline_end_mau - b.baseline_start_mau - top).abs() < 0.02 * height,
        "{b:?}"
    );
    let triangle = 0.5 * (792.0 - b.start_s) * top;
    assert!(
        (a.area_mau_s - b.area_mau_s - triangle).abs() < 20.0,
        "{a:?} {b:?}"
    );
    assert!(b.height_mau < 0.95 * a.height_mau);
}

#[test]
fn a_drop_stands_at_the_valley_and_is_never_a_skim() {
    // Truth of overlap_truth.csv: the vertical at the valley takes 8.47 % from the small one (10 : 1, 4 sigma).
    let m = Made::flat(22.0, 8.0, 1)
        .peak(5000.0, 774.0, 9.0, 0.0)
        .peak(500.0, 810.0, 9.0, 0.0)
        .white(0.005);
    let p = with(&m, style(Style::Drop));
    let small = near(&p, 810.0, 6.0).unwrap();
    assert_eq!(small.rule, Rule::PerpendicularDrop);
    assert!(
        (small.area_mau_s / 500.0 - 1.0 + 0.0847).abs() < 0.003,
        "{small:?}"
    );
    let m = Made::flat(22.0, 8.0, 1)
        .peak(16_000.0, 720.0, 9.0, 18.0)
        .peak(240.0, 828.0, 9.0, 3.6)
        .white(0.03);
    let rule = |p: &Profile| near(p, 830.0, 15.0).unwrap().rule;
    assert_eq!(rule(&see(&m)), Rule::TailSkim);
    assert_eq!(rule(&with(&m, style(Style::Drop))), Rule::PerpendicularDrop);
}

#[test]
fn a_skim_is_drawn_where_automation_would_not() {
    let m = Made::flat(22.0, 8.0, 1)
        .peak(4000.0, 750.0, 9.0, 9.0)
        .peak(1500.0, 812.0, 9.0, 3.6)
        .white(0.02);
    let (usual, skim) = (see(&m), with(&m, style(Style::Skim)));
    let at = |p: &Profile| near(p, 815.0, 8.0).unwrap().clone();
    assert_eq!(at(&usual).rule, Rule::PerpendicularDrop);
    assert!(
        matches!(at(&skim).rule, Rule::TangentSkim | Rule::TailSkim),
        "{:?}",
        at(&skim)
    );
    let total = |p: &Profile| p.peaks.iter().map(|q| q.area_mau_s).sum::<f64>();
    assert!((total(&usual) / total(&skim) - 1.0).abs() < 1e-3);
}

#[test]
fn no_peak_is_reported_where_none_is_wanted() {
    let m = pair().front(336.0);
    let before = see(&m);
    assert!(near(&before, 336.0, 15.0).is_some());
    let steering = Steering {
        spans: vec![Span {
            from_s: 300.0,
            to_s: 400.0,
            no_peaks: true,
            baseline: None,
        }],
        ..Steering::default()
    };
    let after = with(&m, steering);
    assert_eq!(near(&after, 336.0, 40.0), None);
    assert_eq!(after.peaks, before.peaks[1..]);
}

#[test]
fn forced_bounds_are_kept_and_neighbours_give_way() {
    let mut order = wish(760.0, 790.0);
    order.bounds_s = Some([750.0, 800.0]);
    let steering = Steering {
        wishes: vec![order],
        ..Steering::default()
    };
    let (usual, forced) = (see(&pair()), with(&pair(), steering.clone()));
    let q = near(&forced, 774.0, 5.0).unwrap();
    assert_eq!(
        (q.rule, q.start_s, q.end_s),
        (Rule::ForcedBounds, 750.0, 800.0)
    );
    let next = near(&forced, 810.0, 5.0).unwrap();
    assert_eq!(next.start_s, 800.0);
    let sum = |p: &Profile| p.peaks.iter().map(|q| q.area_mau_s).sum::<f64>();
    // What lies before 750 s (2.67 sigma) belongs to nobody.
    assert!((sum(&usual) - sum(&forced) - 2000.0 * 0.0038).abs() < 3.0);
    // A blank has no peak there either.
    let blank = Made::flat(22.0, 8.0, 1).white(0.03);
    assert!(with(&blank, steering).peaks.is_empty());
}

#[test]
fn a_shoulder_is_integrated_where_bounds_are_forced() {
    let m = Made::flat(22.0, 8.0, 1)
        .peak(4000.0, 774.0, 9.0, 0.0)
        .peak(400.0, 801.0, 9.0, 0.0)
        .white(0.01);
    assert_eq!(see(&m).peaks.len(), 1);
    let mut order = wish(795.0, 815.0);
    order.bounds_s = Some([796.0, 835.0]);
    let steering = Steering {
        wishes: vec![order],
        ..Steering::default()
    };
    let p = with(&m, steering);
    assert_eq!(p.peaks.len(), 2, "{:?}", p.peaks);
    let q = &p.peaks[1];
    assert!(
        q.rule == Rule::ForcedBounds && q.apex_s > 796.0 && q.apex_s < 835.0,
        "{q:?}"
    );
    assert!((p.peaks[0].area_mau_s + q.area_mau_s - 4400.0).abs() < 15.0);
}
