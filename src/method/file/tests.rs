use super::*;
use crate::method::{Column, Eluent, Limits, Plan};

mod steering_keys;

const SAMPLE: &str = include_str!("../../../config/methods/brine-acids.toml");

const GOOD: &str = "name = \"acids\"\n[conditions]\nrun_time_min = 22.0\n[[analyte]]\nname = \"lactic acid\"\nretention_min = 12.90\nwindow_min = 0.40\nunit = \"mmol/L\"\n[[level]]\nname = \"mid\"\nnominal = { \"lactic acid\" = 5.0 }\n";

fn read(text: &str) -> Result<Method, FileError> {
    parse(text, Path::new("m.toml"))
}

fn wrong(text: &str) -> String {
    match read(text) {
        Ok(_) => "no error".to_owned(),
        Err(e) => e.to_string(),
    }
}

/// The message for the good file with lines added at its end; the first of them is line 12.
fn added(lines: &str) -> String {
    wrong(&format!("{GOOD}{lines}\n"))
}

/// The message for the good file with one piece replaced.
fn instead(piece: &str, other: &str) -> String {
    assert!(GOOD.contains(piece), "{piece}");
    wrong(&GOOD.replacen(piece, other, 1))
}

#[test]
fn what_is_left_out_takes_its_default() {
    let method = read(GOOD).unwrap();
    assert_eq!(
        (
            method.name.as_str(),
            method.conditions.run_time_min,
            method.conditions.overhead_min
        ),
        ("acids", 22.0, 0.0)
    );
    assert_eq!(
        (
            &method.column,
            &method.eluent,
            method.conditions.flow_ml_min
        ),
        (&None, &None, None)
    );
    assert_eq!(method.limits, Limits::default());
    assert_eq!(
        method.fit,
        Fit {
            weight: Weight::InverseX,
            through_zero: false,
            degree: Degree::Straight,
        }
    );
    assert_eq!(method.levels[0].nominal, [Some(5.0)]);
}

#[test]
fn the_hash_is_that_of_the_bytes() {
    // FIPS 180-2, appendix B.1 (from memory): the digest of "abc".
    assert_eq!(
        crate::text::hex(&Sha256::digest(b"abc")),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    let method = read(GOOD).unwrap();
    assert_eq!(
        method.sha256,
        crate::text::hex(&Sha256::digest(GOOD.as_bytes()))
    );
    assert_ne!(
        read(&format!("{GOOD}# a word\n")).unwrap().sha256,
        method.sha256
    );
}

fn in_use(sample: &str) -> String {
    let line = |l: &str| match l.strip_prefix('#') {
        Some(rest) if !rest.starts_with(' ') => rest.to_owned(),
        _ => l.to_owned(),
    };
    sample.lines().map(|l| line(l) + "\n").collect()
}

#[test]
fn the_sample_loads_and_shows_the_defaults() {
    let plain = read(SAMPLE).unwrap();
    assert_eq!((plain.analytes.len(), plain.levels.len()), (6, 5));
    assert!(
        plain
            .levels
            .iter()
            .all(|l| l.nominal.iter().all(Option::is_some))
    );
    assert_eq!(plain.analytes[2].name, "lactic acid");
    let full = read(&in_use(SAMPLE)).unwrap();
    assert_eq!(
        full.limits, plain.limits,
        "a limit shown in the sample is not its default"
    );
    assert_eq!(full.fit, plain.fit);
    assert_eq!(plain.plan, Plan::default());
    let examples = full.plan.clone();
    assert!(examples.tray.is_some());
    let without_examples = Plan {
        conditioning_level: None,
        calibrators: Vec::new(),
        standard_levels: Vec::new(),
        injections_per_vial: None,
        columns: Default::default(),
        tray: None,
        ..examples
    };
    assert_eq!(
        without_examples, plain.plan,
        "a rule shown in the sample is not its default"
    );
    let pressure = |l: &Limits| {
        (
            l.pressure_normal_mpa,
            l.pressure_max_mpa,
            l.pressure_min_mpa,
        )
    };
    assert_eq!(
        pressure(&full.limits),
        (Some([4.0, 8.0]), Some(18.0), Some(1.0))
    );
    let column = Column {
        length_mm: Some(300.0),
        inner_diameter_mm: Some(7.8),
        particle_um: Some(8.0),
    };
    assert_eq!(full.column, Some(column));
    let eluent = Eluent {
        name: Some("5 mmol/L sulfuric acid".to_owned()),
        bottle_ml: Some(1000.0),
        reserve_ml: Some(100.0),
        waste_free_ml: Some(2000.0),
    };
    assert_eq!(full.eluent, Some(eluent));
}

#[test]
fn the_sample_shows_every_key() {
    let text = in_use(SAMPLE);
    let keys = [
        KEYS,
        CALIBRATION_KEYS,
        conditions::KEYS,
        conditions::COLUMN_KEYS,
        conditions::ELUENT_KEYS,
        analytes::KEYS,
        analytes::LEVEL_KEYS,
        limits::KEYS,
        steering::KEYS,
        steering::SPAN_KEYS,
        pumping::KEYS,
        pumping::SAMPLER_KEYS,
        plan::KEYS,
        plan::COLUMN_KEYS,
        plan::TRAY_KEYS,
    ];
    // The bottles of a gradient contradict the one bottle: they stand among what is explained.
    // Hours and days of a series contradict each other as well.
    let in_words = ["bottle", "time_d"];
    for key in keys.concat().into_iter().filter(|k| !in_words.contains(k)) {
        let shown =
            |l: &str| l.starts_with(&format!("{key} =")) || (l.starts_with('[') && l.contains(key));
        assert!(text.lines().any(shown), "{key} is not in the sample");
    }
}

#[test]
fn the_bottles_that_the_sample_explains_can_be_used() {
    let bottles: Vec<&str> = SAMPLE
        .lines()
        .skip_while(|l| *l != "#   [[eluent.bottle]]")
        .map_while(|l| l.strip_prefix("#   "))
        .collect();
    for key in pumping::BOTTLE_KEYS {
        let shown = |l: &&str| l.starts_with(&format!("{key} ="));
        assert!(bottles.iter().any(shown), "{key} is not in the sample");
    }
    let one = "bottle_ml = 1000\n# What must stay in the bottle, mL: the pump must never draw air.\nreserve_ml = 100\n";
    assert!(SAMPLE.contains(one));
    let text = SAMPLE.replace(one, "");
    let several = format!("{}\n\n# What the pump does", bottles.join("\n"));
    let text = text.replacen("\n# What the pump does", &several, 1);
    let method = read(&text).unwrap();
    let names: Vec<&str> = method
        .pumping
        .bottles
        .iter()
        .map(|b| b.name.as_str())
        .collect();
    assert_eq!(names, ["water", "methanol", "wash"]);
    assert_eq!(method.pumping.bottles[1].share_percent.after(16.0), 40.0);
    assert_eq!(method.pumping.bottles[0].after_percent, 50.0);
}

#[test]
fn mistakes_in_keys_are_named() {
    assert_eq!(
        instead("window_min", "windows_min"),
        "m.toml:7: unknown key analyte[1].windows_min, the nearest known key is window_min"
    );
    assert_eq!(
        instead("name = \"acids\"\n", ""),
        "m.toml:1: missing key name, expected the method's name"
    );
    assert_eq!(
        instead("[conditions]\nrun_time_min = 22.0\n", ""),
        "m.toml:1: missing key conditions, expected a table with run_time_min"
    );
    assert_eq!(
        instead("run_time_min = 22.0\n", ""),
        "m.toml:2: missing key conditions.run_time_min, expected the length of a run"
    );
    assert_eq!(
        instead("unit = \"mmol/L\"\n", ""),
        "m.toml:4: missing key analyte[1].unit, expected the unit of its concentrations"
    );
    assert_eq!(
        instead("retention_min = 12.90\n", ""),
        "m.toml:4: missing key analyte[1].retention_min, expected the expected retention in min"
    );
    assert_eq!(
        instead("window_min = 0.40\n", ""),
        "m.toml:4: missing key analyte[1].window_min, expected the half-width of the search window in min"
    );
    assert_eq!(
        instead("nominal = { \"lactic acid\" = 5.0 }\n", ""),
        "m.toml:9: missing key level[1].nominal, expected { \"analyte\" = concentration }"
    );
    assert_eq!(
        wrong("name = \"a\"\n"),
        "m.toml:1: missing key analyte, expected at least one [[analyte]]"
    );
    assert_eq!(
        wrong("name = \"a\"\nanalyte = []\n"),
        "m.toml:2: analyte: found 0, expected 1 to 500 analytes"
    );
    assert_eq!(
        added("[limits]\ntailing = 2"),
        "m.toml:13: unknown key limits.tailing, the nearest known key is tailing_max"
    );
    assert_eq!(
        added("[calibration]\nwieght = \"1\""),
        "m.toml:13: unknown key calibration.wieght, the nearest known key is weight"
    );
    assert_eq!(
        added("[column]\nlength = 300"),
        "m.toml:13: unknown key column.length, the nearest known key is length_mm"
    );
}

#[test]
fn mistakes_in_conditions_are_named() {
    let with = |line: &str| {
        instead(
            "run_time_min = 22.0",
            &format!("run_time_min = 22.0\n{line}"),
        )
    };
    let line = "m.toml:4: conditions.";
    assert_eq!(
        instead("22.0", "\"22\""),
        "m.toml:3: conditions.run_time_min: found \"22\", expected a number above 0 and at most 1440 min"
    );
    assert_eq!(
        instead("22.0", "12.9"),
        "m.toml:3: conditions.run_time_min: found 12.9, expected more than 12.9 min, the retention of \"lactic acid\""
    );
    assert_eq!(
        with("overhead_min = -1"),
        format!("{line}overhead_min: found -1, expected a number from 0 to 1440 min")
    );
    assert_eq!(
        with("flow_ml_min = 0"),
        format!("{line}flow_ml_min: found 0, expected a number above 0 and at most 100 mL/min")
    );
    assert_eq!(
        with("injection_ul = 0"),
        format!("{line}injection_ul: found 0, expected a number above 0 and at most 100000 µL")
    );
    assert_eq!(
        with("wavelength_nm = 21"),
        format!("{line}wavelength_nm: found 21, expected a number from 100 to 2000 nm")
    );
    assert_eq!(
        with("oven_c = 500"),
        format!("{line}oven_c: found 500, expected a number from -20 to 300 °C")
    );
    assert_eq!(
        with("detector_max_mau = inf"),
        format!(
            "{line}detector_max_mau: found inf, expected a number above 0 and at most 1000000000 mAU"
        )
    );
    assert_eq!(
        with("peak_width_s = 0"),
        format!("{line}peak_width_s: found 0, expected a number above 0 and at most 3600 s")
    );
    assert_eq!(
        added("[eluent]\nbottle_ml = 100\nreserve_ml = 100"),
        "m.toml:12: eluent: found a reserve_ml of 100 in a bottle_ml of 100, expected less"
    );
    assert_eq!(
        added("[eluent]\nname = 5"),
        "m.toml:13: eluent.name: found 5, expected the eluent's name"
    );
}

#[test]
fn mistakes_in_analytes_and_levels_are_named() {
    assert_eq!(
        instead("12.90", "0"),
        "m.toml:6: analyte[1].retention_min: found 0, expected a number above 0 and at most 1440 min"
    );
    assert_eq!(
        instead("0.40", "13"),
        "m.toml:4: analyte[1]: found a window_min of 13 at a retention_min of 12.9, expected less"
    );
    assert_eq!(
        instead("\"mmol/L\"", "\"\""),
        "m.toml:8: analyte[1].unit: found \"\", expected a unit, not empty and without blanks at its ends"
    );
    assert_eq!(
        instead("\"mmol/L\"", "\"mmol\\nL\""),
        "m.toml:8: analyte[1].unit: found \"mmol\\u{a}L\", expected a unit, on a single line"
    );
    assert_eq!(
        added("[[analyte]]\nname = \"Lactic acid\""),
        "m.toml:13: analyte[2].name: found \"Lactic acid\", expected a name that no other analyte has"
    );
    assert_eq!(
        added("[[level]]\nname = \"mid\""),
        "m.toml:13: level[2].name: found \"mid\", expected a name that no other level has"
    );
    assert_eq!(
        added("[[level]]\nname = 5"),
        "m.toml:13: level[2].name: found 5, expected a name"
    );
    assert_eq!(
        instead("{ \"lactic acid\"", "{ \"lactic acdi\""),
        "m.toml:11: level[1].nominal.\"lactic acdi\": found no analyte of this name, the nearest is \"lactic acid\""
    );
    assert_eq!(
        instead("{ \"lactic acid\"", "{ ethanol"),
        "m.toml:11: level[1].nominal.ethanol: found no analyte of this name"
    );
    assert_eq!(
        instead("5.0 }", "0 }"),
        "m.toml:11: level[1].nominal.\"lactic acid\": found 0, expected a number above 0 and at most 1000000000000 in the analyte's unit"
    );
    assert_eq!(
        instead("{ \"lactic acid\" = 5.0 }", "{}"),
        "m.toml:11: level[1].nominal: found no analyte, expected the concentration of at least one"
    );
    assert_eq!(
        instead("{ \"lactic acid\" = 5.0 }", "5.0"),
        "m.toml:11: level[1].nominal: found 5.0, expected a table"
    );
}

#[test]
fn windows_may_overlap_and_a_level_may_leave_analytes_out() {
    let text = format!(
        "{GOOD}[[analyte]]\nname = \"formic acid\"\nretention_min = 13.2\nwindow_min = 0.5\nunit = \"mg/L\"\n"
    );
    assert_eq!(read(&text).unwrap().levels[0].nominal, [Some(5.0), None]);
}

#[test]
fn mistakes_in_limits_are_named() {
    let limit = |line: &str| added(&format!("[limits]\n{line}"));
    let line = "m.toml:13: limits.";
    assert_eq!(
        limit("recovery_percent = [110, 90]"),
        format!("{line}recovery_percent: found [110, 90], expected the lower number first")
    );
    assert_eq!(
        limit("recovery_percent = [90, 90]"),
        format!("{line}recovery_percent: found [90, 90], expected the lower number first")
    );
    assert_eq!(
        limit("recovery_percent = [90]"),
        format!(
            "{line}recovery_percent: found a list of 1, expected two numbers in brackets, low and high"
        )
    );
    assert_eq!(
        limit("recovery_percent = 90"),
        format!("{line}recovery_percent: found 90, expected two numbers in brackets, low and high")
    );
    assert_eq!(
        limit("recovery_percent = [90, \"x\"]"),
        format!("{line}recovery_percent[2]: found \"x\", expected a number from 0 to 1000 %")
    );
    assert_eq!(
        limit("blank_noise_mau = -0.5"),
        format!(
            "{line}blank_noise_mau: found -0.5, expected a number above 0 and at most 1000000000 mAU"
        )
    );
    assert_eq!(
        limit("tailing_max = 0.5"),
        format!("{line}tailing_max: found 0.5, expected a number from 1 to 100")
    );
    assert_eq!(
        limit("calibration_r2_min = 99.5"),
        format!("{line}calibration_r2_min: found 99.5, expected a number from 0 to 1")
    );
    assert_eq!(
        limit("late_trace_min = true"),
        format!("{line}late_trace_min: found true, expected a number from 0 to 1440 min")
    );
    assert_eq!(
        limit("pressure_min_mpa = 18\npressure_max_mpa = 18"),
        "m.toml:12: limits: found a pressure_min_mpa of 18 and a pressure_max_mpa of 18, expected the minimum below the maximum"
    );
    assert_eq!(
        limit("pressure_normal_mpa = [12, 14]\npressure_max_mpa = 13.5"),
        "m.toml:12: limits: found a pressure_normal_mpa from 12 to 14 and a pressure_max_mpa of 13.5, expected the normal band below the maximum"
    );
}

#[test]
fn mistakes_in_the_fit_are_named() {
    let fit = |line: &str| added(&format!("[calibration]\n{line}"));
    assert_eq!(fit("weight = \"1/x2\"\nthrough_zero = true"), "no error");
    assert_eq!(fit("scatter_of = \"standards\""), "no error");
    assert_eq!(
        fit("scatter_of = \"samples\""),
        "m.toml:13: calibration.scatter_of: found \"samples\", expected \"calibrators\" or \"standards\""
    );
    assert_eq!(fit("quantify = \"bracketing\""), "no error");
    assert_eq!(
        fit("quantify = \"brackets\""),
        "m.toml:13: calibration.quantify: found \"brackets\", expected \"curve\" or \"bracketing\""
    );
    assert_eq!(
        fit("weight = \"1/y\""),
        "m.toml:13: calibration.weight: found \"1/y\", expected \"1\", \"1/x\" or \"1/x2\""
    );
    assert_eq!(
        fit("weight = 1"),
        "m.toml:13: calibration.weight: found 1, expected \"1\", \"1/x\" or \"1/x2\""
    );
    assert_eq!(
        fit("through_zero = \"no\""),
        "m.toml:13: calibration.through_zero: found \"no\", expected true or false"
    );
}

/// No limit takes another one's value: each key is given a number of its own.
#[test]
fn each_limit_is_read_from_its_own_key() {
    let text = format!(
        "{GOOD}[limits]\nblank_noise_mau = 1.5\nblank_drift_mau_per_h = 2.5\ncarry_over_percent_of_lowest = 3.5\n\
         recovery_percent = [4.5, 5.5]\nstandard_area_drift_percent = 6.5\nretention_shift_percent = 7.5\n\
         tailing_max = 8.5\nplates_min = 9.5\nresolution_min = 10.5\nreplicate_rsd_percent = 11.5\n\
         pressure_normal_mpa = [12.5, 13.5]\npressure_max_mpa = 14.5\npressure_min_mpa = 0.5\n\
         late_trace_min = 15.5\ncalibration_r2_min = 0.25\nback_calculated_percent = 16.5\n\
         back_calculated_lowest_percent = 17.5\n"
    );
    let expected = Limits {
        blank_noise_mau: 1.5,
        blank_drift_mau_per_h: 2.5,
        carry_over_percent_of_lowest: 3.5,
        recovery_percent: [4.5, 5.5],
        standard_area_drift_percent: 6.5,
        retention_shift_percent: 7.5,
        tailing_max: 8.5,
        plates_min: 9.5,
        resolution_min: 10.5,
        replicate_rsd_percent: 11.5,
        pressure_normal_mpa: Some([12.5, 13.5]),
        pressure_max_mpa: Some(14.5),
        pressure_min_mpa: Some(0.5),
        late_trace_min: 15.5,
        calibration_r2_min: 0.25,
        back_calculated_percent: 16.5,
        back_calculated_lowest_percent: 17.5,
    };
    assert_eq!(read(&text).unwrap().limits, expected);
}

#[test]
fn each_condition_is_read_from_its_own_key() {
    let lines = "run_time_min = 22.0\noverhead_min = 1\nflow_ml_min = 2\ninjection_ul = 3\nwavelength_nm = 204\n\
                 oven_c = 5\ndetector_max_mau = 6\npeak_width_s = 7\ndead_time_min = 8";
    let conditions = read(&GOOD.replace("run_time_min = 22.0", lines))
        .unwrap()
        .conditions;
    let expected = crate::method::Conditions {
        run_time_min: 22.0,
        overhead_min: 1.0,
        flow_ml_min: Some(2.0),
        injection_ul: Some(3.0),
        wavelength_nm: Some(204.0),
        oven_c: Some(5.0),
        detector_max_mau: Some(6.0),
        peak_width_s: Some(7.0),
        dead_time_min: Some(8.0),
    };
    assert_eq!(conditions, expected);
}

#[test]
fn a_calibration_may_be_quadratic() {
    let with = |key: &str| read(&format!("{GOOD}\n[calibration]\n{key}\n"));
    assert_eq!(
        with("model = \"quadratic\"").unwrap().fit.degree,
        Degree::Quadratic
    );
    assert_eq!(
        with("model = \"straight\"").unwrap().fit.degree,
        Degree::Straight
    );
    assert!(with("model = \"cubic\"").is_err());
}
