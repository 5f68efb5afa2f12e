//! After a crash: from when to when nobody watched, and what happened in that time.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Message;
use super::page::{Item, Page, Section};
use crate::post::age::duration;
use crate::report::words::day_and_time;
use crate::text::{count, one_line};

/// So many files are named; the rest is counted.
const NAMED: usize = 12;

/// What happened while nobody watched.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Happened {
    /// File names of the traces that were taken at the start, in their order.
    pub landed: Vec<String>,
    /// Of each message that was written for them: file name and first line.
    pub told: Vec<(String, String)>,
    /// Names of the queues that had not ended, and whether they have by now.
    pub queues: Vec<(String, bool)>,
}

/// The message about the time from `from` to `to`.
pub fn unwatched(
    station: &str,
    from: Timestamp,
    to: Timestamp,
    happened: &Happened,
    zone: &TimeZone,
) -> Message {
    let long = duration(to.duration_since(from).as_secs());
    let subject = format!(
        "nobody watched for {long}: {} landed, {}",
        count(happened.landed.len(), "trace"),
        count(happened.told.len(), "message")
    );
    let mut page = Page {
        subject: crate::report::words::cut(&subject, 70),
        place: format!(
            "Station {}: the program ended unexpectedly and was started again. From {} to {} nobody watched.",
            one_line(station),
            day_and_time(from, zone),
            day_and_time(to, zone)
        ),
        sections: Vec::new(),
    };
    page.add(Section::of(
        "do first",
        ["What landed meanwhile has been processed now; nothing of it is lost. Whether the instrument stood still in that time, \
the times of its traces show. The log of the system says why the program ended."
            .to_owned()],
    ));
    page.add(Section::of("what landed", [landed(&happened.landed)]));
    page.add(Section {
        title: "what failed".to_owned(),
        items: happened
            .told
            .iter()
            .map(|(file, subject)| Item {
                label: file.clone(),
                text: one_line(subject),
            })
            .collect(),
        rows: Vec::new(),
    });
    page.add(Section::of(
        "the queues",
        happened.queues.iter().map(|(name, ended)| {
            let state = if *ended { "has ended" } else { "goes on" };
            format!("{} {state}", one_line(name))
        }),
    ));
    Message {
        key: format!("unwatched|{from}"),
        raised_at: to,
        ..Message::of(
            "",
            format!("unwatched-{}.txt", super::stamp_of(from, zone)),
            &page,
            &[],
        )
    }
}

fn landed(files: &[String]) -> String {
    if files.is_empty() {
        return "no trace".to_owned();
    }
    let named: Vec<String> = files.iter().take(NAMED).map(|f| one_line(f)).collect();
    let more = match files.len().saturating_sub(NAMED) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    format!(
        "{}: {}{more}",
        count(files.len(), "trace"),
        named.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_says_from_when_to_when_and_what_happened() {
        let at = |s| Timestamp::from_second(s).unwrap();
        let happened = Happened {
            landed: (1..=14).map(|k| format!("crocks-{k}.csv")).collect(),
            told: vec![("crocks-005.txt".to_owned(), "standard low".to_owned())],
            queues: vec![("crocks".to_owned(), false)],
        };
        let message = unwatched("acids", at(0), at(7500), &happened, &TimeZone::UTC);
        assert_eq!(
            message.subject,
            "nobody watched for 2 h 5 min: 14 traces landed, 1 message"
        );
        assert_eq!(message.file_name, "unwatched-19700101T000000.txt");
        let flat = message
            .body
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ");
        for part in [
            "From 1970-01-01 00:00 to 1970-01-01 02:05 nobody watched",
            "14 traces: crocks-1.csv,",
            "and 2 more",
            "crocks-005.txt: standard low",
            "crocks goes on",
        ] {
            assert!(flat.contains(part), "{part}:\n{}", message.body);
        }
        let none = unwatched("acids", at(0), at(60), &Happened::default(), &TimeZone::UTC);
        assert!(
            none.body.contains("no trace") && !none.body.contains("WHAT FAILED"),
            "{}",
            none.body
        );
        assert_eq!(none.key, message.key, "a gap that grows has one key");
    }
}
