use super::*;
use jiff::SignedDuration;
use jiff::tz::TimeZone;

const CYCLE_S: f64 = 1320.0;

fn start() -> Timestamp {
    Timestamp::from_second(1_790_006_400).unwrap()
}

fn at(s: f64) -> Timestamp {
    start()
        .checked_add(SignedDuration::from_secs_f64(s))
        .unwrap()
}

fn terms() -> Terms {
    Terms {
        max_mpa: Some(9.0),
        min_mpa: Some(1.0),
        normal_mpa: Some([3.0, 6.0]),
        cycle_s: CYCLE_S,
        late_s: 600.0,
        time_scale: 1.0,
        zone: TimeZone::UTC,
    }
}

/// A queue of so many injections, of which the first `landings` land on time, with a reading every 10 s.
struct Night {
    injections: usize,
    landings: usize,
    listed: bool,
    until: f64,
}

impl Night {
    fn of(injections: usize) -> Night {
        Night {
            injections,
            landings: injections,
            listed: true,
            until: injections as f64,
        }
    }

    fn play(&self, mpa: impl Fn(f64) -> f64) -> (Vec<(f64, Check, bool)>, Course, Vec<Change>) {
        let injections = (1..=self.injections as u64).map(|p| (p, format!("i-{p}")));
        let plan = Plan {
            injections: injections.collect(),
            listed: self.listed,
        };
        let mut course = Course::new(terms(), plan, start());
        let mut changes = course.landed(at(CYCLE_S), 0);
        let mut next = 1;
        let mut s = 0.0;
        while s < self.until * CYCLE_S {
            while next < self.landings && (next + 1) as f64 * CYCLE_S <= s {
                changes.extend(course.landed(at((next + 1) as f64 * CYCLE_S), next));
                next += 1;
            }
            // A little noise that repeats itself.
            let noise = 0.01 * ((s * 0.7).sin() + (s * 1.3).cos());
            changes.extend(course.add(Reading {
                at: at(s),
                mpa: (mpa(s / CYCLE_S) + noise).max(0.0),
                whole: false,
            }));
            s += 10.0;
        }
        while next < self.landings {
            changes.extend(course.landed(at((next + 1) as f64 * CYCLE_S), next));
            next += 1;
        }
        let short = changes.iter().map(|c| {
            let cycles = c.at.duration_since(start()).as_secs_f64() / CYCLE_S;
            (
                (cycles * 100.0).round() / 100.0,
                c.check,
                c.finding.is_some(),
            )
        });
        (short.collect(), course, changes.clone())
    }
}

#[test]
fn a_calm_queue_says_nothing() {
    let (changes, course, _) = Night::of(10).play(|_| 4.2);
    assert_eq!(changes, []);
    let digest = course.digest().unwrap();
    assert!((4.19..4.21).contains(&digest.median_mpa));
    assert_eq!((digest.outside, digest.change_percent()), (None, None));
}

#[test]
fn the_pulse_of_every_injection_pages_nobody() {
    // For 40 s, longer than the persistence, the pressure is beyond the limit in each cycle: the queue shows that it is a pulse.
    let pulse = |c: f64| {
        let s = (c.fract() * CYCLE_S) as u32;
        let jump = if c < 3.9 { 20 } else { 40 };
        if s < jump { 9.4 } else { 8.0 }
    };
    let (changes, ..) = Night::of(12).play(pulse);
    assert_eq!(changes, []);
    // The same in the middle of a run is none.
    let (changes, ..) = Night::of(12).play(|c| {
        if (8.5..8.6).contains(&c) {
            9.4
        } else {
            pulse(c)
        }
    });
    assert_eq!(
        changes.iter().map(|c| (c.1, c.2)).collect::<Vec<_>>(),
        [(Check::PressureHigh, true), (Check::PressureHigh, false)]
    );
    // And a pulse much higher than the usual is none either.
    let (changes, ..) = Night::of(12).play(|c| {
        if (8.0..8.05).contains(&c) {
            12.0
        } else {
            pulse(c)
        }
    });
    assert_eq!(changes[0].1, Check::PressureHigh);
}

#[test]
fn a_high_pressure_is_told_once_and_cleared_once() {
    let (changes, _, full) =
        Night::of(10).play(|c| if (5.3..7.0).contains(&c) { 9.5 } else { 4.2 });
    assert_eq!(
        changes,
        [
            (5.33, Check::PressureHigh, true),
            (7.05, Check::PressureHigh, false)
        ]
    );
    let finding = full[0].finding.as_ref().unwrap();
    assert_eq!(finding.running, Some((6, "i-6".to_owned())));
    assert!(
        finding.message.contains("above the limit of 9 MPa since"),
        "{}",
        finding.message
    );
}

#[test]
fn clogging_is_foreseen_then_told_and_a_stopped_pump_makes_nothing_better() {
    let mpa = |c: f64| {
        if c < 7.5 {
            4.2
        } else if c < 19.4 {
            4.2 + 5.8 * ((c - 7.5) / 11.9).powi(2)
        } else {
            0.05
        }
    };
    let night = Night {
        landings: 19,
        until: 22.0,
        ..Night::of(24)
    };
    let (changes, _, full) = night.play(mpa);
    let checks: Vec<(Check, bool)> = changes.iter().map(|c| (c.1, c.2)).collect();
    assert_eq!(
        checks,
        [
            (Check::PressureRise, true),
            (Check::PressureHigh, true),
            (Check::PressureLow, true)
        ],
        "{changes:?}"
    );
    // 9 MPa are met 18.3 cycles after the start.
    assert!(changes[0].0 < 18.3 - 60.0 / 22.0, "{changes:?}");
    let rise = full[0].finding.as_ref().unwrap();
    assert!(rise.message.contains("before the end"), "{}", rise.message);
    assert_eq!(rise.affected.last(), Some(&24));
    let low = full[2].finding.as_ref().unwrap();
    assert_eq!(low.running, Some((20, "i-20".to_owned())));
}

#[test]
fn shutdown_after_the_last_run_is_no_failure_and_before_it_is_one() {
    // The pump is switched off 30 s before the last trace is written.
    let (changes, ..) = Night::of(10).play(|c| if c > 9.97 { 0.0 } else { 4.2 });
    assert_eq!(changes, []);
    // It stops in the last run: told when the last trace is overdue, for it might have been the shutdown.
    let night = Night {
        landings: 9,
        until: 12.0,
        ..Night::of(10)
    };
    let (changes, ..) = night.play(|c| if c > 9.95 { 0.0 } else { 4.2 });
    assert_eq!(changes, [(10.46, Check::PressureLow, true)]);
    // In the middle of the last run it cannot be.
    let (changes, ..) = night.play(|c| if c > 9.5 { 0.0 } else { 4.2 });
    assert_eq!(changes, [(9.53, Check::PressureLow, true)]);
}

#[test]
fn without_a_list_a_fall_after_a_landing_may_be_the_end() {
    let night = |landings| Night {
        listed: false,
        landings,
        until: 13.0,
        ..Night::of(10)
    };
    let (changes, ..) = night(10).play(|c| if c > 10.05 { 0.0 } else { 4.2 });
    assert_eq!(changes, []);
    // Another trace landed all the same: its injection was run without a pressure.
    let (changes, ..) = night(10).play(|c| if c > 8.05 { 0.0 } else { 4.2 });
    assert_eq!(changes, [(9.0, Check::PressureLow, true)]);
}

#[test]
fn a_sudden_fall_to_less_than_half_is_low_whatever_the_limit() {
    let (changes, _, full) =
        Night::of(10).play(|c| if (5.5..6.5).contains(&c) { 1.9 } else { 4.2 });
    assert_eq!(changes[0], (5.52, Check::PressureLow, true));
    assert_eq!(changes[1].1, Check::PressureLow);
    assert!(!changes[1].2 && changes.len() == 2, "{changes:?}");
    let message = &full[0].finding.as_ref().unwrap().message;
    assert!(message.contains("from its usual 4.2 to 1.9"), "{message}");
    let (changes, ..) = Night::of(10).play(|c| if (5.5..6.5).contains(&c) { 2.3 } else { 4.2 });
    assert_eq!(changes, []);
}

#[test]
fn a_pump_that_starts_late_is_not_low_yet() {
    let (changes, ..) = Night::of(6).play(|c| if c < 0.2 { 0.0 } else { 4.2 });
    assert_eq!(changes, []);
    let (changes, ..) = Night::of(6).play(|_| 0.0);
    assert_eq!(changes, [(0.27, Check::PressureLow, true)]);
}

#[test]
fn leaving_the_band_and_a_fifth_more_are_in_the_digest_alone() {
    let (changes, course, _) = Night::of(12).play(|c| if c > 6.0 { 6.2 } else { 4.2 });
    assert_eq!(changes, []);
    let digest = course.digest().unwrap();
    let (minutes, _) = digest.outside.unwrap();
    assert!((120.0..135.0).contains(&minutes), "{minutes}");
    assert!((46.0..49.0).contains(&digest.change_percent().unwrap()));
    let lines = words::summary(&digest, terms().normal_mpa, &TimeZone::UTC);
    assert!(
        lines
            .iter()
            .any(|l| l.contains("above the normal band of 3 to 6 MPa")),
        "{lines:?}"
    );
    assert!(
        lines
            .iter()
            .any(|l| l.contains("+48 % from its usual 4.2 MPa")),
        "{lines:?}"
    );
}

#[test]
fn before_the_first_landing_only_a_high_pressure_is_told() {
    let mut course = Course::new(terms(), Plan::default(), start());
    let mut all = Vec::new();
    for k in 0..100 {
        let mpa = if k < 50 { 0.0 } else { 9.5 };
        all.extend(course.add(Reading {
            at: at(f64::from(k) * 20.0),
            mpa,
            whole: false,
        }));
    }
    assert_eq!(all.len(), 1);
    assert_eq!(all[0].check, Check::PressureHigh);
    assert_eq!(course.digest(), None);
}

#[test]
fn one_value_for_each_injection_is_enough_for_limit_and_forecast() {
    let injections = (1..=24).map(|p| (p, format!("i-{p}"))).collect();
    let mut course = Course::new(
        terms(),
        Plan {
            injections,
            listed: true,
        },
        start(),
    );
    let mut all = Vec::new();
    for k in 0..23_usize {
        let when = at((k + 1) as f64 * CYCLE_S);
        all.extend(course.landed(when, k));
        let mpa = if k < 3 {
            4.2
        } else {
            4.2 + 0.3 * (k - 3) as f64
        };
        all.extend(course.add(Reading {
            at: when,
            mpa,
            whole: true,
        }));
    }
    let found: Vec<(Check, bool)> = all.iter().map(|c| (c.check, c.finding.is_some())).collect();
    assert_eq!(
        found,
        [(Check::PressureRise, true), (Check::PressureHigh, true)]
    );
    let lead = all[1].at.duration_since(all[0].at).as_secs_f64() / 60.0;
    assert!(lead > 120.0, "{lead} min");
}

#[test]
fn a_clock_that_is_set_back_is_gone_on_with() {
    let mut course = Course::new(terms(), Plan::default(), start());
    course.landed(at(CYCLE_S), 0);
    let add = |course: &mut Course, s: f64, mpa: f64| {
        course.add(Reading {
            at: at(s),
            mpa,
            whole: false,
        })
    };
    for k in 0..400 {
        assert_eq!(add(&mut course, f64::from(k) * 20.0, 4.2), []);
    }
    // An hour back, and too high from then on.
    let mut all = Vec::new();
    for k in 0..10 {
        all.extend(add(&mut course, 8000.0 - 3600.0 + f64::from(k) * 20.0, 9.5));
    }
    assert_eq!(all.len(), 1);
}
