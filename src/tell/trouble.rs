//! What keeps a station from its work and concerns no queue: results that cannot be written, files that cannot be read. Told at
//! once, by every way that is left.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Message;
use super::name;
use super::page::{Page, Section};
use crate::report::words::day_and_time;
use crate::text::one_line;

/// The message that results of a station cannot be written. `why` names the file and what the system says.
pub fn unwritable(station: &str, why: &str, now: Timestamp, zone: &TimeZone) -> Message {
    let since = day_and_time(now, zone);
    message(
        station,
        ("unwritable", "results-not-written"),
        "results cannot be written",
        format!("since {since}: {}", one_line(why)),
        "Nothing is lost: traces are processed and kept in the ledger, and every result is written as soon as it can be, \
without a restart. Make room on the disk, close the file in other programs, or give back the right to write in the folder.",
        now,
    )
}

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
    message(
        station,
        ("unread", "files-not-read"),
        "files cannot be read",
        format!("{}: {}{more}", day_and_time(now, zone), one_line(first)),
        "What is in them is not processed, and nobody watches over it. Give the user under whom runsitter runs the right to read \
the files and to enter the folders, or close them in the program that holds them. They are processed then, without a restart.",
        now,
    )
}

/// `names`: of its key, and of its file.
fn message(
    station: &str,
    names: (&str, &str),
    subject: &str,
    what: String,
    do_first: &str,
    now: Timestamp,
) -> Message {
    let mut page = Page {
        subject: subject.to_owned(),
        place: format!("Station {}, {what}", one_line(station)),
        sections: Vec::new(),
    };
    page.add(Section::of("do first", [do_first.to_owned()]));
    let (key, file) = names;
    let (station_name, at) = (name::safe(station, 60), now.as_second());
    Message {
        key: format!("{key}|{station}"),
        raised_at: now,
        ..Message::of("", format!("{file}-{station_name}-{at}.txt"), &page, &[])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{start, zone};

    #[test]
    fn it_names_the_file_and_what_to_do() {
        let why = "cannot replace /srv/results/sheet.csv: no space\nleft";
        let message = unwritable("acids", why, start(), &zone());
        let words: Vec<&str> = message.body.split_whitespace().collect();
        let text = words.join(" ");
        assert!(text.contains("/srv/results/sheet.csv: no space"), "{text}");
        assert!(text.contains("Make room on the disk"), "{text}");
        assert!(!message.subject.contains('\n') && message.key == "unwritable|acids");
    }

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
