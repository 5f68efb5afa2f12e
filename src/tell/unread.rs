//! Files in a watched folder that cannot be read: nobody watches over what is in them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Message;
use super::name;
use super::page::{Page, Section};
use crate::report::words::day_and_time;
use crate::text::one_line;

/// The message that files or folders of a station cannot be read. `first` names one of them and what the system says.
pub fn unread(
    station: &str,
    first: &str,
    count: usize,
    now: Timestamp,
    zone: &TimeZone,
) -> Message {
    let more = match count {
        0 | 1 => String::new(),
        n => format!(" ({} more like it)", n - 1),
    };
    let mut page = Page {
        subject: "files cannot be read".to_owned(),
        place: format!(
            "Station {}, {}: {}{more}",
            one_line(station),
            day_and_time(now, zone),
            one_line(first)
        ),
        sections: Vec::new(),
    };
    page.add(Section::of(
        "do first",
        [
            "What is in them is not processed, and nobody watches over it. Give the user under whom runsitter runs the right to read \
the files and to enter the folders, or close them in the program that holds them. They are processed then, without a restart."
                .to_owned(),
        ],
    ));
    Message {
        key: format!("unread|{station}"),
        raised_at: now,
        ..Message::of(
            "",
            format!(
                "files-not-read-{}-{}.txt",
                name::safe(station, 60),
                now.as_second()
            ),
            &page,
            &[],
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{start, zone};

    #[test]
    fn it_names_the_file_and_how_many_more_there_are() {
        let first = "/srv/exports/crocks-06.csv: permission denied";
        let message = unread("acids", first, 72, start(), &zone());
        let words: Vec<&str> = message.body.split_whitespace().collect();
        let text = words.join(" ");
        assert!(
            text.contains("crocks-06.csv: permission denied (71 more like it)"),
            "{text}"
        );
        assert!(text.contains("the right to read"), "{text}");
        assert!(message.file_name.starts_with("files-not-read-acids-"));
        assert_eq!(message.key, "unread|acids");
        let alone = unread("acids", first, 1, start(), &zone());
        assert!(!alone.body.contains("more like it"));
    }
}
