//! What is said of the pressure, in words.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Reading;
use super::digest::{Digest, LOOK_PERCENT, Scale};
use super::forecast::Forecast;
use super::limits::Side;
use super::ripple::Pulsation;
use crate::report::words::clock;
use crate::text::{count, fixed, significant};

/// A pressure in MPa, three digits.
fn mpa(x: f64) -> String {
    significant(x, 3)
}

/// `19.2 MPa, above the limit of 18 MPa since 03:12`.
pub fn beyond(
    reading: &Reading,
    limit: f64,
    since: Timestamp,
    side: Side,
    zone: &TimeZone,
) -> String {
    let word = match side {
        Side::Above => "above",
        Side::Below => "below",
    };
    let how = if reading.whole {
        String::new()
    } else {
        format!(" since {}", clock(since, zone))
    };
    format!(
        "the pressure is {} MPa, {word} the limit of {} MPa{how}",
        mpa(reading.mpa),
        mpa(limit)
    )
}

/// `the pressure fell suddenly at 03:12, from its usual 4.2 to 1.6 MPa`.
pub fn fallen(reading: &Reading, from: f64, since: Timestamp, zone: &TimeZone) -> String {
    format!(
        "the pressure fell suddenly at {}, from its usual {} to {} MPa: to less than half",
        clock(since, zone),
        mpa(from),
        mpa(reading.mpa)
    )
}

/// `the pressure rises by 0.42 MPa/h …, 9 injections before the end`.
pub fn rising(
    found: &Forecast,
    limit: f64,
    before_end: Option<usize>,
    scale: Scale,
    now: Timestamp,
    zone: &TimeZone,
) -> String {
    let hour_s = 60.0 * scale.minute_s;
    let rate = |per_s: f64| significant(per_s * hour_s, 2);
    let meets = scale.at(found.meets_s);
    let hours = meets.duration_since(now).as_secs_f64() / hour_s;
    let ahead = if hours < 2.0 {
        format!("{} min", fixed((hours * 60.0).max(0.0), 0))
    } else {
        format!("{} h", fixed(hours, 1))
    };
    let end = match before_end {
        Some(0) => "during the last injection".to_owned(),
        Some(n) => format!("{} before the end", count(n, "injection")),
        None => "and no list says when the queue ends".to_owned(),
    };
    format!(
        "the pressure rises by {} MPa/h ({} to {}) and stands at {} MPa: at this slope it reaches the limit of {} MPa at {} (in {ahead}, \
between {} and {}), {end}",
        rate(found.slope.mpa_per_s),
        rate(found.slope.low),
        rate(found.slope.high),
        mpa(found.level_mpa),
        mpa(limit),
        clock(meets, zone),
        clock(scale.at(found.earliest_s), zone),
        clock(scale.at(found.latest_s), zone),
    )
}

/// `the pressure pulsates by 0.6 MPa; usual in this queue is 0.02 MPa`.
pub fn pulsating(p: &Pulsation) -> String {
    format!(
        "the pressure pulsates by {} MPa (standard deviation); usual in this queue are {} MPa, limit {} MPa",
        significant(p.mpa, 2),
        significant(p.normal_mpa, 2),
        significant(p.limit_mpa, 2)
    )
}

/// The lines of the summary, one matter each.
pub fn summary(digest: &Digest, normal: Option<[f64; 2]>, zone: &TimeZone) -> Vec<String> {
    let mut out = vec![format!(
        "median {} MPa; lowest {} MPa at {}, highest {} MPa at {} ({})",
        mpa(digest.median_mpa),
        mpa(digest.lowest.mpa),
        clock(digest.lowest.at, zone),
        mpa(digest.highest.mpa),
        clock(digest.highest.at, zone),
        count(
            usize::try_from(digest.readings).unwrap_or(usize::MAX),
            "reading"
        ),
    )];
    if let Some([slope, low, high]) = digest.slope_mpa_per_h {
        let s = |x| significant(x, 2);
        out.push(format!(
            "slope over the queue {} MPa/h (95 %: {} to {})",
            s(slope),
            s(low),
            s(high)
        ));
    }
    if let (Some([low, high]), Some((minutes, since))) = (normal, digest.outside) {
        let side = match digest.sides {
            (true, true) => "above and below",
            (true, false) => "above",
            _ => "below",
        };
        out.push(format!(
            "stood {side} the normal band of {} to {} MPa for {} min, first at {}",
            mpa(low),
            mpa(high),
            fixed(minutes.max(1.0), 0),
            clock(since, zone)
        ));
    }
    if let (Some(change), Some(usual), Some(furthest)) =
        (digest.change_percent(), digest.usual_mpa, digest.furthest)
    {
        out.push(format!(
            "moved by {}{} % from its usual {} MPa (at {}): more than {} % deserves a look",
            if change > 0.0 { "+" } else { "" },
            fixed(change, 0),
            mpa(usual),
            clock(furthest.at, zone),
            fixed(LOOK_PERCENT, 0)
        ));
    }
    out
}
