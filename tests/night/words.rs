//! Texts without what differs from run to run.

/// Times, hashes and the lab's own folder made the same.
pub fn settled(text: &str) -> String {
    without_hashes(&without_times(text))
}

/// Every date with its time of day becomes `TIME`.
pub fn without_times(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        match time_length(rest) {
            Some(length) => {
                out.push_str("TIME");
                rest = &rest[length..];
            }
            None => {
                out.push(c);
                rest = &rest[c.len_utf8()..];
            }
        }
    }
    out
}

/// Length of the time at the beginning of a text: `2026-09-21 20:18`, or with seconds, their parts and an offset.
fn time_length(text: &str) -> Option<usize> {
    let shape = |pattern: &str, from: usize| -> Option<usize> {
        let bytes = text.as_bytes().get(from..from + pattern.len())?;
        let fits = |(b, p): (&u8, u8)| match p {
            b'9' => b.is_ascii_digit(),
            b'+' => matches!(b, b'+' | b'-'),
            b'_' => matches!(b, b' ' | b'T' | b'\n'),
            _ => *b == p,
        };
        bytes.iter().zip(pattern.bytes()).all(fits).then_some(from + pattern.len())
    };
    let mut end = shape("9999-99-99_99:99", 0)?;
    for more in [":99", ".999", "+99:99"] {
        end = shape(more, end).unwrap_or(end);
    }
    Some(end)
}

/// Every SHA-256 becomes `HASH`.
fn without_hashes(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut run = String::new();
    for c in text.chars().chain(['\0']) {
        if c.is_ascii_digit() || ('a'..='f').contains(&c) {
            run.push(c);
            continue;
        }
        out.push_str(if run.len() == 64 { "HASH" } else { &run });
        run.clear();
        if c != '\0' {
            out.push(c);
        }
    }
    out
}

#[test]
fn times_and_hashes_are_made_the_same() {
    let hash = "0a".repeat(32);
    assert_eq!(settled(&format!("x,2026-09-21T16:13:20.123+02:00,{hash},5")), "x,TIME,HASH,5");
    assert_eq!(settled("(landed 2026-09-21 20:18), 2026-09-21 was a Monday"), "(landed TIME), 2026-09-21 was a Monday");
}
