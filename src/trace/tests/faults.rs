//! Every malformed input is named with its line, what was found and what was expected.

use super::*;

/// A semicolon file with a header whose line `line` (the header is line 1) reads `with`.
fn with_line(line: usize, with: &str) -> String {
    let text = format!(
        "Time (min);Signal (mAU)\n{}",
        rows(|_, t, s| format!("{t};{s}\n"))
    );
    let mut lines: Vec<&str> = text.lines().collect();
    lines[line - 1] = with;
    lines.join("\n") + "\n"
}

fn fault(text: &str) -> TraceError {
    parse(text).map(|t| t.layout).unwrap_err()
}

#[track_caller]
fn assert_fault(text: &str, line: u64, message: &str) {
    let e = fault(text);
    assert_eq!(
        (e.line, e.message.as_str(), e.may_grow),
        (Some(line), message, false)
    );
}

#[test]
fn a_bad_signal_is_named_wherever_it_stands() {
    for line in [2, 3, 5, 9, 10, 40, 70, 100, 120, 121] {
        let (t, _) = sample(line - 2);
        assert_fault(
            &with_line(line, &format!("{t};abc")),
            line as u64,
            "found 'abc' as signal, expected a number",
        );
        assert_fault(
            &with_line(line, &format!("{t};")),
            line as u64,
            "found '' as signal, expected a number",
        );
    }
}

#[test]
fn a_bad_time_is_named_wherever_it_stands() {
    for line in [2, 3, 5, 9, 10, 40, 70, 100, 120] {
        assert_fault(
            &with_line(line, "x;1.5"),
            line as u64,
            "found 'x' as time, expected a number",
        );
        assert_fault(
            &with_line(line, ";1.5"),
            line as u64,
            "found '' as time, expected a number",
        );
    }
}

#[test]
fn numbers_that_are_not_finite_are_refused() {
    for line in [2, 3, 9, 60, 121] {
        let (t, _) = sample(line - 2);
        for bad in ["nan", "inf", "-Infinity", "1e400"] {
            let message = format!("found '{bad}' as signal, expected a finite number");
            assert_fault(
                &with_line(line, &format!("{t};{bad}")),
                line as u64,
                &message,
            );
        }
    }
    assert_fault(
        &with_line(60, "nan;1.5"),
        60,
        "found 'nan' as time, expected a finite number",
    );
}

#[test]
fn times_must_increase() {
    for line in [4, 9, 60, 121] {
        let (t, _) = sample(line - 3);
        assert_fault(
            &with_line(line, "-1;1.5"),
            line as u64,
            &format!("time runs backwards: found -1 after {t}, expected increasing times"),
        );
        let repeated = with_line(line, &format!("{t};1.5"));
        assert_fault(
            &repeated,
            line as u64,
            "found the same time as in the row before, expected increasing times",
        );
    }
    let constant = "Time;UV\n".to_owned() + &rows(|_, _, s| format!("1.0;{s}\n"));
    assert_eq!(fault(&constant).line, Some(3));
}

#[test]
fn the_count_of_columns_must_stay() {
    for line in [3, 9, 60, 120] {
        let (t, _) = sample(line - 2);
        assert_fault(
            &with_line(line, &format!("{t};1.5;9")),
            line as u64,
            "found 3 columns, expected 2",
        );
        assert_fault(
            &with_line(line, &format!("{t}")),
            line as u64,
            "found 1 column, expected 2",
        );
    }
}

#[test]
fn what_is_no_trace_at_all_is_said() {
    for (text, line, message, may_grow) in [
        (
            "",
            None,
            "the file is empty, expected a time and a signal column",
            true,
        ),
        (
            " \r\n\n",
            None,
            "the file is empty, expected a time and a signal column",
            true,
        ),
        (
            "\u{feff}",
            None,
            "the file is empty, expected a time and a signal column",
            true,
        ),
        (
            "hello\nworld\n",
            None,
            "found no rows of numbers, expected a time and a signal column",
            true,
        ),
        (
            "time;signal\n0;1\n1;2\n2;4\n",
            None,
            "found 3 samples, expected at least 50",
            true,
        ),
        (
            "ab\ncd\0ef",
            Some(2),
            "found a NUL byte, expected text: a binary file?",
            false,
        ),
    ] {
        let e = fault(text);
        assert_eq!(
            (e.line, e.message.as_str(), e.may_grow),
            (line, message, may_grow),
            "{text:?}"
        );
    }
    assert_fault(
        &("Signal\n".to_owned() + &rows(|_, _, s| format!("{s}\n"))),
        2,
        "found one column of numbers, expected a time and a signal",
    );
}

#[test]
fn columns_that_cannot_be_told_are_said() {
    let commas = rows(|_, t, s| format!("{},{}\n", comma(t, 2), comma(s.abs(), 3)));
    for (text, line) in [(format!("Zeit,Signal\n{commas}"), 2), (commas, 1)] {
        assert_fault(
            &text,
            line,
            "found commas between the columns and within the numbers, expected another delimiter or quotes",
        );
    }
    let noise = rows(|i, _, s| format!("{};{s}\n", (i * 7919) % 101));
    assert_fault(
        &noise,
        1,
        "found no column that increases from row to row, expected a time column",
    );
    let index = "Scan;UV\n".to_owned() + &rows(|i, _, s| format!("{i};{s}\n"));
    assert_fault(
        &index,
        2,
        "found no time column: column 1 only counts the rows, expected a column of times that increase",
    );
    let spectrum =
        "Wavelength (nm);Absorbance\n".to_owned() + &rows(|i, _, s| format!("{};{s}\n", 200 + i));
    assert_fault(
        &spectrum,
        2,
        "the first column is a wavelength ('Wavelength (nm)'), expected a time column",
    );
}

#[test]
fn a_cut_last_line_may_grow() {
    let whole = format!(
        "Time (min);Signal (mAU)\n{}",
        rows(|_, t, s| format!("{t};{s}\n"))
    );
    for (end, what) in [
        ("12", "found 1 column, expected 2"),
        ("12.0;", "found '' as signal, expected a number"),
        ("12.0;-", "found '-' as signal, expected a number"),
        ("12.0;1e", "found '1e' as signal, expected a number"),
    ] {
        let e = fault(&format!("{whole}{end}"));
        assert_eq!((e.line, e.may_grow), (Some(122), true), "{e}");
        assert_eq!(e.message, format!("the last line is cut: {what}"));
    }
    assert!(parse(&format!("{whole}12.0;1.5")).is_ok());
    assert!(parse(&format!("{whole}the end")).is_ok());
}

#[test]
fn limits_are_kept() {
    let settings = Settings {
        max_bytes: Some(10),
        ..Settings::default()
    };
    let e = read(b"0,1\n1,2\n2,3\n", &settings, &Hints::default()).unwrap_err();
    assert_eq!(e.to_string(), "the file has 12 bytes, expected at most 10");
    let row = "1,".repeat(200_000) + "1\n";
    let e = fault(&row.repeat(60));
    assert_eq!(
        (e.line, e.message.as_str()),
        (Some(1), "found 200001 columns, expected at most 100000")
    );
    assert!(parse(&"1".repeat(20_000_000)).is_err());
    assert!(parse(&",".repeat(20_000_000)).is_err());
    assert!(parse(&"\"".repeat(20_000_000)).is_err());
    assert!(parse(&"\"\n".repeat(200_000)).is_err());
    assert!(parse(&"1 2\nx\n".repeat(200_000)).is_err());
    assert!(parse(&"9 2\n8 2\n".repeat(200_000)).is_err());
}

#[test]
fn long_and_odd_text_is_shown_short_and_plain() {
    let e = fault(&with_line(60, &format!("5.8;{}", "\u{202e}x".repeat(100))));
    assert_eq!(e.line, Some(60));
    assert!(
        e.message.starts_with("found '\\u{202e}x\\u{202e}x") && e.message.contains('…'),
        "{e}"
    );
    assert!(e.message.len() < 300, "{e}");
}

#[test]
fn an_amount_too_large_to_convert_is_refused() {
    let text = "Time (min);Signal (AU)\n".to_owned()
        + &rows(|i, t, s| {
            if i == 60 {
                format!("{t};1e307\n")
            } else {
                format!("{t};{s}\n")
            }
        });
    assert_fault(
        &text,
        62,
        "found a number too large to convert, expected a finite one",
    );
}
