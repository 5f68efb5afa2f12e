//! Simulated nights: how early a clogging is told, and how often a calm night is disturbed.

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Reading;
use super::course::{Change, Course, Plan, Terms};
use crate::check::Check;
use crate::random::{Purpose, Random};

const CYCLE_S: f64 = 22.0 * 60.0;
const INJECTIONS: usize = 24;
const LIMIT_MPA: f64 = 9.0;

/// What a night does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// The room's temperature swings, the column settles at first.
    Calm,
    /// A calm night near its limit.
    NearLimit,
    /// One step up: a filter shifts.
    Step,
    /// A gradient in every cycle.
    Gradient,
    /// Three hours or more from the first sign to the limit.
    Slow,
    /// One to three hours.
    Fast,
}

struct Night {
    readings: Vec<Reading>,
    landings: Vec<Timestamp>,
    /// When the mean pressure passes the limit, s.
    meets_s: Option<f64>,
}

fn start() -> Timestamp {
    Timestamp::from_second(1_790_006_400).unwrap()
}

fn at(s: f64) -> Timestamp {
    start()
        .checked_add(SignedDuration::from_secs_f64(s))
        .unwrap()
}

/// The mean pressure of a night by time, s.
fn mean(kind: Kind, r: &mut Random) -> Box<dyn Fn(f64) -> f64> {
    let usual = if kind == Kind::NearLimit {
        r.between(7.6, 8.2)
    } else {
        r.between(3.0, 6.5)
    };
    let swing = usual * r.between(0.0, 0.03);
    let (period, phase) = (
        r.between(4.0, 24.0) * 3600.0,
        r.between(0.0, std::f64::consts::TAU),
    );
    let settles = usual * r.between(-0.06, 0.06);
    let tau = r.between(600.0, 2400.0);
    let calm = move |s: f64| {
        usual
            + swing * (std::f64::consts::TAU * s / period + phase).sin()
            + settles * (-s / tau).exp()
    };
    let step = (r.between(2.0, 20.0) * CYCLE_S, r.between(0.2, 1.5));
    let climb = r.between(1.0, 3.0);
    let power = r.between(1.0, 2.5);
    let hours = if kind == Kind::Slow {
        r.between(3.0, 7.0)
    } else {
        r.between(1.0, 3.0)
    };
    let meets = r.between((hours * 3600.0 / CYCLE_S + 1.5).min(20.0), 23.0) * CYCLE_S;
    let onset = meets - hours * 3600.0;
    match kind {
        Kind::Calm | Kind::NearLimit => Box::new(calm),
        Kind::Step => Box::new(move |s| calm(s) + if s > step.0 { step.1 } else { 0.0 }),
        Kind::Gradient => Box::new(move |s| {
            let p = (s / CYCLE_S).fract();
            calm(s) * 0.7 + climb * (if p < 0.6 { p / 0.6 } else { (1.0 - p) / 0.4 })
        }),
        Kind::Slow | Kind::Fast => Box::new(move |s| {
            let part = ((s - onset) / (hours * 3600.0)).max(0.0);
            calm(s) + (LIMIT_MPA + 0.05 - calm(meets)) * part.powf(power)
        }),
    }
}

fn night(kind: Kind, seed: u64) -> Night {
    let mut r = Random::stream(seed, kind as u64 + 1, Purpose::Pressure);
    let mean = mean(kind, &mut r);
    let every_s = [5.0, 20.0, 60.0][(r.next() % 3) as usize];
    let noise = r.between(0.005, 0.06);
    let coarse = r.next().is_multiple_of(3);
    let pulse = r.between(0.0, 2.5);
    let gaps = r.next().is_multiple_of(4);
    let mut landings = Vec::new();
    let mut s = 0.0;
    for _ in 0..INJECTIONS {
        s += CYCLE_S + r.between(-4.0, 20.0);
        landings.push(at(s));
    }
    let end = s;
    let mut readings = Vec::new();
    let (mut t, mut meets_s, mut gap_until) = (0.0, None, 0.0);
    while t < end {
        let m = mean(t);
        if meets_s.is_none() && m > LIMIT_MPA {
            meets_s = Some(t);
        }
        if gaps && r.between(0.0, 1.0) < every_s / 7200.0 {
            gap_until = t + r.between(60.0, 1500.0);
        }
        let since = landings
            .iter()
            .map(|l| t - l.duration_since(start()).as_secs_f64())
            .filter(|d| *d >= 0.0)
            .fold(t, f64::min);
        let jump = if since < 12.0 { pulse } else { 0.0 };
        let mut mpa = m + noise * r.normal() + jump;
        if coarse {
            mpa = (mpa * 10.0).round() / 10.0;
        }
        if t >= gap_until {
            readings.push(Reading {
                at: at(t),
                mpa: mpa.max(0.0),
                whole: false,
            });
        }
        t += every_s;
    }
    Night {
        readings,
        landings,
        meets_s,
    }
}

fn terms() -> Terms {
    Terms {
        max_mpa: Some(LIMIT_MPA),
        min_mpa: Some(1.0),
        normal_mpa: Some([3.0, 6.0]),
        cycle_s: CYCLE_S,
        late_s: 600.0,
        time_scale: 1.0,
        zone: TimeZone::UTC,
    }
}

/// Plays a night as the daemon sees it: the first landing makes the course, readings and landings follow by time.
fn play(night: &Night) -> Vec<Change> {
    let injections = (1..=INJECTIONS as u64)
        .map(|p| (p, format!("i-{p}")))
        .collect();
    let plan = Plan {
        injections,
        listed: true,
    };
    let mut course = Course::new(terms(), plan, start());
    let mut out = course.landed(night.landings[0], 0);
    let mut next = 1;
    for reading in &night.readings {
        while night.landings.get(next).is_some_and(|l| *l <= reading.at) {
            out.extend(course.landed(night.landings[next], next));
            next += 1;
        }
        out.extend(course.add(*reading));
    }
    out
}

/// Of many nights of one kind: false or missing forecasts, and the warnings' lead, min.
struct Tally {
    nights: usize,
    forecasts: usize,
    others: usize,
    leads_min: Vec<f64>,
}

fn tally(kind: Kind, nights: usize) -> Tally {
    let mut out = Tally {
        nights,
        forecasts: 0,
        others: 0,
        leads_min: Vec::new(),
    };
    for seed in 0..nights {
        let night = night(kind, seed as u64);
        let changes = play(&night);
        let first = |check: Check| {
            changes
                .iter()
                .find(|c| c.check == check && c.finding.is_some())
        };
        let rise = first(Check::PressureRise);
        out.forecasts += usize::from(rise.is_some());
        let other = |c: &&Change| {
            c.finding.is_some()
                && (c.check == Check::PressureLow
                    || c.check == Check::PressureRipple
                    || night.meets_s.is_none() && c.check == Check::PressureHigh)
        };
        out.others += usize::from(changes.iter().any(|c| other(&c)));
        if let Some(meets) = night.meets_s {
            let told = rise.map_or(meets, |c| c.at.duration_since(start()).as_secs_f64());
            out.leads_min.push((meets - told) / 60.0);
        }
    }
    out.leads_min.sort_by(f64::total_cmp);
    out
}

impl Tally {
    /// Share of nights that were warned at least so many minutes before the limit.
    fn warned(&self, minutes: f64) -> f64 {
        self.leads_min.iter().filter(|l| **l >= minutes).count() as f64 / self.nights as f64
    }

    fn lead(&self, share: f64) -> f64 {
        let k = (share * (self.leads_min.len().saturating_sub(1)) as f64) as usize;
        self.leads_min.get(k).copied().unwrap_or(f64::NAN)
    }
}

#[test]
fn calm_nights_stay_calm_and_clogging_is_told_in_time() {
    let full = std::env::var_os("RUNSITTER_FULL").is_some();
    let n = if full { 1000 } else { 60 };
    println!("{n} nights of each kind, 24 injections of 22 min, limit {LIMIT_MPA} MPa");
    let mut calm_nights = 0;
    let mut false_forecasts = 0;
    let mut false_others = 0;
    for kind in [Kind::Calm, Kind::NearLimit, Kind::Step, Kind::Gradient] {
        let t = tally(kind, n);
        println!(
            "{kind:?}: false forecasts {} of {n}, other false alerts {}",
            t.forecasts, t.others
        );
        calm_nights += n;
        false_forecasts += t.forecasts;
        false_others += t.others;
    }
    for kind in [Kind::Slow, Kind::Fast] {
        let t = tally(kind, n);
        println!(
            "{kind:?}: warned {} of {n}; at least 60 min before the limit {:.1} %, 30 min {:.1} %; lead 5 % {:.0} min, median {:.0} min; other alerts {}",
            t.forecasts,
            100.0 * t.warned(60.0),
            100.0 * t.warned(30.0),
            t.lead(0.05),
            t.lead(0.5),
            t.others
        );
        false_others += t.others;
        match kind {
            Kind::Slow => assert!(t.warned(60.0) >= 0.95),
            _ => assert!(t.warned(10.0) >= 0.8),
        }
    }
    assert!((false_forecasts as f64) < 0.01 * calm_nights as f64 + 1.0);
    assert!(false_others as f64 <= 0.005 * calm_nights as f64);
}
