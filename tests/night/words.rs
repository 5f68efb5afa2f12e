//! Texts without what differs from run to run.

/// Times, hashes and the lab's own folder made the same.
pub fn settled(text: &str) -> String {
    without_hashes(&without_times(text))
}

/// Every date with its time of day becomes `TIME`, every time of day alone `HH:MM`. The ledger's record, which is over the
/// times of landing too, becomes `N:LINK`.
pub fn without_times(text: &str) -> String {
    let without = without_record(text);
    let text = without.as_str();
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    let mut after_digit = false;
    while let Some(c) = rest.chars().next() {
        let (word, length) = match (time_length(rest), shape(rest, "99:99", 0)) {
            (Some(length), _) => ("TIME", length),
            (None, Some(length)) if !after_digit => ("HH:MM", length),
            _ => ("", c.len_utf8()),
        };
        after_digit = c.is_ascii_digit();
        out.push_str(if word.is_empty() {
            &rest[..length]
        } else {
            word
        });
        rest = &rest[length..];
    }
    out
}

fn without_record(text: &str) -> String {
    const RECORD: &str = "  ledger record ";
    let line = |l: &str| match l.strip_prefix(RECORD) {
        Some(rest) => {
            let end = if rest.ends_with('\n') { "\n" } else { "" };
            format!("{RECORD}N:LINK{end}")
        }
        None => l.to_owned(),
    };
    text.split_inclusive('\n').map(line).collect()
}

/// Length of the time at the beginning of a text: `2026-09-21 20:18`, or with seconds, their parts and an offset.
fn time_length(text: &str) -> Option<usize> {
    let mut end = shape(text, "9999-99-99_99:99", 0)?;
    for more in [":99", ".999", "+99:99"] {
        end = shape(text, more, end).unwrap_or(end);
    }
    Some(end)
}

/// Where a pattern ends that stands in a text from `from` on: `9` is a digit, `+` a sign, `_` a gap.
fn shape(text: &str, pattern: &str, from: usize) -> Option<usize> {
    let bytes = text.as_bytes().get(from..from + pattern.len())?;
    let fits = |(b, p): (&u8, u8)| match p {
        b'9' => b.is_ascii_digit(),
        b'+' => matches!(b, b'+' | b'-'),
        b'_' => matches!(b, b' ' | b'T' | b'\n'),
        _ => *b == p,
    };
    bytes
        .iter()
        .zip(pattern.bytes())
        .all(fits)
        .then_some(from + pattern.len())
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

/// A CSV with its numbers as coarse as a snapshot needs them: three significant digits, two for heights, and none for
/// signal-to-noise, which moves with every change of the noise's estimate.
pub fn rounded(csv: &str) -> String {
    let header: Vec<&str> = csv.lines().next().unwrap_or_default().split(',').collect();
    let cell = |(k, cell): (usize, &str)| match (cell.parse::<f64>(), header.get(k)) {
        (Ok(_), Some(&"signal_to_noise")) => "N".to_owned(),
        (Ok(number), Some(&"height_mau")) => {
            format!("{number:.1e}").parse::<f64>().unwrap().to_string()
        }
        (Ok(number), _) if cell.contains('.') => {
            format!("{number:.2e}").parse::<f64>().unwrap().to_string()
        }
        _ => cell.to_owned(),
    };
    let line = |l: &str| {
        l.split(',')
            .enumerate()
            .map(cell)
            .collect::<Vec<_>>()
            .join(",")
            + "\n"
    };
    csv.lines().map(line).collect()
}

#[test]
fn times_and_hashes_are_made_the_same() {
    let hash = "0a".repeat(32);
    assert_eq!(
        settled(&format!("x,2026-09-21T16:13:20.123+02:00,{hash},5")),
        "x,TIME,HASH,5"
    );
    assert_eq!(
        settled("(landed 2026-09-21 20:18), 2026-09-21 was a Monday"),
        "(landed TIME), 2026-09-21 was a Monday"
    );
    assert_eq!(settled("  13:39  late at 18:1"), "  HH:MM  late at 18:1");
}

#[test]
fn numbers_are_rounded_and_texts_are_not() {
    assert_eq!(
        rounded("name,signal_to_noise\ncrock,299.9219,5,0.0299,x 1.234\n"),
        "name,signal_to_noise\ncrock,N,5,0.0299,x 1.234\n"
    );
}
