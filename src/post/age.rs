//! A letter that comes late says so.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Letter;
use crate::report::words::day_and_time;
use crate::text::count;

/// Older than this at its delivery, s, a letter says its age.
const SAID_FROM_S: i64 = 600;

/// The letter as it goes out now: where it is older than ten minutes, its text and page begin with its age. The payload
/// says the age always, in seconds.
pub fn aged(letter: &Letter, queued_at: Timestamp, now: Timestamp, zone: &TimeZone) -> Letter {
    let age_s = now.duration_since(queued_at).as_secs().max(0);
    let mut out = letter.clone();
    if let Some(payload) = out.payload.as_object_mut() {
        payload.insert("sent_at".to_owned(), now.to_string().into());
        payload.insert("age_s".to_owned(), age_s.into());
    }
    if age_s < SAID_FROM_S {
        return out;
    }
    let note = format!(
        "This message is {} old: it was written at {} and could not be sent before. Things may have changed since.",
        duration(age_s),
        day_and_time(queued_at, zone)
    );
    out.put_first(&note);
    out
}

/// `24 s`, `45 min`, `2 h 5 min`, `1 day 3 h`.
pub fn duration(seconds: i64) -> String {
    let minutes = seconds.max(0) / 60;
    let (days, hours, minutes) = (minutes / 1440, minutes / 60 % 24, minutes % 60);
    let plural = |n: i64| count(usize::try_from(n).unwrap_or(usize::MAX), "day");
    match (days, hours, minutes) {
        (0, 0, 0) => format!("{} s", seconds.max(0)),
        (0, 0, m) => format!("{m} min"),
        (0, h, 0) => format!("{h} h"),
        (0, h, m) => format!("{h} h {m} min"),
        (d, 0, _) => plural(d),
        (d, h, _) => format!("{} {h} h", plural(d)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::post::Audience;

    fn letter() -> Letter {
        Letter {
            key: "k".to_owned(),
            repeat: 0,
            station: "acids".to_owned(),
            queue: "crocks".to_owned(),
            audience: Audience::Now,
            subject: "standard low".to_owned(),
            text: "standard low\n".to_owned(),
            html: crate::tell::html::of_text("standard low", "standard low"),
            attachments: Vec::new(),
            raised_at: Timestamp::UNIX_EPOCH,
            payload: serde_json::json!({ "key": "k" }),
        }
    }

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(s).unwrap()
    }

    #[test]
    fn a_prompt_letter_says_nothing_of_its_age() {
        let out = aged(&letter(), at(0), at(599), &TimeZone::UTC);
        assert_eq!(
            (out.text.as_str(), &out.html),
            ("standard low\n", &letter().html)
        );
        assert_eq!(out.payload["age_s"], 599);
    }

    #[test]
    fn a_late_one_says_it_first() {
        let out = aged(&letter(), at(0), at(7500), &TimeZone::UTC);
        assert!(
            out.text.starts_with(
                "This message is 2 h 5 min old: it was written at 1970-01-01 00:00 and"
            ),
            "{}",
            out.text
        );
        let (note, text) = (
            out.html.find("This message is 2 h 5 min old"),
            out.html.find("<pre"),
        );
        assert!(note.is_some() && note < text, "{}", out.html);
        assert_eq!(out.subject, letter().subject);
    }

    #[test]
    fn durations_are_short() {
        for (s, text) in [
            (59, "59 s"),
            (2700, "45 min"),
            (7200, "2 h"),
            (7500, "2 h 5 min"),
            (97_200, "1 day 3 h"),
            (172_800, "2 days"),
            (-5, "0 s"),
        ] {
            assert_eq!(duration(s), text);
        }
    }
}
