//! The summary so far: once a day and queue, at a local time of day.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

/// The local day for which a summary is due now: the queue had begun before that day's time, and that day has had none.
///
/// `began`: when the queue's first trace landed; `last`: the day of the last summary; `at`: hour and minute.
pub fn due(
    began: Timestamp,
    last: Option<Date>,
    at: (u8, u8),
    now: Timestamp,
    zone: &TimeZone,
) -> Option<Date> {
    let today = zone.to_datetime(now).date();
    // After a pause over midnight yesterday's is not made up for: today's comes at its time.
    let moment = moment(today, at, zone)?;
    (moment <= now && began < moment && last.is_none_or(|l| l < today)).then_some(today)
}

/// When the next summary is due, if the queue goes on until then; not after `now` where one is due already.
pub fn next(
    began: Timestamp,
    last: Option<Date>,
    at: (u8, u8),
    now: Timestamp,
    zone: &TimeZone,
) -> Option<Timestamp> {
    if due(began, last, at, now, zone).is_some() {
        return Some(now);
    }
    let today = zone.to_datetime(now).date();
    let todays = moment(today, at, zone)?;
    if todays > now && began < todays && last.is_none_or(|l| l < today) {
        return Some(todays);
    }
    moment(today.checked_add(1.day()).ok()?, at, zone)
}

/// The moment of a local time of day. Where the clocks leap over it, it is as much later as they leap; where they show it
/// twice, the first counts.
fn moment(day: Date, (hour, minute): (u8, u8), zone: &TimeZone) -> Option<Timestamp> {
    let time = Time::new(i8::try_from(hour).ok()?, i8::try_from(minute).ok()?, 0, 0).ok()?;
    let local = zone.to_ambiguous_zoned_datetime(day.to_datetime(time));
    local.compatible().ok().map(|z| z.timestamp())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn berlin() -> TimeZone {
        TimeZone::get("Europe/Berlin").unwrap()
    }

    fn day(text: &str) -> Option<Date> {
        Some(text.parse().unwrap())
    }

    #[test]
    fn it_is_due_once_a_day_from_its_time_on() {
        let (began, time) = (at("2026-09-21T18:00:00Z"), (7, 0));
        let due = |last, now: &str| due(began, last, time, at(now), &berlin());
        assert_eq!(due(None, "2026-09-22T04:59:59Z"), None);
        assert_eq!(due(None, "2026-09-22T05:00:00Z"), day("2026-09-22"));
        assert_eq!(
            due(None, "2026-09-22T09:00:00Z"),
            day("2026-09-22"),
            "after a pause it is made up for"
        );
        assert_eq!(due(day("2026-09-22"), "2026-09-22T09:00:00Z"), None);
        assert_eq!(
            due(day("2026-09-22"), "2026-09-23T05:00:00Z"),
            day("2026-09-23")
        );
    }

    #[test]
    fn a_queue_that_began_after_it_waits_for_the_next_day() {
        let began = at("2026-09-22T06:00:00Z");
        assert_eq!(
            due(began, None, (7, 0), at("2026-09-22T07:00:00Z"), &berlin()),
            None
        );
        let next = |last, time, now: &str| next(began, last, time, at(now), &berlin());
        assert_eq!(
            next(None, (7, 0), "2026-09-22T07:00:00Z"),
            Some(at("2026-09-23T05:00:00Z"))
        );
        assert_eq!(
            next(day("2026-09-23"), (7, 0), "2026-09-23T06:00:00Z"),
            Some(at("2026-09-24T05:00:00Z"))
        );
        assert_eq!(
            next(None, (22, 30), "2026-09-22T07:00:00Z"),
            Some(at("2026-09-22T20:30:00Z"))
        );
        // Yesterday's was missed in a pause, today's is still to come: the wait is until then, and not no wait at all.
        assert_eq!(
            next(None, (7, 0), "2026-09-24T03:00:00Z"),
            Some(at("2026-09-24T05:00:00Z"))
        );
        assert_eq!(
            next(None, (7, 0), "2026-09-24T08:00:00Z"),
            Some(at("2026-09-24T08:00:00Z"))
        );
    }

    #[test]
    fn summer_time_comes_and_goes() {
        // On 29 March 2026 the clocks leap from 2:00 to 3:00; on 25 October they show 2:30 twice.
        let spring = at("2026-03-28T20:00:00Z");
        let next = |began, time| next(began, None, time, began, &berlin());
        assert_eq!(next(spring, (2, 30)), Some(at("2026-03-29T01:30:00Z")));
        assert_eq!(next(spring, (7, 0)), Some(at("2026-03-29T05:00:00Z")));
        let autumn = at("2026-10-24T20:00:00Z");
        assert_eq!(next(autumn, (2, 30)), Some(at("2026-10-25T00:30:00Z")));
        let second = at("2026-10-25T01:30:00Z");
        assert_eq!(
            due(autumn, None, (2, 30), second, &berlin()),
            day("2026-10-25")
        );
        assert_eq!(
            due(autumn, day("2026-10-25"), (2, 30), second, &berlin()),
            None
        );
        assert_eq!(next(autumn, (7, 0)), Some(at("2026-10-25T06:00:00Z")));
    }
}
