use super::*;
use crate::night::fixture::{Night, mid, trace};

fn first(letters: &str, position: usize, reading: Reading) -> String {
    let mut night = Night::new(letters);
    night.land(position, reading);
    let queue = night.judged();
    look_first(queue, &queue.slots()[position - 1]).join(" | ")
}

fn later(percent: f64) -> Reading {
    let mut reading = mid(&[1.0, 1.0]);
    for found in reading.analytes.iter_mut().flatten() {
        found.retention_min *= 1.0 + percent / 100.0;
    }
    reading
}

#[test]
fn recoveries_are_read_as_a_pattern() {
    assert!(first("P", 1, mid(&[0.84, 0.86])).starts_with("All analytes are low together (8"));
    assert!(first("P", 1, mid(&[1.2, 1.18])).starts_with("All analytes are high together (1"));
    assert!(first("P", 1, mid(&[0.8, 1.0])).starts_with("lactic acid is low and the rest is not"));
    assert!(first("P", 1, mid(&[1.0, 1.3])).starts_with("acetic acid is high and the rest is not"));
    assert!(first("P", 1, mid(&[0.7, 1.3])).starts_with("Some are high and some low"));
}

#[test]
fn retentions_are_read_as_a_pattern() {
    assert!(first("P", 1, later(2.5)).starts_with("All peaks come later"));
    assert!(first("P", 1, later(-2.5)).starts_with("All peaks come earlier"));
    let mut one = mid(&[1.0, 1.0]);
    one.analytes[1].as_mut().unwrap().retention_min *= 1.025;
    assert!(first("P", 1, one).starts_with("acetic acid has moved and the rest has not"));
}

#[test]
fn a_missing_peak_asks_for_the_vial_or_the_window() {
    assert!(first("P", 1, trace(&[None, None])).starts_with("No peak at all"));
    assert!(
        first("P", 1, trace(&[Some(5.0), None])).starts_with("acetic acid alone shows no peak")
    );
}

#[test]
fn carry_over_names_what_was_before() {
    let mut night = Night::new("Psb");
    night.good(1).good(2).land(3, trace(&[Some(0.3), None]));
    let queue = night.judged();
    let hints = look_first(queue, &queue.slots()[2]);
    assert!(
        hints[0].contains("It followed sample 2 (position 2)."),
        "{hints:?}"
    );
}

#[test]
fn conditions_of_the_station_have_hints() {
    for check in [
        "pressure-high",
        "pressure-low",
        "pressure-rise",
        "pressure-ripple",
        "eluent-short",
        "waste-full",
        "late-trace",
        "run-list",
    ] {
        assert!(of_station(check).is_some(), "{check}");
    }
    assert_eq!(of_station("no-such-check"), None);
}

#[test]
fn nothing_failed_needs_no_hint() {
    assert_eq!(first("P", 1, mid(&[1.0, 1.0])), "");
}

fn drifted(shares: &[f64]) -> String {
    let mut night = Night::new("PsP");
    night.good(1).good(2).land(3, mid(shares));
    let queue = night.judged();
    look_first(queue, &queue.slots()[2]).join(" | ")
}

#[test]
fn areas_that_drift_are_read_as_a_pattern() {
    // The limit is 5 %; recoveries stay inside 90 to 110 %.
    assert!(drifted(&[0.94, 0.93]).starts_with("All areas are down together"));
    assert!(drifted(&[1.06, 1.04]).starts_with("All areas are up together"));
    assert!(drifted(&[0.94, 1.0]).starts_with("lactic acid alone moves"));
    assert!(drifted(&[0.94, 1.06]).starts_with("The response moves"));
    assert_eq!(
        drifted(&[0.96, 0.96]),
        "",
        "inside the limit nothing is said"
    );
}

#[test]
fn what_the_numbers_do_not_show_is_not_said() {
    // All low, and not by the same share: the injected volume does not explain it.
    assert!(first("P", 1, mid(&[0.6, 0.85])).starts_with("All analytes are low, and not alike"));
    assert!(first("P", 1, mid(&[1.5, 1.2])).starts_with("All analytes are high, and not alike"));
    // One figure alone shows no pattern.
    let one = first("P", 1, trace(&[Some(4.0), None]));
    assert!(
        one.contains("lactic acid is the only analyte with a recovery here (80 %)"),
        "{one}"
    );
    for told in [first("P", 1, mid(&[0.6, 0.85])), one] {
        assert!(!told.contains("the rest is not"), "{told}");
    }
}

#[test]
fn spikes_are_bubbles_and_noise_alone_is_not() {
    let mut reading = mid(&[1.0, 1.0]);
    reading.air = Some(crate::night::fixture::bubble());
    assert!(first("P", 1, reading.clone()).starts_with("Spikes: bubbles pass the detector."));
    if let Some(air) = &mut reading.air {
        air.spikes = 0;
    }
    assert!(first("P", 1, reading).starts_with("Chaotic noise without spikes"));
}

#[test]
fn a_slow_rise_asks_for_the_pre_filter_and_claims_nothing() {
    let rise = of_station("pressure-rise").unwrap();
    assert!(
        rise.contains("climbs slowly: most often a pre-filter"),
        "{rise}"
    );
    let high = of_station("pressure-high").unwrap();
    assert!(high.starts_with("After a slow rise: pre-filter"), "{high}");
}
