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
    let mut all = plain();
    all.extend(units());
    all.extend(surroundings());
    all.extend(wide());
    all.extend(clocks());
    all
}

fn plain() -> Vec<(&'static str, Vec<u8>)> {
    let standard = format!(
        "time_min,signal_mau\n{}",
        rows(|_, t, s| format!("{t:.6},{s:.4}\n"))
    );
    let blanks = "Time (min)   Signal (mAU)\n".to_owned()
        + &rows(|_, t, s| format!("   {t:.2}    {s:.3}\n"));
    let quoted = "\"Time (min)\",\"Signal (mAU)\"\n".to_owned()
        + &rows(|_, t, s| format!("\"{}\",\"{}\"\n", comma(t, 2), comma(s, 3)));
    let whole_first = "Time [s];mAU\n".to_owned()
        + &rows(|_, t, s| {
            format!(
                "{};{}\n",
                (t * 60.0).round(),
                s.to_string().replace('.', ",")
            )
        });
    vec![
        ("comma and point", standard.clone().into_bytes()),
        (
            "no header",
            rows(|_, t, s| format!("{t:.2},{s:.3}\n")).into_bytes(),
        ),
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
        (
            "semicolon, decimal comma",
            ("Zeit [min];Signal [mAU]\n".to_owned()
                + &rows(|_, t, s| format!("{};{}\n", comma(t, 2), comma(s, 3))))
                .into_bytes(),
        ),
        (
            "semicolon, point",
            ("Zeit [min];Signal [mAU]\n".to_owned() + &rows(|_, t, s| format!("{t};{s}\n")))
                .into_bytes(),
        ),
        (
            "tab, decimal comma",
            ("RT [min]\tUV\n".to_owned()
                + &rows(|_, t, s| format!("{}\t{}\n", comma(t, 2), comma(s, 3))))
                .into_bytes(),
        ),
        ("blanks", blanks.into_bytes()),
        (
            "blanks, decimal comma",
            rows(|_, t, s| format!("{} {}\n", comma(t, 2), comma(s, 3))).into_bytes(),
        ),
        (
            "blanks and comment header",
            ("# time_min signal_mAU\n".to_owned() + &rows(|_, t, s| format!("{t:.2}\t {s:.3}\n")))
                .into_bytes(),
        ),
        ("quoted decimal commas", quoted.into_bytes()),
        (
            "quoted points",
            ("\"t/min\",\"mAU\"\n".to_owned() + &rows(|_, t, s| format!("\"{t}\",\"{s}\"\n")))
                .into_bytes(),
        ),
        (
            "blanks around cells",
            rows(|_, t, s| format!(" {t:.2} , {s:.3} \n")).into_bytes(),
        ),
        (
            "exponents",
            rows(|_, t, s| format!("{t:.6E},{s:+.6e}\n")).into_bytes(),
        ),
        (
            "fortran exponents",
            rows(|_, t, s| {
                format!(
                    "{}  {}\n",
                    format!("{t:.6e}").replace('e', "D"),
                    format!("{s:.6e}").replace('e', "D")
                )
            })
            .into_bytes(),
        ),
        (
            "decimal comma exponents",
            rows(|_, t, s| {
                format!(
                    "{};{}\n",
                    format!("{t:.6e}").replace('.', ","),
                    format!("{s:.6E}").replace('.', ",")
                )
            })
            .into_bytes(),
        ),
        (
            "bare points",
            rows(|_, t, s| {
                format!(
                    "{};{}\n",
                    bare(&format!("{t:.1}")),
                    bare(&format!("{s:.3}"))
                )
            })
            .into_bytes(),
        ),
        (
            "trailing delimiter",
            ("Time (min);mAU;\n".to_owned() + &rows(|_, t, s| format!("{t};{s};\n"))).into_bytes(),
        ),
        (
            "blank lines between",
            rows(|_, t, s| format!("{t:.2},{s:.3}\n\n")).into_bytes(),
        ),
        ("whole numbers first", whole_first.into_bytes()),
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

/// Layouts in which a reader must choose or be told.
mod choices {
    use super::*;

    fn read_with(text: &str, settings: Settings, hints: Hints) -> Trace {
        read(text.as_bytes(), &settings, &hints).unwrap()
    }

    #[test]
    fn the_wavelength_chooses_the_column() {
        let matrix = rows(|_, t, s| format!("{t};{};{s};{}\n", s * 3.0, s * 5.0));
        for head in [
            "Time (min);200;210;220",
            ";200;210;220",
            "Wavelength (nm);200;210;220",
            "min;UV 200 nm;UV 210 nm;UV 220 nm",
            "0;200,0;210,0;220,0",
        ] {
            let hints = Hints {
                wavelength_nm: Some(211.0),
                ..Hints::default()
            };
            let trace = read_with(&format!("{head}\n{matrix}"), Settings::default(), hints);
            assert_same(&trace, head);
            assert_eq!(
                (trace.layout.signal_column, trace.layout.header_line),
                (3, Some(1)),
                "{head}"
            );
        }
    }

    #[test]
    fn what_is_configured_wins() {
        let settings = Settings {
            time_column: Some(3),
            signal_column: Some(1),
            time_unit: Some(TimeUnit::Seconds),
            signal_unit: Some(SignalUnit::Au),
            ..Settings::default()
        };
        let text = "UV (mAU);Index;Time (min)\n".to_owned()
            + &rows(|i, t, s| format!("{:.6};{i};{:.1}\n", s / 1000.0, t * 60.0));
        let trace = read_with(&text, settings, Hints::default());
        assert_same(&trace, "configured");
        assert_eq!(trace.layout.time_unit_from, "configured");
        let settings = Settings {
            signal_column: Some(4),
            ..Settings::default()
        };
        let e = read(text.as_bytes(), &settings, &Hints::default()).unwrap_err();
        assert_eq!(
            e.to_string(),
            "line 2: the configured signal column is 4, found 3 columns"
        );
    }

    #[test]
    fn the_run_time_tells_seconds_from_minutes() {
        let text = rows(|_, t, s| format!("{:.1},{s}\n", t * 60.0));
        let hints = |run_time_min| Hints {
            run_time_min: Some(run_time_min),
            ..Hints::default()
        };
        assert_eq!(
            read_with(&text, Settings::default(), hints(12.0))
                .layout
                .time_unit,
            TimeUnit::Seconds
        );
        assert_eq!(
            read_with(&text, Settings::default(), hints(600.0))
                .layout
                .time_unit,
            TimeUnit::Minutes
        );
    }

    #[test]
    fn times_rounded_to_repeat_are_spread_evenly() {
        let text = "Time (min);mAU\n".to_owned()
            + &(0..600)
                .map(|i| format!("{:.2};{}\n", f64::from(i) / 240.0, i % 7))
                .collect::<String>();
        for text in [text.as_str(), text.split_once('\n').unwrap().1] {
            let trace = parse(text).unwrap();
            assert!(
                trace
                    .time_s
                    .iter()
                    .enumerate()
                    .all(|(i, t)| (t - i as f64 / 4.0).abs() < 0.3),
                "{:?}",
                &trace.time_s[..9]
            );
            assert!(
                trace.layout.notes[0].starts_with("times are rounded so that "),
                "{:?}",
                trace.layout.notes
            );
        }
    }

    #[test]
    fn what_was_left_out_or_could_be_meant_is_said() {
        let data = rows(|_, t, s| format!("{t};{s};{}\n", s * 2.0));
        let trace = parse(&format!("Time (min);UV A;UV B\n{data}\nPeaks\n1;2\n")).unwrap();
        assert_eq!(
            trace.layout.notes,
            [
                "several columns may be the signal (2 'UV A', 3 'UV B'): column 2 is taken",
                "text behind the data left out from line 123 on: 'Peaks'"
            ]
        );
        let trace =
            parse(&("Time (min);Signal (pA)\n".to_owned() + &rows(|_, t, s| format!("{t};{s}\n"))))
                .unwrap();
        assert_eq!(
            trace.layout.notes,
            ["the unit of the signal, 'pA', is not known: mAU is assumed"]
        );
        let twice = format!("Time (min);A;B\n{data}\nTime (min);A;B\n{data}");
        assert!(
            parse(&twice)
                .unwrap()
                .layout
                .notes
                .contains(&"another block of 120 rows from line 124 on is left out".to_owned())
        );
    }

    #[test]
    fn a_page_break_is_no_second_section() {
        let text = "Time (min);mAU\n".to_owned()
            + &rows(|i, t, s| {
                format!("{}{t};{s}\n", if i == 60 { "Time (min);mAU\n" } else { "" })
            });
        let e = parse(&text).unwrap_err();
        assert_eq!(
            e.to_string(),
            "line 62: found 'Time (min)' as time, expected a number"
        );
    }

    #[test]
    fn units_that_no_layout_names_are_converted() {
        let hours = parse(
            &("Time (h);V\n".to_owned()
                + &rows(|_, t, s| format!("{:.9};{:.6}\n", t / 60.0, s / 1000.0))),
        )
        .unwrap();
        assert_eq!(
            (hours.layout.time_unit, hours.layout.signal_unit),
            (TimeUnit::Seconds, SignalUnit::MilliVolt)
        );
        assert!(
            (hours.time_s[100] - 600.0).abs() < 1e-4
                && (hours.signal_mau[40] - sample(40).1).abs() < 1e-9
        );
    }

    #[test]
    fn other_quantities_are_no_signal() {
        let text = "Time (min);Pump (bar);Oven temperature\n".to_owned()
            + &rows(|i, t, _| format!("{t};{};50\n", 50 + i % 3));
        let e = parse(&text).unwrap_err();
        assert_eq!(
            e.to_string(),
            "line 2: found no column of a detector signal among 'Time (min)', 'Pump (bar)', 'Oven temperature', expected one"
        );
    }

    #[test]
    fn a_layout_is_told_in_words() {
        let text = "Vial;12\nZeit [min];Signal [mAU]\n".to_owned()
            + &rows(|_, t, s| format!("{};{}\n", comma(t, 2), comma(s, 3)));
        assert_eq!(
            parse(&text).unwrap().layout.describe(),
            [
                "encoding: UTF-8",
                "delimiter: semicolon, decimal: comma; header on line 2",
                "time: column 1 'Zeit [min]', minutes (line 2)",
                "signal: column 2 'Signal [mAU]', mAU (line 2)",
                "2 columns; first sample on line 3, last on line 122",
            ]
        );
    }
}
