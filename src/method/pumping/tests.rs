//! The tables as they are written, and what is wrong with them.

use std::path::Path;

use super::*;
use crate::method::{Method, file};

const HEAD: &str = "name = \"a\"\n[conditions]\nrun_time_min = 22.0\n[[analyte]]\nname = \"lactic acid\"\nretention_min = 12.9\nwindow_min = 0.4\nunit = \"mmol/L\"\n";

fn read(text: &str) -> Result<Method, String> {
    file::parse(&format!("{HEAD}{text}"), Path::new("m.toml")).map_err(|e| e.to_string())
}

fn bottle(name: &str, rest: &str) -> String {
    format!("[[eluent.bottle]]\nname = \"{name}\"\n{rest}\n")
}

#[test]
fn every_key_is_read_from_its_place() {
    let text = "[pump]\nflow_program = [[0, 0.6], [18, 0.8]]\nbetween_flow_ml_min = 0.1\nbefore = [30, 0.5]\nafter = [60, 0.3]\n\
[autosampler]\nvial_filled_ul = 1500\nvial_dead_ul = 100\ndraw_extra_ul = 5\nneedle_wash_ml = 0.5\n\
[column]\nporosity = 0.37\n[eluent]\nviscosity_mpa_s = 0.6\n";
    let found = read(text).unwrap().pumping;
    let phase = |minutes, flow_ml_min| {
        Some(Phase {
            minutes,
            flow_ml_min,
        })
    };
    let expected = Pumping {
        flow_program: Program::of(vec![[0.0, 0.6], [18.0, 0.8]]),
        between_flow_ml_min: Some(0.1),
        before: phase(30.0, 0.5),
        after: phase(60.0, 0.3),
        bottles: Vec::new(),
        vial_filled_ul: Some(1500.0),
        vial_dead_ul: 100.0,
        draw_extra_ul: 5.0,
        needle_wash_ml: 0.5,
        porosity: Some(0.37),
        viscosity_mpa_s: Some(0.6),
    };
    assert_eq!(found, expected);
    assert_eq!(read("").unwrap().pumping, Pumping::default());
}

#[test]
fn bottles_share_the_flow() {
    let text = bottle(
        "water",
        "bottle_ml = 1000\nreserve_ml = 50\nshare_percent = 60\nbefore_percent = 100",
    ) + &bottle(
        "acid",
        "share_program = [[0, 40], [5, 40]]\nbefore_percent = 0",
    );
    let found = read(&text).unwrap().pumping.bottles;
    assert_eq!(found[0].share_percent, Program::constant(60.0));
    assert_eq!(
        (found[0].bottle_ml, found[0].reserve_ml),
        (Some(1000.0), 50.0)
    );
    assert_eq!(
        (found[0].before_percent, found[0].after_percent),
        (100.0, 60.0)
    );
    assert_eq!((found[1].bottle_ml, found[1].before_percent), (None, 0.0));
}

#[test]
fn what_cannot_be_pumped_is_named_with_its_place() {
    let two = |a: &str, b: &str| bottle("water", a) + &bottle("acid", b);
    for (text, message) in [
        (
            "[pump]\nflow_program = []\n".to_owned(),
            "m.toml:10: pump.flow_program: found an empty list, expected a list of pairs [min, mL/min], in the order of their times",
        ),
        (
            "[pump]\nflow_program = [[0, 0.6], [5, 0.8], [4, 0.8]]\n".to_owned(),
            "m.toml:10: pump.flow_program[3]: found minute 4 behind minute 5, expected rising times",
        ),
        (
            "[pump]\nflow_program = [[0, -0.6]]\n".to_owned(),
            "m.toml:10: pump.flow_program[1][2]: found -0.6, expected a number from 0 to 100 mL/min",
        ),
        (
            "[pump]\nbefore = [30]\n".to_owned(),
            "m.toml:10: pump.before: found a list of 1, expected a pair [min, mL/min]",
        ),
        (
            "[pump]\nflow_progam = [[0, 0.6]]\n".to_owned(),
            "m.toml:10: unknown key pump.flow_progam, the nearest known key is flow_program",
        ),
        (
            "[autosampler]\nvial_filled_ul = 100\nvial_dead_ul = 100\n".to_owned(),
            "m.toml:9: autosampler: found a vial_dead_ul of 100 in a vial_filled_ul of 100, expected less",
        ),
        (
            two("share_percent = 60", "share_percent = 50"),
            "m.toml:9: eluent.bottle: found shares of 110 % together before the queue, expected 100 %",
        ),
        (
            two(
                "share_program = [[0, 60], [9, 30]]",
                "share_program = [[0, 40], [9, 60]]",
            ),
            "m.toml:9: eluent.bottle: found shares of 90 % together in minute 9, expected 100 %",
        ),
        (
            two(
                "share_percent = 60\nafter_percent = 10",
                "share_percent = 40",
            ),
            "m.toml:9: eluent.bottle: found shares of 50 % together after the queue, expected 100 %",
        ),
        (
            bottle("water", "share_percent = 50\nshare_program = [[0, 50]]"),
            "m.toml:12: eluent.bottle[1].share_program: found beside share_percent, expected one of the two",
        ),
        (
            bottle("water", "bottle_ml = 10"),
            "m.toml:9: eluent.bottle[1]: expected share_percent or share_program",
        ),
        (
            bottle(
                "water",
                "share_percent = 100\nbottle_ml = 10\nreserve_ml = 10",
            ),
            "m.toml:9: eluent.bottle[1]: found a reserve_ml of 10 in a bottle_ml of 10, expected less",
        ),
        (
            bottle("water", "share_percent = 50") + &bottle("water", "share_percent = 50"),
            "m.toml:12: eluent.bottle[2]: found two bottles named \"water\", expected one",
        ),
        (
            format!(
                "[eluent]\nreserve_ml = 5\n{}",
                bottle("water", "share_percent = 100")
            ),
            "m.toml:10: eluent.reserve_ml: found beside [[eluent.bottle]], expected it in each bottle",
        ),
    ] {
        assert_eq!(read(&text).unwrap_err(), message, "{text}");
    }
}
