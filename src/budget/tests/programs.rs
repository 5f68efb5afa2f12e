//! Flow programs and shares.

use super::*;

fn flowing(pairs: &[[f64; 2]]) -> Method {
    let mut m = with(20.0, 0.5, Some(1000.0));
    m.pumping.flow_program = Program::of(pairs.to_vec());
    m
}

fn bottle(name: &str, pairs: &[[f64; 2]]) -> Bottle {
    let share_percent = Program::of(pairs.to_vec()).unwrap();
    Bottle {
        name: name.to_owned(),
        bottle_ml: Some(500.0),
        reserve_ml: 50.0,
        before_percent: share_percent.after(0.0),
        after_percent: share_percent.after(0.0),
        share_percent,
    }
}

#[test]
fn a_flow_program_is_the_area_under_its_lines() {
    for (pairs, run_ml, what) in [
        // 10 · 0.6 + (0.6 + 1.0)/2 · 2 + 8 · 1.0
        (
            &[[0.0, 0.6], [10.0, 0.6], [12.0, 1.0], [20.0, 1.0]][..],
            15.6,
            "a ramp",
        ),
        // The step at minute 5: 5 · 0.4 + 15 · 0.8
        (&[[0.0, 0.4], [5.0, 0.4], [5.0, 0.8]][..], 14.0, "a step"),
        // Shorter than the run: the last flow holds. 10 · 0.55 + 10 · 0.6
        (&[[0.0, 0.5], [10.0, 0.6]][..], 11.5, "shorter"),
        // Longer: cut at minute 20, where the line from 0 to 2 mL/min over 40 min stands at 1. 20 · 0.5
        (&[[0.0, 0.0], [40.0, 2.0]][..], 10.0, "longer"),
        // Begins late: the first flow holds from minute 0. 5 · 0.2 + 5 · 0.3 + 10 · 0.4
        (&[[5.0, 0.2], [10.0, 0.4]][..], 6.5, "late"),
        (&[[0.0, 0.0]][..], 0.0, "no flow"),
    ] {
        let b = reckon(&list("sss"), &flowing(pairs));
        let used = b.containers[0].used_ml;
        assert!(
            (used - 3.0 * run_ml).abs() < 1e-9,
            "{what}: found {used}, expected {}",
            3.0 * run_ml
        );
        close(b.containers[1].used_ml, 3.0 * run_ml);
    }
}

#[test]
fn a_pump_that_stands_still_empties_nothing() {
    let b = reckon(&list("sss"), &flowing(&[[0.0, 0.0]]));
    assert_eq!(b.containers[0].dry_at_min, None);
    assert_eq!(b.containers[0].reserve_at_min, None);
    assert!(!b.short());
}

#[test]
fn between_runs_the_pump_is_back_at_minute_0() {
    let mut m = flowing(&[[0.0, 0.6], [10.0, 1.0]]);
    m.conditions.overhead_min = 5.0;
    // 10 · 0.8 + 10 · 1.0 + 5 · 0.6
    close(reckon(&list("s"), &m).containers[0].used_ml, 21.0);
    m.pumping.between_flow_ml_min = Some(0.0);
    close(reckon(&list("s"), &m).containers[0].used_ml, 18.0);
}

#[test]
fn a_gradient_draws_from_each_bottle_by_its_share() {
    // 1 mL/min; water from 90 % to 40 % in 10 min, then back at once: 6.5 + 10 · 0.9 = 15.5 mL, the rest 4.5 mL.
    let mut m = with(20.0, 1.0, None);
    m.pumping.bottles = vec![
        bottle("water", &[[0.0, 90.0], [10.0, 40.0], [10.0, 90.0]]),
        bottle("acid", &[[0.0, 10.0], [10.0, 60.0], [10.0, 10.0]]),
    ];
    let b = reckon(&list("ss"), &m);
    close(b.containers[0].used_ml, 31.0);
    close(b.containers[1].used_ml, 9.0);
    close(b.containers[2].used_ml, 40.0);
    assert_eq!(b.containers[1].container.name, "acid");
    close(b.containers[1].left_ml.unwrap(), 491.0);
}

#[test]
fn flow_and_share_that_change_together_make_a_parabola() {
    // Flow from 0 to 1 and share from 0 to 100 % over 20 min: ∫ (t/20)² dt = 20/3.
    let mut m = flowing(&[[0.0, 0.0], [20.0, 1.0]]);
    m.pumping.bottles = vec![
        bottle("water", &[[0.0, 0.0], [20.0, 100.0]]),
        bottle("acid", &[[0.0, 100.0], [20.0, 0.0]]),
    ];
    let b = reckon(&list("s"), &m);
    close(b.containers[0].used_ml, 20.0 / 3.0);
    close(b.containers[1].used_ml, 10.0 - 20.0 / 3.0);
}

#[test]
fn the_moment_of_a_volume_and_the_volume_at_a_moment_agree() {
    let mut m = flowing(&[[0.0, 0.2], [7.0, 1.1], [7.0, 0.4], [30.0, 0.9]]);
    m.conditions.overhead_min = 1.5;
    m.pumping.needle_wash_ml = 0.3;
    m.pumping.before = Some(Phase {
        minutes: 12.0,
        flow_ml_min: 0.5,
    });
    m.pumping.after = Some(Phase {
        minutes: 9.0,
        flow_ml_min: 0.25,
    });
    let b = reckon(&list("ssss"), &m);
    for used in &b.containers {
        let draw = &used.container.draw;
        for k in 1..200 {
            let t = f64::from(k) * 0.6;
            let ml = draw.used_ml(4, t);
            let back = draw.time_of_min(4, ml).unwrap();
            // A needle wash comes at once: its volume is reached with the injection.
            assert!(
                (draw.used_ml(4, back) - ml).abs() < 1e-9 && back <= t + 1e-9,
                "minute {t}"
            );
        }
        close(draw.used_ml(4, b.duration_min()), used.used_ml);
    }
}

#[test]
fn shares_while_conditioning_and_flushing_are_their_own() {
    let mut m = with(20.0, 1.0, None);
    let mut water = bottle("water", &[[0.0, 90.0]]);
    (water.before_percent, water.after_percent) = (100.0, 50.0);
    let mut acid = bottle("acid", &[[0.0, 10.0]]);
    (acid.before_percent, acid.after_percent) = (0.0, 50.0);
    m.pumping.bottles = vec![water, acid];
    m.pumping.before = Some(Phase {
        minutes: 10.0,
        flow_ml_min: 1.0,
    });
    m.pumping.after = Some(Phase {
        minutes: 10.0,
        flow_ml_min: 2.0,
    });
    let b = reckon(&list("s"), &m);
    close(b.containers[0].used_ml, 10.0 + 18.0 + 10.0);
    close(b.containers[1].used_ml, 0.0 + 2.0 + 10.0);
}
