//! Keys that steer the integration.

use super::*;
use crate::method::{Area, Span, Steering};
use crate::signal::steer::Style;

#[test]
fn steering_is_read() {
    assert_eq!(
        read(GOOD).unwrap().analytes[0].steering,
        Steering::default()
    );
    let text = GOOD.replace(
        "unit =",
        "area = \"fitted\"\nbaseline = \"skim\"\nmin_signal_to_noise = 3\nbounds_min = [12.4, 13.6]\nunit =",
    );
    let text = format!(
        "{text}[integration]\nfit = true\n[[span]]\nfrom_min = 0\nto_min = 6.5\nno_peaks = true\n\
         [[span]]\nfrom_min = 7\nto_min = 8\nbaseline = \"valley\"\n"
    );
    let method = read(&text).unwrap();
    let expected = Steering {
        baseline: Some(Style::Skim),
        min_signal_to_noise: Some(3.0),
        bounds_min: Some([12.4, 13.6]),
        area: Area::Fitted,
    };
    assert_eq!(method.analytes[0].steering, expected);
    assert!(method.integration.fit);
    let span = |from_min, to_min, no_peaks, baseline| Span {
        from_min,
        to_min,
        no_peaks,
        baseline,
    };
    assert_eq!(
        method.integration.spans,
        [
            span(0.0, 6.5, true, None),
            span(7.0, 8.0, false, Some(Style::Valley))
        ]
    );
}

#[test]
fn mistakes_in_steering_are_named() {
    let key = |line: &str| instead("unit =", &format!("{line}\nunit ="));
    assert_eq!(
        key("area = \"fit\""),
        "m.toml:8: analyte[1].area: found \"fit\", expected \"classical\" or \"fitted\""
    );
    assert_eq!(
        key("base_line = \"drop\""),
        "m.toml:8: unknown key analyte[1].base_line, the nearest known key is baseline"
    );
    assert_eq!(
        key("baseline = \"flat\""),
        "m.toml:8: analyte[1].baseline: found \"flat\", expected \"valley\", \"drop\" or \"skim\""
    );
    assert_eq!(
        key("bounds_min = [13.0, 13.6]"),
        "m.toml:8: analyte[1].bounds_min: found [13, 13.6], expected bounds on both sides of the retention_min of 12.9"
    );
    assert_eq!(
        key("min_signal_to_noise = -1"),
        "m.toml:8: analyte[1].min_signal_to_noise: found -1, expected a number from 0 to 1000000"
    );
    assert_eq!(
        added("[[span]]\nfrom_min = 5\nto_min = 4"),
        "m.toml:14: span[1].to_min: found 4, expected more than the from_min of 5"
    );
    assert_eq!(
        added("[[span]]\nfrom_min = 5\nto_min = 6"),
        "m.toml:12: span[1]: found neither no_peaks = true nor a baseline, expected one of them"
    );
    assert_eq!(
        added("[[span]]\nfrom_min = 5\nto_min = 6\nno_peaks = true\nbaseline = \"drop\""),
        "m.toml:12: span[1]: found no_peaks = true and a baseline, expected one of them"
    );
    assert_eq!(
        added("[integration]\nfits = true"),
        "m.toml:13: unknown key integration.fits, the nearest known key is fit"
    );
    assert_eq!(
        instead(
            "run_time_min = 22.0",
            "run_time_min = 22.0\ndead_time_min = 13"
        ),
        "m.toml:4: conditions.dead_time_min: found 13, expected at most 12.9 min, the retention of \"lactic acid\""
    );
}
