use super::*;
use crate::quant::curve::tests::{PLAIN, fitted};
use proptest::prelude::*;

fn curve() -> Curve {
    let data = [
        (1.0, 52.0),
        (2.0, 91.0),
        (5.0, 212.0),
        (10.0, 409.0),
        (20.0, 811.0),
    ];
    fitted(&data, PLAIN).unwrap()
}

fn shown(place: f64, nominal: f64, area_mau_s: f64) -> Shown {
    Shown {
        place,
        nominal,
        area_mau_s,
    }
}

#[test]
fn standards_that_say_nothing_give_no_factor() {
    let curve = curve();
    assert_eq!(Checkpoint::of(&curve, &[]), None);
    assert_eq!(Checkpoint::of(&curve, &[shown(0.0, 5.0, 0.0)]), None);
    assert_eq!(Checkpoint::of(&curve, &[shown(0.0, 5.0, f64::NAN)]), None);
    assert_eq!(Factor::at(3.0, None, None), None);
    let sound = Checkpoint::of(&curve, &[shown(0.0, 5.0, f64::NAN), shown(1.0, 5.0, 200.0)]);
    assert_eq!(sound, Checkpoint::of(&curve, &[shown(1.0, 5.0, 200.0)]));
}

#[test]
fn standards_that_lie_on_the_curve_change_the_amount_by_nothing() {
    let curve = curve();
    let on = |place: f64, x: f64| shown(place, x, curve.regression.value(x));
    let before = Checkpoint::of(&curve, &[on(0.0, 5.0), on(1.0, 10.0)]).unwrap();
    let after = Checkpoint::of(&curve, &[on(9.0, 5.0)]).unwrap();
    let factor = Factor::at(4.0, Some(&before), Some(&after)).unwrap();
    assert!((factor.value - 1.0).abs() < 1e-12);
    let (plain, set) = (
        curve.predict(300.0, 1),
        curve.predict_bracketed(300.0, 1, None, &factor),
    );
    assert!((plain.x - set.x).abs() < 1e-10);
}

#[test]
fn a_drift_that_is_even_is_met_whatever_the_standards_levels() {
    let curve = curve();
    let drift = |place: f64| 1.02 - 0.011 * place;
    let at = |place: f64, x: f64| shown(place, x, drift(place) * curve.regression.value(x));
    let before = Checkpoint::of(&curve, &[at(0.0, 2.0), at(1.0, 20.0)]).unwrap();
    let after = Checkpoint::of(&curve, &[at(8.0, 10.0), at(9.0, 1.0), at(10.0, 5.0)]).unwrap();
    for place in [2.0, 5.0, 7.0] {
        let factor = Factor::at(place, Some(&before), Some(&after)).unwrap();
        assert!((factor.value - drift(place)).abs() < 1e-12);
        let area = drift(place) * curve.regression.value(7.0);
        let x = curve.predict_bracketed(area, 1, None, &factor).x;
        assert!((x - 7.0).abs() < 1e-10, "at {place}: {x}");
    }
}

/// Through zero the curve's own error falls away; what is left are the sample and the standards.
#[test]
fn more_standards_make_a_narrower_interval() {
    let curve = curve();
    let width = |n: usize| {
        let many = |at: f64| vec![shown(at, 5.0, 210.0); n];
        let before = Checkpoint::of(&curve, &many(0.0)).unwrap();
        let after = Checkpoint::of(&curve, &many(9.0)).unwrap();
        let factor = Factor::at(4.5, Some(&before), Some(&after)).unwrap();
        let p = curve.predict_bracketed(210.0, 1, None, &factor);
        p.high_95 - p.low_95
    };
    // √(1 + 1/2), √(1 + 1/4) and √(1 + 1/20) of the sample's own: at the standards' level the curve's error falls away.
    for (few, many, ratio) in [(1, 2, 1.5 / 1.25), (2, 10, 1.25 / 1.05)] {
        let got = width(few) / width(many);
        assert!(
            (got - f64::sqrt(ratio)).abs() < 1e-3,
            "{few} to {many}: {got}"
        );
    }
}

proptest! {
    #[test]
    fn any_standards_are_survived(
        data in proptest::collection::vec((0.0..1e4_f64, 1e-6..1e6_f64, proptest::num::f64::ANY), 0..6),
        place in 0.0..1e4_f64, area in proptest::num::f64::ANY
    ) {
        let curve = curve();
        let all: Vec<Shown> = data.iter().map(|(p, x, a)| shown(*p, *x, *a)).collect();
        let (first, last) = all.split_at(all.len() / 2);
        let sides = [first, last].map(|s| Checkpoint::of(&curve, s));
        if let Some(factor) = Factor::at(place, sides[0].as_ref(), sides[1].as_ref()) {
            let p = curve.predict_bracketed(area, 1, None, &factor);
            prop_assert!(p.x.is_nan() || p.low_95 <= p.high_95);
            let own = sides.iter().flatten().map(|c| c.factor);
            let (low, high) = own.fold((f64::MAX, 0.0_f64), |(l, h), f| (l.min(f), h.max(f)));
            prop_assert!(low * (1.0 - 1e-9) <= factor.value && factor.value <= high * (1.0 + 1e-9));
        }
    }
}
