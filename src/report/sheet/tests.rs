use super::*;
use crate::night::fixture::{Night, bubble, mid, trace, zone};

fn records(text: &str) -> Vec<csv::StringRecord> {
    csv::Reader::from_reader(text.as_bytes())
        .records()
        .map(Result::unwrap)
        .collect()
}

fn column(name: &str) -> usize {
    HEADER
        .trim_end()
        .split(',')
        .position(|c| c == name)
        .unwrap()
}

#[test]
fn one_row_for_each_injection_and_analyte() {
    let mut night = Night::new("bPsP");
    night
        .group("crock 3", 48.5, &[3])
        .plan(3, |p| p.dilution = 10.0);
    night
        .good(1)
        .good(2)
        .land(3, trace(&[Some(4.0), None]))
        .good(4);
    let text = whole(night.judged(), &zone());
    let rows = records(&text);
    assert_eq!(rows.len(), 8, "{text}");
    assert!(rows.iter().all(|r| r.len() == 27));
    let first = format!("{:064x}", 3);
    let sample = &rows[4];
    for (name, expected) in [
        ("queue", "crocks"),
        ("position", "3"),
        ("landed_at", "2026-09-21T19:09:00.000+02:00"),
        ("tray", "1"),
        ("kind", "sample"),
        ("series", "crock 3"),
        ("time_h", "48.5"),
        ("replicate", "1"),
        ("analyte", "lactic acid"),
        ("retention_min", "12.9123"),
        ("area_mau_s", "400.0000"),
        ("height_mau", "16.0000"),
        ("signal_to_noise", "640.0"),
        ("dilution", "10"),
        ("unit", "mmol/L"),
        ("recovery_percent", ""),
        ("verdict", "accepted"),
        ("reasons", ""),
        ("trace", "t-3.csv"),
        ("sha256", first.as_str()),
        ("calibration", "brine-acids"),
    ] {
        assert_eq!(&sample[column(name)], expected, "{name}");
    }
    let number = |name: &str| sample[column(name)].parse::<f64>().unwrap();
    assert!((number("concentration") - 10.0 * number("measured")).abs() < 1e-4);
    assert!(
        number("low_95") < number("concentration") && number("concentration") < number("high_95")
    );
    let none = &rows[5];
    assert_eq!(
        (&none[column("measured")], &none[column("calibration")]),
        ("", "")
    );
    assert_eq!(
        (&none[column("verdict")], &none[column("reasons")]),
        ("rerun", "below-range")
    );
    let recovery: f64 = rows[2][column("recovery_percent")].parse().unwrap();
    assert!((recovery - 100.0).abs() < 1.0, "{recovery}");
}

#[test]
fn an_injection_that_never_came_has_rows_without_a_trace() {
    let mut night = Night::new("PsP");
    night.good(1).end();
    let rows = records(&whole(night.judged(), &zone()));
    let missing = &rows[2];
    for name in ["landed_at", "trace", "sha256", "calibration", "area_mau_s"] {
        assert_eq!(&missing[column(name)], "", "{name}");
    }
    assert_eq!(
        (&missing[column("verdict")], &missing[column("reasons")]),
        ("rerun", "missing-trace bracket-failed")
    );
}

#[test]
fn a_conditioning_injection_has_numbers_and_no_verdict() {
    let mut night = Night::new("wwP");
    night.land(1, mid(&[0.1, 0.1])).end();
    let rows = records(&whole(night.judged(), &zone()));
    assert_eq!(rows.len(), 4, "the one that never came is not shown");
    assert_eq!(
        (&rows[0][column("verdict")], &rows[0][column("reasons")]),
        ("", "")
    );
    assert_ne!(&rows[0][column("measured")], "");
}

#[test]
fn air_stands_on_all_rows_of_its_injection() {
    let mut night = Night::new("PsP");
    let mut reading = mid(&[1.0, 1.0]);
    reading.air = Some(bubble());
    night.good(1).land(2, reading).good(3);
    let rows = records(&whole(night.judged(), &zone()));
    assert!(
        rows[2..4]
            .iter()
            .all(|r| &r[column("reasons")] == "air-bubble" && &r[column("verdict")] == "rerun")
    );
}

#[test]
fn hostile_text_stays_in_its_cell() {
    let mut night = Night::new("s");
    let hostile = [
        "=HYPERLINK(\"x\")",
        "-2+3",
        "a\r\nb",
        "\u{202e}gpj",
        "../../x",
        "plain, with comma",
    ];
    for name in hostile {
        let mut night = Night::new("s");
        night
            .plan(1, |p| {
                (p.name, p.tray, p.series) = (name.to_owned(), name.to_owned(), name.to_owned())
            })
            .good(1);
        for row in records(&whole(night.judged(), &zone())) {
            let expected = crate::text::cell(name);
            assert_eq!(row.len(), 27);
            assert!(
                [3, 6, 7].into_iter().all(|c| row[c] == *expected),
                "{row:?}"
            );
        }
    }
    night.good(1);
    assert_eq!(whole(night.judged(), &zone()).lines().count(), 3);
}

/// About 2 µs a row in a release build; here only that it is no thousand times that.
#[test]
fn many_rows_are_written_fast() {
    let mut night = Night::new(&"s".repeat(500));
    (1..=500).for_each(|p| {
        night.good(p);
    });
    let queue = night.judged();
    let begun = std::time::Instant::now();
    let text = whole(queue, &zone());
    let per_row_us = begun.elapsed().as_secs_f64() * 1e6 / 1000.0;
    eprintln!("{per_row_us:.2} µs a row, {} bytes", text.len());
    assert!(per_row_us < 2000.0, "{per_row_us}");
}
