//! The same chromatogram in every layout: the numbers must be the same.

use super::*;

fn utf16(text: &str, mark: bool, bytes: fn(u16) -> [u8; 2]) -> Vec<u8> {
    let head = if mark { "\u{feff}" } else { "" };
    head.encode_utf16()
        .chain(text.encode_utf16())
        .flat_map(bytes)
        .collect()
}

fn latin1(text: &str) -> Vec<u8> {
    text.chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect()
}

const PREAMBLE: &str =
    "Sample;Crock 3\nVial;12\nSampling rate;8\nDate;04/05/2026 22:10:03\nRun time (min);12\n\n";

/// Name and bytes of every layout.
pub(super) fn all() -> Vec<(&'static str, Vec<u8>)> {
    let mut all = encodings();
    all.extend(delimiters());
    all.extend(numbers());
    all.extend(units());
    all.extend(surroundings());
    all.extend(wide());
    all.extend(clocks());
    all
}

fn encodings() -> Vec<(&'static str, Vec<u8>)> {
    let standard = format!(
        "time_min,signal_mau\n{}",
        rows(|_, t, s| format!("{t:.6},{s:.4}\n"))
    );
    vec![
        ("comma and point", standard.clone().into_bytes()),
        ("crlf", standard.replace('\n', "\r\n").into_bytes()),
        ("lone cr", standard.replace('\n', "\r").into_bytes()),
        ("no final newline", standard.trim_end().as_bytes().to_vec()),
        (
            "byte order mark",
            format!("\u{feff}{standard}").into_bytes(),
        ),
        (
            "utf-16le with mark",
            utf16(&standard, true, u16::to_le_bytes),
        ),
        (
            "utf-16be with mark",
            utf16(&standard, true, u16::to_be_bytes),
        ),
        ("utf-16le", utf16(&standard, false, u16::to_le_bytes)),
    ]
}

/// A header above rows.
fn table(head: &str, row: impl Fn(usize, f64, f64) -> String) -> Vec<u8> {
    format!("{head}{}", rows(row)).into_bytes()
}

fn delimiters() -> Vec<(&'static str, Vec<u8>)> {
    let commas = |t, s, between: &str| format!("{}{between}{}\n", comma(t, 2), comma(s, 3));
    let quoted = |_, t, s| format!("\"{}\",\"{}\"\n", comma(t, 2), comma(s, 3));
    vec![
        ("no header", table("", |_, t, s| format!("{t:.2},{s:.3}\n"))),
        (
            "semicolon, decimal comma",
            table("Zeit [min];Signal [mAU]\n", |_, t, s| commas(t, s, ";")),
        ),
        (
            "semicolon, point",
            table("Zeit [min];Signal [mAU]\n", |_, t, s| format!("{t};{s}\n")),
        ),
        (
            "tab, decimal comma",
            table("RT [min]\tUV\n", |_, t, s| commas(t, s, "\t")),
        ),
        (
            "blanks",
            table("Time (min)   Signal (mAU)\n", |_, t, s| {
                format!("   {t:.2}    {s:.3}\n")
            }),
        ),
        (
            "blanks, decimal comma",
            table("", |_, t, s| commas(t, s, " ")),
        ),
        (
            "blanks and comment header",
            table("# time_min signal_mAU\n", |_, t, s| {
                format!("{t:.2}\t {s:.3}\n")
            }),
        ),
        (
            "quoted decimal commas",
            table("\"Time (min)\",\"Signal (mAU)\"\n", quoted),
        ),
        (
            "quoted points",
            table("\"t/min\",\"mAU\"\n", |_, t, s| {
                format!("\"{t}\",\"{s}\"\n")
            }),
        ),
        (
            "blanks around cells",
            table("", |_, t, s| format!(" {t:.2} , {s:.3} \n")),
        ),
        (
            "trailing delimiter",
            table("Time (min);mAU;\n", |_, t, s| format!("{t};{s};\n")),
        ),
        (
            "blank lines between",
            table("", |_, t, s| format!("{t:.2},{s:.3}\n\n")),
        ),
    ]
}

fn numbers() -> Vec<(&'static str, Vec<u8>)> {
    let fortran = |v: f64| format!("{v:.6e}").replace('e', "D");
    let european = |v: f64| format!("{v:.6e}").replace('.', ",");
    let whole = |t: f64, s: f64| {
        format!(
            "{};{}\n",
            (t * 60.0).round(),
            s.to_string().replace('.', ",")
        )
    };
    vec![
        (
            "exponents",
            table("", |_, t, s| format!("{t:.6E},{s:+.6e}\n")),
        ),
        (
            "fortran exponents",
            table("", |_, t, s| format!("{}  {}\n", fortran(t), fortran(s))),
        ),
        (
            "decimal comma exponents",
            table("", |_, t, s| format!("{};{}\n", european(t), european(s))),
        ),
        (
            "bare points",
            table("", |_, t, s| {
                format!(
                    "{};{}\n",
                    bare(&format!("{t:.1}")),
                    bare(&format!("{s:.3}"))
                )
            }),
        ),
        (
            "whole numbers first",
            table("Time [s];mAU\n", |_, t, s| whole(t, s)),
        ),
    ]
}

/// `.5` for 0.5, `-.5` for -0.5, `5.` for 5.0.
fn bare(text: &str) -> String {
    let text = text.trim_end_matches('0');
    let text = text
        .strip_prefix("0.")
        .map(|t| format!(".{t}"))
        .unwrap_or(text.replace("-0.", "-."));
    if text == "." { "0.".to_owned() } else { text }
}

fn units() -> Vec<(&'static str, Vec<u8>)> {
    let seconds = |head: &str| {
        (head.to_owned() + &rows(|_, t, s| format!("{:.1},{s:.3}\n", t * 60.0))).into_bytes()
    };
    let micro = rows(|_, t, s| format!("{t:.2}\t{:.0}\n", s * 1000.0));
    let au = rows(|_, t, s| format!("{t:.2},{:.6}\n", s / 1000.0));
    let bytes = |text: String| text.into_bytes();
    vec![
        ("t/s", seconds("t/s,UV\n")),
        ("time_s", seconds("time_s,signal_mau\n")),
        ("seconds by length", seconds("time,signal\n")),
        (
            "seconds in the preamble",
            seconds("X unit: s\nY unit: mAU\nTime,Signal\n"),
        ),
        (
            "milliseconds",
            bytes(
                "Time (ms),mAU\n".to_owned()
                    + &rows(|_, t, s| format!("{:.0},{s}\n", t * 60_000.0)),
            ),
        ),
        (
            "unit line",
            bytes("Time;Signal\nmin;mAU\n".to_owned() + &rows(|_, t, s| format!("{t};{s}\n"))),
        ),
        (
            "unit line in brackets",
            bytes(
                "Time\tSignal\n[s]\t[AU]\n".to_owned()
                    + &rows(|_, t, s| format!("{:.1}\t{:.6}\n", t * 60.0, s / 1000.0)),
            ),
        ),
        (
            "micro sign in latin-1",
            latin1(&format!("Time (min)\tValue (µAU)\n{micro}")),
        ),
        (
            "micro sign in utf-8",
            bytes(format!("Time (min)\tValue (µAU)\n{micro}")),
        ),
        (
            "greek mu",
            bytes(format!("Time (min)\tValue (μAU)\n{micro}")),
        ),
        ("uAU", bytes(format!("time_min\tuAU\n{micro}"))),
        ("AU", bytes(format!("Time (min),Absorbance [AU]\n{au}"))),
        (
            "AU in the preamble",
            bytes(format!(
                "X Axis Units,min\nY Axis Units,AU\nTime,Value\n{au}"
            )),
        ),
    ]
}

fn surroundings() -> Vec<(&'static str, Vec<u8>)> {
    let data = rows(|_, t, s| format!("{t};{s}\n"));
    let table = "Peak;RT;Area\n1;4,0;70,5\n2;7,5;31,0\n3;9,0;1,5\n\n";
    let long: String = (0..3000)
        .map(|i| format!("Line {i};of {}\n", i * 7))
        .collect();
    let peaks: String = (0..60).map(|i| format!("{}.5;{}\n", i, 1000 - i)).collect();
    let bytes = |text: String| text.into_bytes();
    vec![
        (
            "preamble",
            bytes(format!("{PREAMBLE}Time (min);Signal (mAU)\n{data}")),
        ),
        (
            "preamble without a header",
            bytes(format!("{PREAMBLE}{data}")),
        ),
        (
            "long preamble",
            bytes(format!("{long}Time (min);Signal (mAU)\n{data}")),
        ),
        (
            "peak table before",
            bytes(format!("{PREAMBLE}{table}Time (min);Signal (mAU)\n{data}")),
        ),
        (
            "long peak table before",
            bytes(format!("RT;Area\n{peaks}\nTime (min);Signal (mAU)\n{data}")),
        ),
        (
            "peak table after",
            bytes(format!("Time (min);Signal (mAU)\n{data}\nPeaks\n{table}")),
        ),
        (
            "footer",
            bytes(format!("Time (min);Signal (mAU)\n{data}End of data\n")),
        ),
        (
            "separator",
            bytes(format!("sep=;\nTime (min);Signal (mAU)\n{data}")),
        ),
        (
            "rule below the header",
            bytes(format!(
                "Time (min);Signal (mAU)\n----------;------------\n{data}"
            )),
        ),
        (
            "statements in comments",
            bytes(format!(
                "; made for a test\n; time unit: min\n{}",
                rows(|_, t, s| format!("{t}\t{s}\n"))
            )),
        ),
        (
            "statements without a header",
            bytes(format!("Instrument;1\nX unit;min\nY unit;mAU\n{data}")),
        ),
        (
            "bars",
            bytes(format!("Time (min)|mAU\n{}", data.replace(';', "|"))),
        ),
        (
            "section mark",
            bytes(format!("[Info]\nVial=3\n[Data]\n{data}")),
        ),
        (
            "comments",
            bytes(format!(
                "# made for a test\n% 1;2\n// 3;4\nTime (min);mAU\n{}",
                rows(|i, t, s| format!("{t};{s}\n{}", if i == 60 { "# half\n" } else { "" }))
            )),
        ),
        ("count above the data", bytes(format!("2;{POINTS}\n{data}"))),
        (
            "header in two lines of one cell",
            bytes(format!("\"Time\n(min)\";\"Signal\n(mAU)\"\n{data}")),
        ),
    ]
}

fn wide() -> Vec<(&'static str, Vec<u8>)> {
    let bytes = |text: String| text.into_bytes();
    let matrix = rows(|_, t, s| format!("{t},{},{s},{}\n", s * 3.0, s * 5.0));
    vec![
        (
            "index first",
            bytes(
                "No.;Time (min);Signal\n".to_owned()
                    + &rows(|i, t, s| format!("{};{t};{s}\n", i + 1)),
            ),
        ),
        (
            "index first, no header",
            bytes(rows(|i, t, s| format!("{}\t{t}\t{s}\n", i + 1))),
        ),
        (
            "signal before time",
            bytes("Signal (mAU),Time (min)\n".to_owned() + &rows(|_, t, s| format!("{s},{t}\n"))),
        ),
        (
            "pressure beside",
            bytes(
                "Time (min),Pressure (bar),Flow (mL/min),UV 210 nm\n".to_owned()
                    + &rows(|_, t, s| format!("{t},54.{},0.6,{s}\n", (t * 10.0) as u32 % 3)),
            ),
        ),
        (
            "dead channel first",
            bytes(
                "Time (min),UV 1 (mAU),UV 2 (mAU)\n".to_owned()
                    + &rows(|_, t, s| format!("{t},0.00,{s}\n")),
            ),
        ),
        (
            "text column",
            bytes("Time (min),Flag,UV\n".to_owned() + &rows(|_, t, s| format!("{t},ok,{s}\n"))),
        ),
        (
            "empty column",
            bytes("Time (min),Note,UV\n".to_owned() + &rows(|_, t, s| format!("{t},,{s}\n"))),
        ),
        (
            "two signals",
            bytes(
                "Time (min),UV A,UV B\n".to_owned()
                    + &rows(|_, t, s| format!("{t},{s},{}\n", s * 2.0)),
            ),
        ),
        (
            "matrix, first wavelength empty corner",
            bytes(
                ",209,210,211\n".to_owned()
                    + &rows(|_, t, s| format!("{t},{s},{},{}\n", s * 3.0, s * 5.0)),
            ),
        ),
        (
            "matrix with a named corner",
            bytes(
                "Time (min),210,211,212\n".to_owned()
                    + &rows(|_, t, s| format!("{t},{s},{},{}\n", s * 3.0, s * 5.0)),
            ),
        ),
        (
            "matrix with a zero corner",
            bytes(
                "0,210,211,212\n".to_owned()
                    + &rows(|_, t, s| format!("{t},{s},{},{}\n", s * 3.0, s * 5.0)),
            ),
        ),
        (
            "signal named",
            bytes(format!("Time (min),Oven (°C),UV (mAU),Pump\n{matrix}")),
        ),
    ]
}

fn clocks() -> Vec<(&'static str, Vec<u8>)> {
    let s = |t: f64| (t * 60.0).round() as u32;
    let clock = move |t: f64, from: u32| {
        format!(
            "{:02}:{:02}:{:02}",
            (from + s(t)) / 3600 % 24,
            (from + s(t)) / 60 % 60,
            (from + s(t)) % 60
        )
    };
    let late = 23 * 3600 + 58 * 60;
    let day = move |t: f64| if late + s(t) >= 86_400 { 5 } else { 4 };
    let bytes = |text: String| text.into_bytes();
    vec![
        (
            "seconds since a date",
            bytes(
                "timestamp,UV\n".to_owned()
                    + &rows(|_, t, v| format!("{},{v}\n", 1_777_900_000 + s(t))),
            ),
        ),
        (
            "elapsed",
            bytes("Time;UV\n".to_owned() + &rows(|_, t, v| format!("{};{v}\n", clock(t, 0)))),
        ),
        (
            "elapsed minutes",
            bytes(
                "Time;UV\n".to_owned()
                    + &rows(|_, t, v| format!("{:02}:{:02}.0;{v}\n", s(t) / 60, s(t) % 60)),
            ),
        ),
        (
            "iso dates past midnight",
            bytes(
                "When,UV\n".to_owned()
                    + &rows(|_, t, v| format!("2026-05-0{}T{}.000Z,{v}\n", day(t), clock(t, late))),
            ),
        ),
        (
            "day-first dates",
            bytes(
                "Date/Time\tUV\n".to_owned()
                    + &rows(|_, t, v| {
                        format!("0{}/05/2026 {}\t{}\n", day(t), clock(t, late), comma(v, 3))
                    }),
            ),
        ),
        (
            "month-first dates",
            bytes(
                "Date/Time\tUV\n".to_owned()
                    + &rows(|_, t, v| format!("05/0{}/2026 {}\t{v}\n", day(t), clock(t, late))),
            ),
        ),
        (
            "date and clock apart",
            bytes(
                "Date;Time;UV\n".to_owned()
                    + &rows(|_, t, v| {
                        format!("0{}.05.2026;{};{}\n", day(t), clock(t, late), comma(v, 3))
                    }),
            ),
        ),
        (
            "date beside elapsed",
            bytes(
                "Date/Time\tElapsed Time\tUV\n".to_owned()
                    + &rows(|_, t, v| {
                        format!(
                            "04/05/2026 {}\t{}\t{}\n",
                            clock(t, 3603),
                            clock(t, 0),
                            comma(v, 3)
                        )
                    }),
            ),
        ),
    ]
}

#[test]
fn one_chromatogram_in_every_layout_gives_the_same_numbers() {
    let mut failures = Vec::new();
    for (what, bytes) in all() {
        let result = std::panic::catch_unwind(|| {
            match read(&bytes, &Settings::default(), &Hints::default()) {
                Ok(trace) => assert_same(&trace, what),
                Err(e) => panic!("{what}: {e}"),
            }
        });
        if result.is_err() {
            failures.push(what);
        }
    }
    assert!(failures.is_empty(), "{failures:?}");
    assert!(all().len() > 60);
}
