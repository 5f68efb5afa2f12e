//! One chromatogram written in many ways, and every way to write it wrongly.

use super::*;
use proptest::prelude::*;

mod choices;
mod faults;
mod layouts;

/// Samples of the chromatogram that all layouts write.
const POINTS: usize = 120;

/// Time, min, and signal, mAU, of sample `i`; both with few decimals, so that every way to write them is exact.
fn sample(i: usize) -> (f64, f64) {
    let t = i as f64 * 0.1;
    let bump = |at: f64, height: f64| height * (-((t - at) / 0.5).powi(2)).exp();
    (
        format!("{t:.2}").parse().unwrap(),
        format!("{:.3}", bump(4.0, 80.0) + bump(7.5, 35.0) + 1.25 - 0.5 * t)
            .parse()
            .unwrap(),
    )
}

/// Rows made by `row` from number, time, min, and signal, mAU.
fn rows(row: impl Fn(usize, f64, f64) -> String) -> String {
    (0..POINTS)
        .map(|i| {
            let (t, s) = sample(i);
            row(i, t, s)
        })
        .collect()
}

fn parse(text: &str) -> Result<Trace, TraceError> {
    read(text.as_bytes(), &Settings::default(), &Hints::default())
}

/// `12,5` for 12.5.
fn comma(value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}").replace('.', ",")
}

/// Fails unless the numbers are those of [`sample`].
fn assert_same(trace: &Trace, what: &str) {
    assert_eq!(trace.time_s.len(), POINTS, "{what}: {:?}", trace.layout);
    for (i, (t, s)) in trace.time_s.iter().zip(&trace.signal_mau).enumerate() {
        let (t_min, mau) = sample(i);
        assert!(
            (t - t_min * 60.0).abs() < 1e-6,
            "{what}: time {i} is {t}, {:?}",
            trace.layout
        );
        assert!(
            (s - mau).abs() < 1e-9,
            "{what}: signal {i} is {s}, not {mau}, {:?}",
            trace.layout
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_give_an_answer(bytes in prop::collection::vec(any::<u8>(), 0..3000)) {
        let _ = read(&bytes, &Settings::default(), &Hints::default());
    }

    #[test]
    fn any_table_like_text_gives_an_answer(text in "([0-9.,;:\t eE+\"#a/-]{0,12}\r?\n?){0,200}") {
        let _ = parse(&text);
    }

    #[test]
    fn a_changed_file_gives_an_answer(which in 0_usize..64, at in any::<prop::sample::Index>(), with in prop::collection::vec(any::<u8>(), 0..6), drop in 0_usize..40) {
        let all = layouts::all();
        let mut bytes = all[which % all.len()].1.clone();
        let at = at.index(bytes.len());
        let end = (at + drop).min(bytes.len());
        bytes.splice(at..end, with);
        if let Ok(trace) = read(&bytes, &Settings::default(), &Hints::default()) {
            prop_assert!(trace.time_s.len() >= MIN_POINTS && trace.time_s.len() == trace.signal_mau.len());
            prop_assert!(trace.time_s.windows(2).all(|w| w[0] < w[1]));
            prop_assert!(trace.time_s.iter().chain(&trace.signal_mau).all(|v| v.is_finite()));
        }
    }
}

#[test]
fn a_file_cut_at_any_byte_gives_an_answer() {
    for (what, bytes) in layouts::all() {
        // Every byte of the head and of the end; between them, some.
        let places = (0..bytes.len()).filter(|i| *i < 300 || i + 60 > bytes.len() || i % 17 == 0);
        for cut in places {
            match read(&bytes[..cut], &Settings::default(), &Hints::default()) {
                Ok(trace) => assert!(trace.time_s.len() >= MIN_POINTS, "{what} cut at {cut}"),
                Err(e) => assert!(e.may_grow, "{what} cut at {cut}: {e}"),
            }
        }
    }
}
