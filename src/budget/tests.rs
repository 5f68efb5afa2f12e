//! Arithmetic of whole lists, worked by hand.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::*;
use crate::method::{Bottle, Eluent, Phase, Program};
use crate::night::fixture::{Night, method};

mod limits;
mod programs;
mod words;

/// The method of the fixtures with this run time, flow and bottle.
pub(super) fn with(run_min: f64, flow_ml_min: f64, bottle_ml: Option<f64>) -> Method {
    let mut m = method();
    m.conditions.run_time_min = run_min;
    m.conditions.overhead_min = 0.0;
    m.conditions.flow_ml_min = Some(flow_ml_min);
    m.eluent = Some(Eluent {
        name: Some("5 mmol/L sulfuric acid".to_owned()),
        bottle_ml,
        reserve_ml: None,
        waste_free_ml: None,
    });
    m
}

/// A list spelled as in the fixtures.
pub(super) fn list(letters: &str) -> Vec<Injection> {
    Night::new(letters).list().injections
}

#[track_caller]
pub(super) fn close(found: f64, expected: f64) {
    let far = (found - expected).abs() > 1e-9 * expected.abs().max(1.0);
    assert!(!far, "found {found}, expected {expected}");
}

/// Common practice, no source.
#[test]
fn a_litre_at_0_8_ml_min_lasts_20_8_hours() {
    let b = reckon(&list("s"), &with(22.0, 0.8, Some(1000.0)));
    close(
        b.containers[0].dry_at_min.unwrap() / 60.0,
        1000.0 / 0.8 / 60.0,
    );
    assert_eq!(
        format!("{:.1}", b.containers[0].dry_at_min.unwrap() / 60.0),
        "20.8"
    );
}

/// Common practice, no source.
#[test]
fn twenty_four_injections_of_17_6_minutes_take_7_04_hours() {
    let b = reckon(&list(&"s".repeat(24)), &with(17.6, 0.8, Some(1000.0)));
    close(b.duration_min() / 60.0, 7.04);
    close(b.containers[0].used_ml, 337.92);
    close(b.containers[0].left_ml.unwrap(), 662.08);
    close(b.containers[1].used_ml, 337.92);
    assert!(!b.short() && b.shortfalls().is_empty());
}

#[test]
fn every_checkpoint_knows_what_is_left() {
    // Runs of 22 min and a minute between them at 0.6 mL/min: 13.8 mL a cycle. The last standards of the two checkpoints
    // are over after 1 cycle and a run, and after 4 cycles and a run.
    let mut m = with(22.0, 0.6, Some(1000.0));
    m.conditions.overhead_min = 1.0;
    let b = reckon(&list("bPsPPb"), &m);
    let at: Vec<(u64, f64, f64)> = b
        .checkpoints
        .iter()
        .map(|c| (c.position, c.at_min, c.left_ml[0].unwrap()))
        .collect();
    assert_eq!(at.len(), 2);
    assert_eq!((at[0].0, at[1].0), (2, 5));
    close(at[0].1, 45.0);
    close(at[0].2, 1000.0 - 0.6 * 45.0);
    close(at[1].1, 114.0);
    close(at[1].2, 1000.0 - 0.6 * 114.0);
    close(b.containers[0].used_ml, 6.0 * 13.8);
}

#[test]
fn conditioning_and_flushing_count_for_time_and_eluent() {
    let mut m = with(20.0, 0.5, Some(1000.0));
    let phase = |minutes, flow_ml_min| {
        Some(Phase {
            minutes,
            flow_ml_min,
        })
    };
    m.pumping.before = phase(30.0, 0.6);
    m.pumping.after = phase(60.0, 0.25);
    m.conditions.overhead_min = 2.0;
    m.pumping.between_flow_ml_min = Some(0.1);
    let b = reckon(&list("ssss"), &m);
    close(b.duration_min(), 30.0 + 4.0 * 22.0 + 60.0);
    // 30 · 0.6 + 4 · (20 · 0.5 + 2 · 0.1) + 60 · 0.25
    close(b.containers[0].used_ml, 18.0 + 40.8 + 15.0);
    // The flush goes on until the bottle is empty.
    close(
        b.containers[0].dry_at_min.unwrap(),
        178.0 + (1000.0 - 73.8) / 0.25,
    );
}

#[test]
fn a_method_without_flow_reckons_time_alone() {
    let mut m = with(20.0, 0.5, Some(1000.0));
    m.conditions.flow_ml_min = None;
    let b = reckon(&list("bPsP"), &m);
    assert!(b.containers.is_empty() && !b.short());
    close(b.duration_min(), 80.0);
    assert!(b.checkpoints.iter().all(|c| c.left_ml.is_empty()));
}

#[test]
fn an_empty_list_needs_nothing_and_says_nothing() {
    let b = reckon(&[], &with(20.0, 0.5, Some(1000.0)));
    assert!(!b.short() && b.lines(None, &TimeZone::UTC).is_empty());
}
