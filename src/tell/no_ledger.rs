//! The ledger cannot be written: the one message that goes out without it.

use std::path::Path;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Message;
use super::page::{Page, Section};
use crate::post::{Audience, Letter};
use crate::report::words::day_and_time;
use crate::text::one_line;

/// The letter that the ledger cannot be written since then, and nothing is evaluated until it can be.
pub fn no_ledger(
    station: &str,
    state_dir: &Path,
    why: &str,
    since: Timestamp,
    zone: &TimeZone,
) -> Letter {
    let mut page = Page {
        subject: "the ledger cannot be written: nothing is evaluated".to_owned(),
        place: format!(
            "Since {} the ledger in {} cannot be written, and without it nothing is evaluated or told: {}",
            day_and_time(since, zone),
            one_line(&state_dir.to_string_lossy()),
            one_line(why)
        ),
        sections: Vec::new(),
    };
    page.add(Section::of(
        "do first",
        ["Make room on that disk, or mend what is said above. Nothing else is to be done: it is tried again every few seconds, \
and what lies in the watched folders by then is evaluated. Until then look after the instrument yourself."
            .to_owned()],
    ));
    let message = Message {
        key: format!("no-ledger|{since}"),
        raised_at: since,
        ..Message::of(
            "",
            format!("no-ledger-{}.txt", super::stamp_of(since, zone)),
            &page,
            &[],
        )
    };
    let mut letter = super::letter(station, None, &message, Audience::Now);
    if let Some(payload) = letter.payload.as_object_mut() {
        payload.insert("kind".to_owned(), "unwritable".into());
        payload.insert("repeat".to_owned(), 0.into());
        payload.insert("audience".to_owned(), "now".into());
    }
    letter
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{start, zone};

    #[test]
    fn it_says_where_and_what_to_do() {
        let why = "database or disk is full\nBcc: x";
        let letter = no_ledger(
            "acids",
            Path::new("/var/lib/runsitter"),
            why,
            start(),
            &zone(),
        );
        let words: Vec<&str> = letter.text.split_whitespace().collect();
        let text = words.join(" ");
        for part in ["/var/lib/runsitter", "disk is full", "Make room"] {
            assert!(text.contains(part), "{part} is not in:\n{text}");
        }
        assert!(!letter.text.contains("\nBcc"), "{}", letter.text);
        assert_eq!(letter.payload["kind"], "unwritable");
        assert!(letter.key.starts_with("no-ledger|"), "{}", letter.key);
    }
}
