//! The times of a log: moments, times of day, or elapsed times.
//!
//! Elapsed times (and times of day without a date) say how far readings lie apart, not when: they are hung on the file's
//! modification time, at which its last line was written.

use jiff::civil::{DateTime, date};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::trace::clock::stamp;

/// Seconds of a day.
const DAY_S: f64 = 86_400.0;

/// A time as a row has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Raw {
    /// A moment.
    At(Timestamp),
    /// A date in words whose day and month cannot be told without looking at the calendar: year, first, second, s of day.
    Day {
        month_first: Option<Timestamp>,
        day_first: Option<Timestamp>,
    },
    /// So many seconds after a start that is not known.
    Elapsed(f64),
}

/// Reads the times of one log, in order.
#[derive(Debug, Clone)]
pub(super) struct Clock {
    zone: TimeZone,
    /// The last moment read: tells the two passes of a repeated hour apart.
    last: Option<Timestamp>,
    /// Elapsed seconds of the last row, days that were counted on added.
    last_s: Option<f64>,
    days_s: f64,
    /// Where elapsed times count from: the earliest that the file's times allow.
    origin: Option<Timestamp>,
    /// Rows of an earlier start, whose own origin nobody knows any more.
    restarts: u32,
    day_first: Option<bool>,
}

impl Clock {
    pub(super) fn new(zone: TimeZone) -> Clock {
        Clock {
            zone,
            last: None,
            last_s: None,
            days_s: 0.0,
            origin: None,
            restarts: 0,
            day_first: None,
        }
    }

    /// How often elapsed times began anew.
    pub(super) fn restarts(&self) -> u32 {
        self.restarts
    }

    /// A date with its time of day: RFC 3339, `YYYY-MM-DD hh:mm:ss` in local time, or a local form.
    pub(super) fn moment(&mut self, text: &str) -> Option<Raw> {
        let text = text.trim();
        if let Ok(at) = text.parse::<Timestamp>() {
            self.last = Some(at);
            return Some(Raw::At(at));
        }
        // Without a clock it would be read as midnight.
        if let Some(civil) = text
            .contains(':')
            .then(|| text.parse::<DateTime>().ok())
            .flatten()
        {
            return self.local(civil).map(Raw::At);
        }
        let stamp = stamp(text.as_bytes())?;
        let mut at = |day_first: bool| {
            let (y, m, d, s) = stamp.civil(day_first)?;
            let day = date(i16::try_from(y).ok()?, 1, 1)
                .with()
                .month(i8::try_from(m).ok()?)
                .day(i8::try_from(d).ok()?)
                .build()
                .ok()?;
            let passed = SignedDuration::try_from_secs_f64(s).ok()?;
            self.local(
                day.to_datetime(jiff::civil::Time::midnight())
                    .checked_add(passed)
                    .ok()?,
            )
        };
        let (day_first, month_first) = (at(true), at(false));
        match (day_first, month_first) {
            (Some(a), Some(b)) if a == b => Some(Raw::At(a)),
            (None, None) => None,
            (day_first, month_first) => Some(Raw::Day {
                day_first,
                month_first,
            }),
        }
    }

    /// A local time as a moment. Where the clock was set back, the pass that goes on from the last row.
    fn local(&mut self, civil: DateTime) -> Option<Timestamp> {
        let choices = self.zone.to_ambiguous_timestamp(civil);
        let first = choices.compatible().ok()?;
        let later = choices.later().ok();
        let at = match (self.last, later) {
            (Some(last), Some(later)) if first < last && later >= last => later,
            _ => first,
        };
        self.last = Some(at);
        Some(at)
    }

    /// So many seconds, as written. `of_day`: a reading of a clock, which starts anew at midnight.
    pub(super) fn elapsed(&mut self, s: f64, of_day: bool) -> Raw {
        let whole = s + self.days_s;
        let at = match self.last_s {
            Some(last) if whole < last => {
                if of_day && last - whole > DAY_S / 2.0 {
                    self.days_s += DAY_S;
                    s + self.days_s
                } else {
                    self.days_s = 0.0;
                    self.origin = None;
                    self.restarts += 1;
                    s
                }
            }
            _ => whole,
        };
        self.last_s = Some(at);
        Raw::Elapsed(at)
    }

    /// Moments of rows, the file having been written at `written` last. Rows before a restart of elapsed times have none:
    /// `restarts` says how many there were when a row was read.
    pub(super) fn settle(
        &mut self,
        rows: &[(Raw, u32)],
        written: Timestamp,
    ) -> Vec<Option<Timestamp>> {
        if let Some(last_s) = self.last_s {
            // A look that comes late makes the start seem late: the earliest is nearest to the truth.
            let here = plus(written, -last_s);
            self.origin = match (self.origin, here) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
        }
        let last_day = rows.iter().rev().find_map(|(raw, _)| match raw {
            Raw::Day {
                day_first: Some(a),
                month_first: Some(b),
            } => Some((*a, *b)),
            _ => None,
        });
        if let Some((day, month)) = last_day {
            let far = |t: Timestamp| t.duration_since(written).abs();
            self.day_first.get_or_insert(far(day) <= far(month));
        }
        rows.iter()
            .map(|(raw, restarts)| match raw {
                Raw::At(at) => Some(*at),
                Raw::Day {
                    day_first,
                    month_first,
                } => match self.day_first {
                    Some(true) => day_first.or(*month_first),
                    Some(false) => month_first.or(*day_first),
                    None => day_first.or(*month_first),
                },
                Raw::Elapsed(s) if *restarts == self.restarts => plus(self.origin?, *s),
                Raw::Elapsed(_) => None,
            })
            .collect()
    }
}

/// A moment plus so many seconds; `None` beyond the calendar.
fn plus(at: Timestamp, s: f64) -> Option<Timestamp> {
    at.checked_add(SignedDuration::try_from_secs_f64(s).ok()?)
        .ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn moments(zone: &str, texts: &[&str], written: &str) -> Vec<Option<Timestamp>> {
        let mut clock = Clock::new(TimeZone::get(zone).unwrap());
        let rows: Vec<(Raw, u32)> = texts
            .iter()
            .map(|t| (clock.moment(t).unwrap(), 0))
            .collect();
        clock.settle(&rows, at(written))
    }

    #[test]
    fn moments_are_read_in_their_zone() {
        for text in [
            "2026-05-04T22:10:03.250+02:00",
            "2026-05-04 20:10:03.25Z",
            "2026-05-04 22:10:03,25",
            "2026-05-04T22:10:03.250",
            "04.05.2026 22:10:03.25",
            "04/05/2026 22:10:03,250",
            "5/4/2026 10:10:03.25 PM",
        ] {
            let found = moments("Europe/Berlin", &[text], "2026-05-04T20:11:00Z");
            assert_eq!(found, [Some(at("2026-05-04T20:10:03.25Z"))], "{text}");
        }
        let mut clock = Clock::new(TimeZone::UTC);
        for text in [
            "2026-05-04",
            "12.5",
            "",
            "tomorrow 10:00",
            "31/02/2026 10:00:00",
        ] {
            assert_eq!(clock.moment(text), None, "{text}");
        }
    }

    #[test]
    fn an_hour_that_is_repeated_goes_on() {
        // Summer time ends at 03:00 on 25 October 2026.
        let found = moments(
            "Europe/Berlin",
            &[
                "2026-10-25 02:59:00",
                "2026-10-25 02:00:00",
                "2026-10-25 03:00:00",
            ],
            "2026-10-25T02:00:00Z",
        );
        let wanted = [
            "2026-10-25T00:59:00Z",
            "2026-10-25T01:00:00Z",
            "2026-10-25T02:00:00Z",
        ];
        assert_eq!(found, wanted.map(|t| Some(at(t))));
    }

    #[test]
    fn elapsed_times_hang_on_the_files_time() {
        let mut clock = Clock::new(TimeZone::UTC);
        let rows: Vec<(Raw, u32)> = [0.0, 60.0, 120.0]
            .iter()
            .map(|s| (clock.elapsed(*s, false), clock.restarts()))
            .collect();
        let first = clock.settle(&rows, at("2026-05-04T20:02:05Z"));
        assert_eq!(first[0], Some(at("2026-05-04T20:00:05Z")));
        // A later look finds the next line sooner after it was written: from then on its origin counts.
        let next = [(clock.elapsed(180.0, false), clock.restarts())];
        assert_eq!(
            clock.settle(&next, at("2026-05-04T20:03:01Z")),
            [Some(at("2026-05-04T20:03:01Z"))]
        );
        // A new start: what came before it in the same look has no known time.
        let rows = [(clock.elapsed(240.0, false), clock.restarts()), {
            let raw = clock.elapsed(0.0, false);
            (raw, clock.restarts())
        }];
        assert_eq!(
            clock.settle(&rows, at("2026-05-04T21:00:00Z")),
            [None, Some(at("2026-05-04T21:00:00Z"))]
        );
    }

    #[test]
    fn a_clock_without_dates_passes_midnight() {
        let mut clock = Clock::new(TimeZone::UTC);
        let rows: Vec<(Raw, u32)> = [86_340.0, 0.0, 60.0]
            .iter()
            .map(|s| (clock.elapsed(*s, true), clock.restarts()))
            .collect();
        let found = clock.settle(&rows, at("2026-05-05T00:01:00Z"));
        assert_eq!(found[0], Some(at("2026-05-04T23:59:00Z")));
        assert_eq!(found[2], Some(at("2026-05-05T00:01:00Z")));
    }
}
