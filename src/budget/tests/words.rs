//! What people read.

use super::*;
use crate::budget::told_apart;
use crate::method::Column;

fn zone() -> TimeZone {
    TimeZone::get("Europe/Berlin").unwrap()
}

fn lines(letters: &str, m: &Method, start: &str) -> Vec<String> {
    let start: Option<Timestamp> = (!start.is_empty()).then(|| start.parse().unwrap());
    reckon(&list(letters), m).lines(start, &zone())
}

/// 24 runs of 17.6 min and a bottle that may give 900 mL.
fn brine() -> Method {
    let mut m = with(17.6, 0.8, Some(1000.0));
    let e = m.eluent.as_mut().unwrap();
    e.reserve_ml = Some(100.0);
    e.waste_free_ml = Some(2000.0);
    m
}

#[test]
fn a_night_is_told_line_by_line() {
    let mut m = brine();
    m.column = Some(Column {
        length_mm: Some(300.0),
        inner_diameter_mm: Some(7.8),
        particle_um: Some(8.0),
    });
    let all = lines("bPssssssssPssssssssPsssP", &m, "2026-03-12T17:00:00Z");
    insta::assert_snapshot!(all.join("\n"));
}

#[test]
fn without_a_start_times_count_from_it() {
    insta::assert_snapshot!(lines("bPsPb", &brine(), "").join("\n"));
}

#[test]
fn the_clock_of_the_end_goes_through_summer_time() {
    // 7.04 h from 22:00: 05:02 on an ordinary night.
    for (start, expected) in [
        (
            "2026-03-27T21:00:00Z",
            "; Fri 2026-03-27 22:00 to Sat 2026-03-28 05:02",
        ),
        (
            "2026-03-28T21:00:00Z",
            "; Sat 2026-03-28 22:00 to Sun 2026-03-29 06:02 (the clocks go forward by 1 h meanwhile)",
        ),
        (
            "2026-10-24T20:00:00Z",
            "; Sat 2026-10-24 22:00 to Sun 2026-10-25 04:02 (the clocks go back by 1 h meanwhile)",
        ),
    ] {
        let all = lines(&"s".repeat(24), &brine(), start);
        let end = "time: 7.04 h (24 injections of 17.6 min)".to_owned() + expected;
        assert_eq!(all[0], end);
    }
}

#[test]
fn what_does_not_last_is_told_with_its_time() {
    let all = lines(&"s".repeat(80), &brine(), "2026-03-28T21:00:00Z");
    let short: Vec<&String> = all
        .iter()
        .filter(|l| l.starts_with("eluent-short"))
        .collect();
    // 900 mL at 0.8 mL/min are 1125 min = 18.75 h from 22:00, and the clocks go forward: 17:45.
    assert_eq!(
        short,
        [
            "eluent-short: 1126 mL of \"5 mmol/L sulfuric acid\" are needed and 900 mL may be drawn: at its reserve after 18.8 h, before the end of position 64, Sun 2026-03-29 17:45"
        ]
    );
}

#[test]
fn names_from_outside_stay_on_their_line() {
    let mut m = brine();
    m.eluent.as_mut().unwrap().name = Some("acid\u{202e}\nx".to_owned());
    let mut rows = list("ss");
    rows[0].vial = "1\n2".to_owned();
    rows[1].name = "shutdown\r\nx".to_owned();
    rows[1].kind = Kind::Conditioning;
    let all = reckon(&rows, &m).lines(None, &TimeZone::UTC);
    assert!(
        all.iter().all(|l| !l.contains(['\n', '\r', '\u{202e}'])),
        "{all:#?}"
    );
}

#[test]
fn a_long_list_tells_its_first_checkpoints_and_the_last() {
    let all = lines(&"sP".repeat(30), &brine(), "");
    let left = all.iter().find(|l| l.starts_with("left of")).unwrap();
    assert_eq!(left.matches("at position").count(), 11, "{left}");
    assert!(left.contains("(19 more), 155 mL at position 60"), "{left}");
    // 80 runs of 14.08 mL out of a bottle of 1000 mL.
    let all = lines(&"sP".repeat(40), &brine(), "");
    let left = all.iter().find(|l| l.starts_with("left of")).unwrap();
    assert!(
        left.ends_with("empty at position 80, 126 mL short"),
        "{left}"
    );
}

#[test]
fn a_shortage_of_a_tenth_is_not_rounded_away() {
    let pair = |a, b| told_apart(a, b);
    assert_eq!(pair(158.4, 158.3), ("158.4".to_owned(), "158.3".to_owned()));
    assert_eq!(pair(1126.4, 900.0), ("1126".to_owned(), "900".to_owned()));
    assert_eq!(pair(2.0, 2.0), ("2".to_owned(), "2".to_owned()));
}

#[test]
fn a_rerun_list_is_told_in_a_few_words() {
    let brief = |letters: &str, m: &Method| reckon(&list(letters), m).brief();
    // 10 · 17.6 min = 2.93 h, 140.8 mL.
    assert_eq!(
        brief("PsssssssPb", &brine()),
        "about 2.9 h and 141 mL of eluent"
    );
    assert_eq!(
        brief(&"s".repeat(80), &brine()),
        "about 23.5 h and 1126 mL of eluent; more than may be used (eluent-short)"
    );
    let mut still = brine();
    still.conditions.flow_ml_min = None;
    assert_eq!(brief("PsssssssPb", &still), "about 2.9 h");
    let mut two = brine();
    let bottle = |name: &str, share| crate::method::Bottle {
        name: name.to_owned(),
        bottle_ml: None,
        reserve_ml: 0.0,
        share_percent: Program::constant(share),
        before_percent: share,
        after_percent: share,
    };
    two.pumping.bottles = vec![bottle("water", 75.0), bottle("methanol", 25.0)];
    assert_eq!(
        brief("PsssssssPb", &two),
        "about 2.9 h and 106 mL of water, 35 mL of methanol"
    );
}
