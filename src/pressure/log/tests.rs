use super::*;
use proptest::prelude::*;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// Readings as (s after the first, MPa) of a whole file, its last line written at 2026-09-21T18:10:00Z.
fn read(unit: Option<Unit>, bytes: &[u8]) -> (Vec<(f64, f64)>, Taken) {
    let mut log = Log::new(unit, TimeZone::get("Europe/Berlin").unwrap());
    log.feed(bytes);
    let taken = log.take(at("2026-09-21T18:10:00Z"));
    let first = taken.readings.first().map(|r| r.at);
    let relative = |r: &Reading| {
        let s = first.map_or(0.0, |f| r.at.duration_since(f).as_secs_f64());
        (s, (r.mpa * 1e6).round() / 1e6)
    };
    (taken.readings.iter().map(relative).collect(), taken)
}

#[test]
fn every_layout_gives_the_same_readings() {
    let wanted = [(0.0, 4.2), (60.0, 4.3), (120.0, 4.15), (180.0, 4.25)];
    for (unit, text) in [
        (
            Some(Unit::Mpa),
            "time,pressure_mpa\n2026-09-21T18:07:00.000Z,4.2\n2026-09-21T18:08:00.000Z,4.3\n2026-09-21T18:09:00Z,4.15\n2026-09-21T18:10:00Z,4.25\n",
        ),
        (
            None,
            "Zeit;Druck [bar];Fluss\n21.09.2026 20:07:00;42,0;0,6\n21.09.2026 20:08:00;43,0;0,6\n21.09.2026 20:09:00;41,5;0,6\n21.09.2026 20:10:00;42,5;0,6\n",
        ),
        (
            Some(Unit::Kpa),
            "2026-09-21 20:07:00\t4200\n2026-09-21 20:08:00\t4300\n2026-09-21 20:09:00\t4150\n2026-09-21 20:10:00\t4250\n",
        ),
        (
            None,
            "# pump log of the night\nelapsed_min flow_ml_min pressure_bar\n0 0.6 42\n1 0.6 43\n2 0.6 41.5\n3 0.6 42.5\n",
        ),
        (
            None,
            "Date,Time,Oven,Pressure limit (MPa),Pressure (MPa)\n2026-09-21,20:07:00,50.0,18,4.2\n2026-09-21,20:08:00,50.1,18,4.3\n2026-09-21,20:09:00,50.0,18,4.15\n2026-09-21,20:10:00,50.0,18,4.25\n",
        ),
        (Some(Unit::Bar), "s;bar\n0;42\n60;43\n120;41.5\n180;42.5\n"),
        (
            Some(Unit::Mpa),
            "23:58:30 4.2\n23:59:30 4.3\n00:00:30 4.15\n00:01:30 4.25\n",
        ),
        (
            None,
            "\u{feff}\"Date/Time\",\"Pump A flow\",\"Pump pressure (MPa)\"\r\n\"9/21/2026 8:07:00 PM\",\"0.6\",\"4.2\"\r\n\"9/21/2026 8:08:00 PM\",\"0.6\",\"4.3\"\r\n\"9/21/2026 8:09:00 PM\",\"0.6\",\"4.15\"\r\n\"9/21/2026 8:10:00 PM\",\"0.6\",\"4.25\"\r\n",
        ),
    ] {
        let (found, taken) = read(unit, text.as_bytes());
        assert_eq!(found, wanted, "{text}: {:?}", taken.notes);
        if !text.starts_with("23:58") {
            assert_eq!(taken.readings[3].at, at("2026-09-21T18:10:00Z"), "{text}");
        }
    }
}

#[test]
fn psi_is_converted() {
    let (found, _) = read(None, b"time_s,psi\n0,1000\n1,1000\n2,1450.377377\n");
    assert_eq!(found[0].1, 6.894757);
    assert_eq!(found[2].1, 10.0);
}

#[test]
fn a_file_of_two_byte_characters_is_read_in_any_pieces() {
    let text = "time,pressure_mpa\n2026-09-21T18:08:00Z,4.2\n2026-09-21T18:09:00Z,4.3\n";
    let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    for size in [4, 5, 7, 1000] {
        let mut log = Log::new(None, TimeZone::UTC);
        for piece in wide.chunks(size) {
            log.feed(piece);
        }
        assert!(log.is_wide());
        assert_eq!(
            log.take(at("2026-09-21T18:09:00Z")).readings.len(),
            2,
            "{size}"
        );
    }
}

#[test]
fn an_unfinished_line_waits_for_its_rest() {
    let mut log = Log::new(Some(Unit::Mpa), TimeZone::UTC);
    log.feed(b"time,p\n2026-09-21T18:08:00Z,4.2\n2026-09-21T18:09:00Z,1");
    let written = at("2026-09-21T18:09:00Z");
    assert_eq!(log.take(written).readings.len(), 1);
    log.feed(b"4.3\n");
    let taken = log.take(written);
    assert_eq!(taken.readings[0].mpa, 14.3);
    assert!(log.take(written).readings.is_empty());
}

#[test]
fn what_cannot_be_read_is_said_once() {
    let mut log = Log::new(None, TimeZone::UTC);
    let written = at("2026-09-21T18:09:00Z");
    log.feed(b"time,value\n2026-09-21T18:07:00Z,4.2\n2026-09-21T18:08:00Z,4.2\n2026-09-21T18:09:00Z,4.2\n");
    let notes = log.take(written).notes;
    assert_eq!(notes.len(), 1);
    assert!(notes[0].contains("no unit of the pressure"), "{notes:?}");
    log.feed(b"2026-09-21T18:10:00Z,4.2\n");
    assert!(log.take(written).notes.is_empty());
    let (_, taken) = read(None, b"time,flow,level\n2026-09-21T18:07:00Z,4.2,1\n2026-09-21T18:08:00Z,4.2,2\n2026-09-21T18:09:00Z,4.2,3\n");
    assert!(
        taken.notes[0].contains("expected one that is named after the pressure"),
        "{taken:?}"
    );
    let (found, taken) = read(
        Some(Unit::Bar),
        b"time,pressure_mpa\n2026-09-21T18:07:00Z,4.2\n2026-09-21T18:08:00Z,4.2\n",
    );
    assert_eq!(found[0].1, 0.42);
    assert!(
        taken.notes[0].contains("the configuration counts"),
        "{taken:?}"
    );
}

#[test]
fn rows_without_a_reading_and_texts_between_are_passed_over() {
    let (found, _) = read(
        Some(Unit::Mpa),
        b"time,pressure\n2026-09-21T18:07:00Z,4.2\n2026-09-21T18:08:00Z,\npump purged\n2026-09-21T18:09:00Z,nan\n2026-09-21T18:09:30Z,65535\n2026-09-21T18:10:00Z,4.3\n",
    );
    assert_eq!(found, [(0.0, 4.2), (180.0, 4.3)]);
}

#[test]
fn an_export_that_changes_its_columns_is_understood_again() {
    let mut text = "time,pressure_mpa\n".to_owned();
    for k in 0..5 {
        text += &format!("2026-09-21T18:0{k}:00Z,4.2\n");
    }
    text += "pressure_bar;time\n";
    for k in 10..40 {
        text += &format!("42;2026-09-21T18:{k}:00Z\n");
    }
    let mut log = Log::new(None, TimeZone::UTC);
    for line in text.split_inclusive('\n') {
        log.feed(line.as_bytes());
    }
    let last = log.take(at("2026-09-21T18:40:00Z")).readings.pop().unwrap();
    assert_eq!((last.at, last.mpa), (at("2026-09-21T18:39:00Z"), 4.2));
}

#[test]
fn a_value_for_each_injection_names_its_trace() {
    let (found, taken) = read(
        None,
        b"File,Pressure max (bar)\nC:\\data\\crocks-01.csv,44\ncrocks-02,45\n",
    );
    assert!(found.is_empty());
    let of = |k: usize| (taken.injections[k].stem.as_str(), taken.injections[k].mpa);
    assert_eq!(of(0).0, "crocks-01");
    assert_eq!(of(1).0, "crocks-02");
    assert!((of(0).1 - 4.4).abs() < 1e-12);
}

proptest! {
    #[test]
    fn any_bytes_in_any_pieces_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..400), size in 1..50_usize) {
        let mut log = Log::new(None, TimeZone::UTC);
        for piece in bytes.chunks(size) {
            log.feed(piece);
        }
        let _ = log.take(Timestamp::MAX);
    }

    #[test]
    fn pieces_do_not_matter(sizes in proptest::collection::vec(1..30_usize, 1..40)) {
        let mut text = "time,flow,pressure_mpa\n".to_owned();
        for k in 0..50 {
            text += &format!("2026-09-21T18:{k:02}:00Z,0.6,4.{k:03}\n");
        }
        let whole = { let mut log = Log::new(None, TimeZone::UTC); log.feed(text.as_bytes()); log.take(Timestamp::MAX) };
        let mut log = Log::new(None, TimeZone::UTC);
        let (mut rest, mut k) = (text.as_bytes(), 0);
        let mut readings = Vec::new();
        while !rest.is_empty() {
            let (piece, tail) = rest.split_at(sizes[k % sizes.len()].min(rest.len()));
            log.feed(piece);
            readings.extend(log.take(Timestamp::MAX).readings);
            rest = tail;
            k += 1;
        }
        prop_assert_eq!(readings, whole.readings);
    }
}
