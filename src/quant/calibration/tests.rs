use super::*;
use crate::method::{Conditions, Degree, Level, Limits, Weight};
use crate::quant::calibration::area_table::AreaTable;
use crate::quant::calibration::judge::What;
use proptest::prelude::*;

mod tables;
use tables::read;

pub(crate) const AREAS: &str = include_str!("../../../tests/reference/areas_example.csv");

pub(crate) fn method() -> Method {
    let analyte = |name: &str, at: f64| Analyte {
        name: name.to_owned(),
        retention_min: at,
        window_min: 0.4,
        unit: "mmol/L".to_owned(),
        molar_mass_g_mol: None,
        steering: Default::default(),
    };
    let level = |name: &str, x: f64| Level {
        name: name.to_owned(),
        nominal: vec![Some(x), (name != "top").then_some(x / 2.0)],
    };
    Method {
        name: "organic acids in brine".to_owned(),
        conditions: Conditions {
            run_time_min: 22.0,
            overhead_min: 0.0,
            flow_ml_min: None,
            injection_ul: None,
            wavelength_nm: None,
            oven_c: None,
            detector_max_mau: None,
            peak_width_s: None,
            dead_time_min: None,
        },
        column: None,
        eluent: None,
        pumping: Default::default(),
        analytes: vec![analyte("lactic acid", 12.9), analyte("acetic acid", 15.2)],
        levels: [("low", 0.5), ("mid", 5.0), ("high", 20.0), ("top", 40.0)]
            .map(|(n, x)| level(n, x))
            .to_vec(),
        limits: Limits::default(),
        fit: Fit {
            weight: Weight::InverseX,
            through_zero: false,
            degree: Degree::Straight,
        },
        integration: Default::default(),
        plan: Default::default(),
        scatter: Default::default(),
        quantify: Default::default(),
        sha256: "5f".repeat(32),
    }
}

pub(crate) fn meta() -> Meta {
    Meta {
        name: "brine acids, autumn".to_owned(),
        method_name: "organic acids in brine".to_owned(),
        method_sha256: "5f".repeat(32),
        created: "2026-03-01T21:14:05+01:00".to_owned(),
        program_version: "0.1.0".to_owned(),
    }
}

/// Two analytes, levels in duplicate.
pub(crate) fn example() -> Calibration {
    let method = method();
    let table = AreaTable::read(AREAS, &method, "areas.csv", &"ab".repeat(32)).unwrap();
    Calibration::fit(table.points, &method.analytes, method.fit, meta()).unwrap()
}

#[test]
fn the_file_gives_back_the_calibration() {
    let calibration = example();
    let text = calibration.to_toml(&Limits::default());
    let back = Calibration::from_toml(&text).unwrap();
    assert_eq!(back, calibration);
    assert_eq!(back.to_toml(&Limits::default()), text);
    assert!(text.contains("# R²") && text.starts_with('#'));
    assert_eq!(
        Calibration::from_toml(&text.replace('\n', "\r\n")).unwrap(),
        calibration
    );
}

/// Bent, with blanks and peak heights.
fn bent(through_zero: bool) -> Calibration {
    let method = method();
    let mut points = example().points;
    for p in &mut points {
        p.area_mau_s -= 0.6 * p.nominal * p.nominal;
        p.height_mau = Some(p.area_mau_s / 25.1);
    }
    let blank = |analyte: &str, area_mau_s| Blank {
        analyte: analyte.to_owned(),
        area_mau_s,
        noise_mau: Some(0.07),
        trace: "b.csv".to_owned(),
        sha256: "cd".repeat(32),
    };
    let blanks = vec![
        blank("acetic acid", None),
        blank("lactic acid", Some(0.3)),
        blank("lactic acid", None),
    ];
    let fit = Fit {
        degree: Degree::Quadratic,
        through_zero,
        ..method.fit
    };
    Calibration::fit_with_blanks(points, blanks, &method.analytes, fit, meta()).unwrap()
}

#[test]
fn a_bent_calibration_with_blanks_survives_its_file() {
    for through_zero in [false, true] {
        let calibration = bent(through_zero);
        let text = calibration.to_toml(&Limits::default());
        assert_eq!(Calibration::from_toml(&text).unwrap(), calibration);
        for part in [
            "model = \"quadratic\"",
            "+ quadratic × concentration²",
            "sigma_from = \"blank noise\"",
            "noise_mau = 0.07",
            "# usable range",
            "# standard error of quadratic",
            "# residual ",
        ] {
            assert!(text.contains(part), "{part} is not in {text}");
        }
        let caught = |changed: String| {
            assert_ne!(text, changed);
            Calibration::from_toml(&changed).unwrap_err().to_string()
        };
        let e = caught(with_line(&text, "quadratic =", "quadratic = -0.61"));
        assert!(
            e.contains("`curve[0].quadratic`") && e.contains("changed by hand"),
            "{e}"
        );
        let e = caught(with_line(&text, "quadratic =", ""));
        assert!(e.contains("has no `quadratic`"), "{e}");
        let e = caught(with_line(&text, "sigma =", "sigma = 0.01"));
        assert!(e.contains("`curve[0].sigma`"), "{e}");
        let e = caught(with_line(&text, "sigma_from", "sigma_from = \"residuals\""));
        assert!(
            e.contains("`curve[0].sigma_from`") && e.contains("blank noise"),
            "{e}"
        );
        let e = caught(with_line(&text, "model", "model = \"straight\""));
        assert!(e.contains("changed by hand"), "{e}");
        let e = caught(text.replacen("noise_mau = 0.07", "noise_mau = inf", 1));
        assert!(e.contains("curve[0].blanks[0].noise_mau"), "{e}");
        assert!(caught(text.replacen("noise_mau = 0.07", "noise_mau = 0.09", 1)).contains("sigma"));
    }
}

/// Files of the first layout had no model, no sigma and no blanks.
#[test]
fn a_file_without_the_newer_keys_is_read() {
    let calibration = example();
    let text = calibration.to_toml(&Limits::default());
    let old: Vec<&str> = text
        .lines()
        .filter(|l| !l.starts_with("model") && !l.starts_with("sigma"))
        .collect();
    assert_eq!(
        Calibration::from_toml(&old.join("\n")).unwrap(),
        calibration
    );
}

#[test]
fn a_calibration_in_other_units_reads_off_the_same_amount() {
    let mut method = method();
    let calibration = example();
    let same = calibration.in_units_of(&method.analytes).unwrap();
    assert_eq!(same, (calibration.clone(), Vec::new()));
    method.analytes[0].unit = "mg/L".to_owned();
    let e = calibration
        .in_units_of(&method.analytes)
        .unwrap_err()
        .to_string();
    assert!(e.contains("molar_mass_g_mol") && e.contains("anew"), "{e}");
    method.analytes[0].molar_mass_g_mol = Some(90.08);
    let (converted, notes) = calibration.in_units_of(&method.analytes).unwrap();
    assert_eq!(
        notes,
        ["lactic acid: calibrated in mmol/L, converted to mg/L (times 90.08)"]
    );
    let (a, b) = (&calibration.curves[0], &converted.curves[0]);
    assert_eq!(
        (b.unit.as_str(), &converted.curves[1]),
        ("mg/L", &calibration.curves[1])
    );
    let (p, q) = (a.predict(500.0, 1), b.predict(500.0, 1));
    for (p, q) in [
        (p.x, q.x),
        (p.se, q.se),
        (p.low_95, q.low_95),
        (a.loq, b.loq),
    ] {
        assert!((q / p / 90.08 - 1.0).abs() < 1e-12, "{p} {q}");
    }
    method.analytes[0].unit = "drops".to_owned();
    let e = calibration
        .in_units_of(&method.analytes)
        .unwrap_err()
        .to_string();
    assert!(e.contains("`drops`"), "{e}");
}

fn refused(change: impl Fn(&str) -> String) -> String {
    let text = example().to_toml(&Limits::default());
    let changed = change(&text);
    assert_ne!(text, changed, "the change must change something");
    Calibration::from_toml(&changed).unwrap_err().to_string()
}

fn with_line(text: &str, begins: &str, new: &str) -> String {
    let mut done = false;
    let lines = text.lines().map(|l| {
        if !done && l.trim_start().starts_with(begins) {
            done = true;
            new.to_owned()
        } else {
            l.to_owned()
        }
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn a_hand_edited_file_is_caught() {
    let slope = example().curves[0].slope();
    let e = refused(|t| with_line(t, "slope", &format!("slope = {:e}", slope * (1.0 + 1e-8))));
    assert!(
        e.contains("`curve[0].slope`") && e.contains("changed by hand") && e.starts_with("line "),
        "{e}"
    );
    let e = refused(|t| t.replacen("area_mau_s = 61.2", "area_mau_s = 61.3", 1));
    assert!(e.contains("changed by hand"), "{e}");
    assert!(
        refused(|t| with_line(t, "intercept", "intercept = 1.0")).contains("curve[0].intercept")
    );
    assert!(
        refused(|t| with_line(t, "residual_sd", "residual_sd = 1.0"))
            .contains("curve[0].residual_sd")
    );
    assert!(
        refused(|t| t.replacen("weight = \"1/x\"", "weight = \"1/x2\"", 1))
            .contains("changed by hand")
    );
}

#[test]
fn a_file_that_is_none_says_where() {
    let e = refused(|t| with_line(t, "slope", "slope = nan"));
    assert!(e.contains("curve[0].slope") && e.contains("finite"), "{e}");
    let line = example()
        .to_toml(&Limits::default())
        .lines()
        .position(|l| l.starts_with("slope"))
        .unwrap()
        + 1;
    assert!(e.starts_with(&format!("line {line}:")), "{e}");
    let e = refused(|t| with_line(t, "slope", "slpe = 1.0"));
    assert!(
        e.contains("slpe") && e.contains("did you mean `slope`"),
        "{e}"
    );
    let e = refused(|t| with_line(t, "unit", ""));
    assert!(e.contains("unit"), "{e}");
    let e = refused(|t| t.replacen("nominal = 0.5", "nominal = inf", 1));
    assert!(e.contains("curve[0].points[0].nominal"), "{e}");
    let e = refused(|t| t.replacen("nominal = 0.5", "nominal = -0.5", 1));
    assert!(e.contains("below zero"), "{e}");
    assert!(refused(|t| t.replacen("nominal = 0.5", "nominal = 0.6", 1)).contains("`low`"));
    assert!(
        refused(|t| t.replacen("analyte = \"acetic acid\"", "analyte = \"lactic acid\"", 1))
            .contains("already")
    );
    assert!(refused(|t| t.replacen("format = 1", "format = 2", 1)).contains("layout 2"));
    assert!(refused(|t| t.split("\n[[curve]]").next().unwrap().to_owned()).contains("no curve"));
    assert!(refused(|t| format!("{t}\nx = [")).contains("line "));
    assert!(Calibration::from_toml("").is_err());
}

#[test]
fn wild_names_survive_the_file() {
    let mut method = method();
    let name = "a\"b\\c\n[[x]]\u{202e} é\t'''";
    method.analytes[0].name = name.to_owned();
    method.analytes[0].unit = "m\nol".to_owned();
    let areas = [0.5, 5.1, 20.0].iter().zip(["low", "mid", "high"]);
    let points = areas
        .map(|(a, l)| Point::of_method(&method, l, name, *a, "t\n.csv", "").unwrap())
        .collect();
    let calibration =
        Calibration::fit(points, &method.analytes, method.fit, Meta::default()).unwrap();
    assert_eq!(
        Calibration::from_toml(&calibration.to_toml(&Limits::default())).unwrap(),
        calibration
    );
}

#[test]
fn limits_name_what_is_missed() {
    let calibration = example();
    assert_eq!(calibration.acceptable(&Limits::default()), []);
    let tight = Limits {
        calibration_r2_min: 0.99999999,
        back_calculated_percent: 0.1,
        back_calculated_lowest_percent: 0.05,
        ..Limits::default()
    };
    let misses = calibration.acceptable(&tight);
    assert!(
        misses
            .iter()
            .any(|m| m.what == What::R2 && m.analyte == "acetic acid" && m.measured < m.limit)
    );
    let lowest = misses
        .iter()
        .find(|m| m.what == What::BackCalculated && m.level.as_deref() == Some("low"))
        .unwrap();
    assert_eq!((lowest.limit, lowest.unit), (0.05, "%"));
    assert!(
        lowest
            .message
            .starts_with("lactic acid: lowest level `low` (0.5 mmol/L)"),
        "{}",
        lowest.message
    );
    let met = Limits {
        calibration_r2_min: calibration.curves[0].r2().min(calibration.curves[1].r2()),
        ..Limits::default()
    };
    assert_eq!(calibration.acceptable(&met), []);
}

#[test]
fn points_must_belong_to_the_method() {
    let method = method();
    let e = |level: &str, analyte: &str| {
        Point::of_method(&method, level, analyte, 1.0, "", "")
            .unwrap_err()
            .to_string()
    };
    assert_eq!(
        e("lo", "lactic acid"),
        "the method has no level `lo`; did you mean `low`?"
    );
    assert_eq!(
        e("low", "latic acid"),
        "the method has no analyte `latic acid`; did you mean `lactic acid`?"
    );
    assert!(e("top", "acetic acid").contains("no nominal concentration"));
    let mut points = example().points;
    points[0].analyte = "lactic acd".to_owned();
    let error = Calibration::fit(points, &method.analytes, method.fit, meta()).unwrap_err();
    assert!(error.to_string().contains("did you mean `lactic acid`"));
    assert_eq!(
        Calibration::fit(Vec::new(), &method.analytes, method.fit, meta()),
        Err(CalibrationError::NoPoints)
    );
}

#[test]
fn analytes_without_points_are_named_and_bad_ones_all_told() {
    let method = method();
    let own: Vec<Point> = example()
        .points
        .into_iter()
        .filter(|p| p.analyte == "acetic acid")
        .collect();
    let one = Calibration::fit(own, &method.analytes, method.fit, meta()).unwrap();
    assert_eq!(one.without_curve(&method.analytes), ["lactic acid"]);
    assert!(one.curve("acetic acid").is_some());
    let mut points = example().points;
    points.iter_mut().for_each(|p| p.area_mau_s = 0.0);
    let error = Calibration::fit(points, &method.analytes, method.fit, meta())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("lactic acid: every area is zero") && error.contains("acetic acid: "),
        "{error}"
    );
}

proptest! {
    #[test]
    fn any_table_and_any_file_is_survived(text in "\\PC{0,200}", rows in "[a-z,;\"\n0-9.\t]{0,80}") {
        let _ = read(&text);
        let _ = read(&format!("level,analyte,area_mau_s\n{rows}"));
        let _ = Calibration::from_toml(&text);
    }

    #[test]
    fn every_calibration_survives_its_file(
        areas in proptest::collection::vec(0.95..1.05_f64, 8..9), scale in 1e-8..1e8_f64, rule in 0..3_usize, through_zero in proptest::bool::ANY
    ) {
        let method = method();
        let weight = [Weight::One, Weight::InverseX, Weight::InverseX2][rule];
        let points = areas.iter().enumerate().map(|(i, e)| {
            let level = &method.levels[i % 4];
            Point::of_method(&method, &level.name, "lactic acid", level.nominal[0].unwrap() * e * scale, "t.csv", "").unwrap()
        });
        let calibration = Calibration::fit(points.collect(), &method.analytes, Fit { weight, through_zero, degree: Degree::Straight }, meta()).unwrap();
        prop_assert_eq!(Calibration::from_toml(&calibration.to_toml(&Limits::default())).unwrap(), calibration);
    }

    #[test]
    fn a_damaged_file_never_passes_for_another(at in 0..10_000_usize, byte in 32..127_u8) {
        let calibration = example();
        let mut bytes = calibration.to_toml(&Limits::default()).into_bytes();
        let at = at % bytes.len();
        bytes[at] = byte;
        if let Ok(text) = String::from_utf8(bytes)
            && let Ok(read) = Calibration::from_toml(&text)
        {
            for (a, b) in read.curves.iter().zip(&calibration.curves) {
                prop_assert!((a.slope() / b.slope() - 1.0).abs() < 1e-8);
            }
        }
    }
}
