//! Results that cannot be written: told at once, by every way that does not need the results' disk.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Message;
use super::name;
use super::page::{Page, Section};
use crate::report::words::day_and_time;
use crate::text::one_line;

/// The message that results of a station cannot be written. `why` names the file and what the system says.
pub fn unwritable(station: &str, why: &str, now: Timestamp, zone: &TimeZone) -> Message {
    let mut page = Page {
        subject: "results cannot be written".to_owned(),
        place: format!(
            "Station {}, since {}: {}",
            one_line(station),
            day_and_time(now, zone),
            one_line(why)
        ),
        sections: Vec::new(),
    };
    page.add(Section::of(
        "do first",
        [
            "Nothing is lost: traces are processed and kept in the ledger, and every result is written as soon as it can be, \
without a restart. Make room on the disk, close the file in other programs, or give back the right to write in the folder."
                .to_owned(),
        ],
    ));
    Message {
        key: format!("unwritable|{station}"),
        raised_at: now,
        ..Message::of(
            "",
            format!(
                "results-not-written-{}-{}.txt",
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
    fn it_names_the_file_and_what_to_do() {
        let why = "cannot replace /srv/results/sheet.csv: no space\nleft";
        let message = unwritable("acids", why, start(), &zone());
        let words: Vec<&str> = message.body.split_whitespace().collect();
        let text = words.join(" ");
        assert!(text.contains("/srv/results/sheet.csv: no space"), "{text}");
        assert!(text.contains("Make room on the disk"), "{text}");
        assert!(!message.subject.contains('\n') && message.key == "unwritable|acids");
    }
}
