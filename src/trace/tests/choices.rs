//! Layouts in which a reader must choose or be told.

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
        + &rows(|i, t, s| format!("{}{t};{s}\n", if i == 60 { "Time (min);mAU\n" } else { "" }));
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

#[test]
fn a_title_that_splits_like_names_hides_no_column() {
    let text =
        "2026-09-21\t21:14:07\nchannel A\n".to_owned() + &rows(|_, t, s| format!("{t:.6}\t{s}\n"));
    let trace = read_with(&text, Settings::default(), Hints::default());
    assert_same(&trace, "title");
    assert_eq!(
        (trace.layout.time_column, trace.layout.signal_column),
        (1, 2)
    );
}
