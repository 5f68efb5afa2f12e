use super::*;

/// Run time and overhead, limit, s.
const NOMINAL_S: f64 = 1320.0;
const LATE_S: f64 = 600.0;

fn at(s: i64) -> Timestamp {
    Timestamp::from_second(1_700_000_000 + s).unwrap()
}

fn pace() -> Pace {
    Pace::new(NOMINAL_S, LATE_S)
}

/// What lands so many seconds after what came before, files written when they land.
fn landing(intervals_s: &[i64]) -> Pace {
    let mut p = pace();
    let mut now = 0;
    p.landed(at(now));
    for s in intervals_s {
        now += s;
        p.landed(at(now));
    }
    p
}

#[test]
fn the_methods_cycle_counts_until_the_queue_shows_its_own() {
    let mut p = pace();
    assert_eq!(p.late_at(), None);
    p.landed(at(0));
    assert_eq!(p.late_at(), Some(at(1920)));
    for k in 1..6 {
        p.landed(at(k * 1500));
    }
    assert_eq!(p.cycle_s(), 1500.0);
    assert_eq!(p.late_at(), Some(at(5 * 1500 + 2100)));
    assert_eq!(p.quiet_at(), Some(at(5 * 1500 + 4500)));
}

#[test]
fn the_cycle_is_the_median_of_what_was_seen() {
    for (why, intervals_s, expected_s) in [
        ("nothing seen", &[][..], 1320.0),
        ("one longer interval counts at once", &[2000], 2000.0),
        ("one shorter interval does not", &[1000], 1320.0),
        ("nor do two", &[1000, 1010], 1320.0),
        ("three do", &[1000, 1010, 990], 1000.0),
        ("half of the method's is possible", &[660, 660, 660], 660.0),
        ("less is no pace", &[650, 650, 650, 650], 1320.0),
        (
            "a pause does not move it",
            &[1400, 1400, 7200, 1400, 1390],
            1400.0,
        ),
        ("an even number", &[1400, 1420, 1440, 1460], 1430.0),
        ("pauses alone are no pace", &[9000, 9000, 9000], 3960.0),
        ("nothing between", &[0, 0, 0, 1500], 1500.0),
    ] {
        assert_eq!(landing(intervals_s).cycle_s(), expected_s, "{why}");
    }
    // Old ones are forgotten.
    let mut long = vec![1400; 20];
    long.extend([1700; 8]);
    assert_eq!(landing(&long).cycle_s(), 1700.0);
}

#[test]
fn the_spread_is_that_of_the_regular_ones() {
    for (why, intervals_s, mad_s) in [
        ("regular", &[1400, 1400, 1400, 1400][..], 0.0),
        ("scatter", &[1380, 1390, 1400, 1410, 1420], 10.0),
        ("with a pause", &[1380, 1390, 1400, 1410, 7200], 10.0),
    ] {
        let got = landing(intervals_s).spread_s().unwrap();
        assert!(
            (got - 1.4826 * mad_s).abs() < 1e-3 * mad_s + 1e-9,
            "{why}: {got}"
        );
    }
    assert_eq!(landing(&[1400, 1410]).spread_s(), None);
}

#[test]
fn a_queue_that_scatters_is_given_more_time_than_the_limit_but_at_most_a_cycle() {
    assert_eq!(landing(&[1400, 1410, 1390]).allowance_s(), LATE_S);
    // Injections of two lengths in turn.
    let p = landing(&[1400, 2000, 1400, 2000, 1400, 2000, 1400]);
    assert_eq!(
        (p.cycle_s(), p.allowance_s()),
        (1400.0, LATE_S),
        "every second one on time"
    );
    let p = landing(&[1300, 1500, 1700, 1900, 2100]);
    assert!((p.allowance_s() - 3.0 * 1.4826 * 200.0).abs() < 0.1);
    let p = landing(&[700, 1300, 2000, 2700, 3900]);
    assert_eq!(p.allowance_s(), p.cycle_s());
}

#[test]
fn files_tell_the_pace_where_landings_cannot() {
    // A backlog: written one by one, landed together.
    let mut p = pace();
    for k in 0..6 {
        p.came(at(k * 1500), at(9000));
    }
    assert_eq!(p.cycle_s(), 1500.0);
    assert_eq!(
        p.late_at(),
        Some(at(9000 + 2100)),
        "silence is counted from the landing"
    );

    // Files that bear no time of their own, or were copied together: the landings tell.
    for written in [|_: i64| at(0), |k: i64| at(k), |k: i64| at(-k)] {
        let mut p = pace();
        for k in 0..6 {
            p.came(written(k), at(k * 1500));
        }
        assert_eq!(p.cycle_s(), 1500.0);
    }

    // Neither tells.
    let mut p = pace();
    for k in 0..20 {
        p.came(at(k), at(9000 + k));
    }
    assert_eq!(p.cycle_s(), NOMINAL_S);
}

#[test]
fn the_instruments_clock_may_be_any() {
    // Two hours behind, and set an hour back and forward in the night: one interval is odd.
    for jump_s in [-3600, 3600] {
        let mut p = pace();
        for k in 0..8 {
            let own = k * 1500 - 7200 + if k > 3 { jump_s } else { 0 };
            p.came(at(own), at(k * 1500));
        }
        assert_eq!(p.cycle_s(), 1500.0, "{jump_s}");
        assert_eq!(p.late_at(), Some(at(7 * 1500 + 2100)), "{jump_s}");
    }
}

#[test]
fn a_clock_that_was_set_back_counts_from_its_new_time() {
    let mut p = pace();
    p.landed(at(7200));
    p.landed(at(3600));
    assert_eq!(p.late_at(), Some(at(3600 + 1920)));

    // Between two landings: ten minutes are over, then the clock goes back by an hour.
    let mut p = pace();
    p.landed(at(7200));
    assert_eq!(p.saw(at(7800)), None);
    assert_eq!(p.saw(at(4200)), Some(SignedDuration::from_hours(-1)));
    assert_eq!(p.late_at(), Some(at(3600 + 1920)));
    assert_eq!(p.saw(at(4260)), None);

    // After a restart nothing is known but the landing: it counts as just now.
    let mut p = pace();
    p.landed(at(7200));
    assert!(p.saw(at(4200)).is_some());
    assert_eq!(p.late_at(), Some(at(4200 + 1920)));
}

#[test]
fn a_clock_that_moved_takes_the_last_landing_with_it() {
    for by_s in [-3600, 3600, 7200] {
        let mut p = pace();
        p.landed(at(0));
        assert_eq!(p.saw(at(600)), None);
        p.clock_moved(SignedDuration::from_secs(by_s));
        assert_eq!(p.saw(at(601 + by_s)), None, "told once");
        assert_eq!(p.late_at(), Some(at(by_s + 1920)));
    }
}

/// Both nights on which Central European clocks change: 25 October 2026 and 28 March 2027, at 01:00 UTC.
#[test]
fn summer_time_changes_nothing() {
    let zone = jiff::tz::TimeZone::get("Europe/Berlin").unwrap();
    for change in ["2026-10-25T01:00:00Z", "2027-03-28T01:00:00Z"] {
        let change: Timestamp = change.parse().unwrap();
        let mut p = pace();
        let mut offsets = Vec::new();
        for k in -5..=5 {
            let landed = later(change, f64::from(k) * 1500.0 + 60.0).unwrap();
            offsets.push(zone.to_offset(landed));
            assert_eq!(p.saw(landed), None);
            assert!(p.late_at().is_none_or(|late| landed < late));
            p.landed(landed);
            assert!(p.cycle_s() == if k == -5 { NOMINAL_S } else { 1500.0 });
        }
        assert_ne!(offsets.first(), offsets.last(), "the clocks did change");
    }
}

#[test]
fn a_queue_of_which_more_is_due_is_late_for_a_cycle_before_it_is_given_up() {
    let mut p = Pace::new(300.0, 600.0);
    p.landed(at(0));
    assert_eq!((p.late_at(), p.quiet_at()), (Some(at(900)), Some(at(900))));
    assert_eq!(p.given_up_at(), Some(at(1200)));
    assert_eq!(landing(&[]).given_up_at(), landing(&[]).quiet_at());
}
