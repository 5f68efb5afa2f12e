//! What is written is read back by another library.

use mail_parser::{HeaderValue, MessageParser, MimeHeaders};
use proptest::prelude::*;

use super::*;
use crate::post::Audience;

fn letter() -> Letter {
    Letter {
        key: "crocks|slot:t-6".to_owned(),
        repeat: 0,
        station: "acids".to_owned(),
        queue: "crocks".to_owned(),
        audience: Audience::Now,
        subject: "standard low: lactic acid 84 % at 6 of 10, 3 samples to rerun".to_owned(),
        text: "standard low\n\nDO FIRST\n  - 5 µL\n".to_owned(),
        html: "<p>5 µL</p>".to_owned(),
        attachments: vec![],
        raised_at: "2026-09-21T20:18:00Z".parse().unwrap(),
        payload: serde_json::Value::Null,
    }
}

fn written(letter: &Letter) -> Vec<u8> {
    let to = ["lab@lab.example", "Ada <ada@lab.example>"].map(str::to_owned);
    message(
        letter,
        "HPLC bench <hplc@lab.example>",
        &to,
        "2026-09-21T20:19:30Z".parse().unwrap(),
    )
    .unwrap()
    .formatted()
}

fn header(bytes: &[u8], name: &str) -> Option<String> {
    let parsed = MessageParser::default().parse(bytes).unwrap();
    let raw = parsed.header_raw(name.to_owned())?;
    Some(raw.trim().to_owned())
}

#[test]
fn headers_say_who_when_and_that_no_person_wrote_it() {
    let bytes = written(&letter());
    let parsed = MessageParser::default().parse(&bytes).unwrap();
    assert_eq!(parsed.subject(), Some(letter().subject.as_str()));
    assert_eq!(parsed.date().unwrap().to_rfc3339(), "2026-09-21T20:19:30Z");
    assert_eq!(
        parsed.from().unwrap().first().unwrap().address(),
        Some("hplc@lab.example")
    );
    let to: Vec<_> = parsed
        .to()
        .unwrap()
        .iter()
        .filter_map(|a| a.address())
        .collect();
    assert_eq!(to, ["lab@lab.example", "ada@lab.example"]);
    assert_eq!(
        header(&bytes, "Auto-Submitted").as_deref(),
        Some("auto-generated")
    );
    assert_eq!(header(&bytes, "MIME-Version").as_deref(), Some("1.0"));
    assert_eq!(
        parsed.body_text(0).unwrap().replace("\r\n", "\n"),
        letter().text
    );
    assert_eq!(parsed.body_html(0).unwrap().trim(), letter().html);
}

#[test]
fn a_repeat_hangs_below_the_first() {
    let first = written(&letter());
    let again = written(&Letter {
        repeat: 2,
        subject: "another".to_owned(),
        ..letter()
    });
    let id = |bytes: &[u8]| header(bytes, "Message-ID").unwrap();
    assert!(id(&first).ends_with(".0@lab.example>"), "{}", id(&first));
    assert!(id(&again).ends_with(".2@lab.example>"), "{}", id(&again));
    assert_eq!(header(&again, "In-Reply-To"), Some(id(&first)));
    assert_eq!(header(&again, "References"), Some(id(&first)));
    assert_eq!(header(&first, "In-Reply-To"), None);
    // Written again, after a crash, it is the same message.
    assert_eq!(id(&written(&letter())), id(&first));
}

#[test]
fn other_keys_and_stations_have_other_ids() {
    let of = |station: &str, key: &str| {
        let letter = Letter {
            station: station.to_owned(),
            key: key.to_owned(),
            ..letter()
        };
        message_id(&letter, 0, "x")
    };
    assert_ne!(of("a", "bc"), of("ab", "c"));
    assert_ne!(of("a", "b"), of("a", "c"));
    let hostile = of("a", "x>\r\nBcc: all@lab.example");
    assert!(!hostile.contains(['\r', '\n', ' ']), "{hostile}");
}

#[test]
fn a_rerun_list_arrives_byte_for_byte() {
    let content = "position,kind,name\r\n1,sample,crock é \u{1f952}\r\n.\r\n".to_owned();
    let list = Attachment {
        file_name: "croçks/../-rerun.csv".to_owned(),
        media_type: "text/csv; charset=utf-8".to_owned(),
        content: content.clone(),
    };
    let bytes = written(&Letter {
        attachments: vec![list],
        ..letter()
    });
    let parsed = MessageParser::default().parse(&bytes).unwrap();
    let part = parsed.attachment(0).unwrap();
    assert_eq!(part.contents(), content.as_bytes());
    assert_eq!(
        part.content_type().map(|c| (c.ctype(), c.subtype())),
        Some(("text", Some("csv")))
    );
    let name = part.attachment_name().unwrap();
    assert!(name.starts_with("croçks") && !name.contains('/'), "{name}");
    assert!(parsed.body_text(0).unwrap().starts_with("standard low"));
}

#[test]
fn names_smuggle_nothing() {
    for hostile in [
        "x\r\nBcc: all@lab.example",
        "x\nBcc: all@lab.example\n\n<script>",
        "x\rBcc: all@lab.example",
        "\"quoted\" <b@lab.example>, c",
        "=?utf-8?q?Bcc=3A?= \u{1f952} µ",
        "\u{202e}txt.exe\u{0}",
        "\u{85}Bcc: all@lab.example\u{2028}Bcc: x",
        &"é".repeat(5000),
    ] {
        let bytes = written(&Letter {
            subject: hostile.to_owned(),
            key: hostile.to_owned(),
            station: hostile.to_owned(),
            ..letter()
        });
        let parsed = MessageParser::default().parse(&bytes).unwrap();
        assert!(parsed.bcc().is_none(), "{hostile:?}");
        let recipients = parsed.to().unwrap().iter().count();
        assert_eq!(recipients, 2);
        let known = one_line(hostile).replace("=?", "= ?");
        let subject = parsed.subject().unwrap_or_default();
        assert!(
            !subject.contains(['\r', '\n', '\0', '\u{202e}'])
                && known.starts_with(subject.trim_end()),
            "{subject:?}"
        );
        narrow(&bytes);
    }
}

/// Lines of at most 998 characters, all ASCII, each ended by CR LF.
#[track_caller]
fn narrow(bytes: &[u8]) {
    assert!(bytes.is_ascii());
    let text = std::str::from_utf8(bytes).unwrap();
    assert!(!text.replace("\r\n", "").contains(['\r', '\n']));
    let longest = text.split("\r\n").map(str::len).max().unwrap();
    assert!(longest <= 998, "{longest}");
}

#[test]
fn lines_keep_their_length_whatever_a_text_holds() {
    let long = "x".repeat(20_000);
    let bytes = written(&Letter {
        text: format!("{long}\n.\r.\n{long}"),
        html: format!("<p>{long}µ</p>"),
        attachments: vec![Attachment {
            file_name: "n".repeat(300),
            media_type: "no\r\nmedia: type".to_owned(),
            content: long.clone(),
        }],
        ..letter()
    });
    narrow(&bytes);
    let parsed = MessageParser::default().parse(&bytes).unwrap();
    assert_eq!(parsed.attachment(0).unwrap().contents(), long.as_bytes());
}

#[test]
fn names_beyond_ascii_are_encoded_in_addresses() {
    let to = ["\"Ädä \u{1f952} \\\"q\\\"\" <ada@lab.example>".to_owned()];
    let now = "1960-01-01T00:00:00Z".parse().unwrap();
    let Ok(message) = message(&letter(), "\"Bench, 2\" <hplc@lab.example>", &to, now) else {
        panic!("an address with a name beyond ASCII is one");
    };
    let bytes = message.formatted();
    narrow(&bytes);
    let parsed = MessageParser::default().parse(&bytes).unwrap();
    let from = parsed.from().unwrap().first().unwrap();
    assert_eq!(
        (from.name(), from.address()),
        (Some("Bench, 2"), Some("hplc@lab.example"))
    );
    assert!(matches!(parsed.header("Date"), Some(HeaderValue::DateTime(d)) if d.year == 1970));
    assert_eq!(
        parsed.to().unwrap().first().unwrap().address(),
        Some("ada@lab.example")
    );
}

#[test]
fn what_is_no_address_is_named() {
    let now = "2026-01-01T00:00:00Z".parse().unwrap();
    let error = message(&letter(), "hplc", &[], now).unwrap_err();
    assert_eq!(
        error.to_string(),
        "found \"hplc\", expected an e-mail address"
    );
}

#[test]
fn a_sender_beyond_ascii_has_an_id_all_the_same() {
    let to = ["ada@lab.example".to_owned()];
    let now = "2026-01-01T00:00:00Z".parse().unwrap();
    let Ok(message) = message(&letter(), "hplc@l\u{e4}b.example", &to, now) else {
        panic!("a domain beyond ASCII is one");
    };
    let id = header(&message.formatted(), "Message-ID").unwrap();
    assert!(id.ends_with(".0@runsitter.invalid>"), "{id}");
}

/// Names of the headers before the first empty line.
fn header_names(bytes: &[u8]) -> Vec<String> {
    let text = std::str::from_utf8(bytes).unwrap();
    let head = text.split("\r\n\r\n").next().unwrap();
    head.split("\r\n")
        .filter(|l| !l.starts_with([' ', '\t']))
        .map(|l| l.split(':').next().unwrap().to_lowercase())
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_text_adds_a_header_or_is_lost(
        subject in any::<String>(), key in any::<String>(), body in any::<String>(), file in any::<String>()
    ) {
        let list = Attachment {
            file_name: file,
            media_type: "text/csv; charset=utf-8".to_owned(),
            content: body.clone(),
        };
        let bytes = written(&Letter { subject, key: key.clone(), queue: key, text: body.clone(), repeat: 1, attachments: vec![list], ..letter() });
        narrow(&bytes);
        let mut names = header_names(&bytes);
        names.sort_unstable();
        let expected = [
            "auto-submitted", "content-type", "date", "from", "in-reply-to", "message-id", "mime-version",
            "references", "subject", "to", "x-auto-response-suppress",
        ];
        prop_assert_eq!(names, expected);
        let parsed = MessageParser::default().parse(&bytes).unwrap();
        prop_assert_eq!(parsed.attachment(0).unwrap().contents(), body.as_bytes());
    }
}
