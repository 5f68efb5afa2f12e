//! A letter that did not arrive: the alert folder says so.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::Message;
use super::name;
use super::page::{Page, Section};
use crate::post::Letter;
use crate::report::words::{cut, day_and_time};
use crate::text::one_line;

/// The message that a letter was given up. `carrier`: `mail`, `webhook`; `why`: what the other side said.
pub fn undelivered(
    carrier: &str,
    letter: &Letter,
    why: &str,
    now: Timestamp,
    zone: &TimeZone,
) -> Message {
    let mut page = Page {
        subject: cut(&format!("not sent by {carrier}: {}", letter.subject), 70),
        place: format!(
            "This message of {} could not be sent by {carrier} and is given up: {}",
            day_and_time(letter.raised_at, zone),
            one_line(why)
        ),
        sections: Vec::new(),
    };
    page.add(Section::of(
        "do first",
        ["Nobody may have been told: look at what it says, in its own file beside this one. Then look at addresses, server and \
password in the configuration; check --mail sends a test message."
            .to_owned()],
    ));
    page.add(Section::of("what it said", [one_line(&letter.subject)]));
    let about = format!("{}-{}", letter.key, letter.repeat);
    Message {
        key: format!("undelivered|{carrier}|{about}"),
        raised_at: now,
        ..Message::of(
            &letter.queue,
            format!(
                "not-sent-{}-{}.txt",
                name::safe(carrier, 12),
                name::distinct(&about, 70)
            ),
            &page,
            &[],
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, mid, zone};
    use crate::post::Audience;

    #[test]
    fn each_letter_and_carrier_has_a_file_of_its_own() {
        let mut night = Night::new("PsP");
        night.land(1, mid(&[0.8, 0.8])).judged();
        let changes = night.changes.alerts.clone();
        let told = super::super::messages(night.queue(), &changes, &zone());
        let mut letter =
            super::super::letter("acids", Some(night.queue()), &told[0], Audience::Now);
        let now = letter.raised_at;
        let file = |carrier, letter: &Letter| {
            undelivered(carrier, letter, "550 no\r\nsuch user", now, &zone())
        };
        let first = file("mail", &letter);
        assert!(
            first.subject.starts_with("not sent by mail: standard low"),
            "{}",
            first.subject
        );
        assert!(
            first.body.contains("550 no") && !first.body.contains('\r'),
            "{}",
            first.body
        );
        letter.repeat = 1;
        let names = [
            first.file_name,
            file("mail", &letter).file_name,
            file("webhook", &letter).file_name,
        ];
        assert!(
            names
                .iter()
                .all(|n| n.len() <= 120 && n.ends_with(".txt") && !n.contains('|')),
            "{names:?}"
        );
        assert!(names[0] != names[1] && names[1] != names[2], "{names:?}");
    }
}
