use std::path::Path;

use super::*;
use crate::method::{Method, file};
use crate::plan::tray::Place;

const BASE: &str = r#"name = "m"
[conditions]
run_time_min = 22
[[analyte]]
name = "lactic acid"
retention_min = 12.9
window_min = 0.4
unit = "mmol/L"
[[level]]
name = "low"
nominal = { "lactic acid" = 1 }
[[level]]
name = "mid"
nominal = { "lactic acid" = 5 }
[[level]]
name = "high"
nominal = { "lactic acid" = 20 }
"#;

fn method(text: &str) -> Result<Method, String> {
    file::parse(&format!("{BASE}{text}"), Path::new("m.toml")).map_err(|e| e.to_string())
}

#[test]
fn without_the_table_the_defaults_serve() {
    let method = method("").unwrap();
    assert_eq!(method.plan, Plan::default());
    assert_eq!(method.plan.rotation(&method.levels), ["mid"]);
    assert!(method.plan.rotation(&[]).is_empty());
}

#[test]
fn every_key_is_read() {
    let plan = method(
        r#"[plan]
name = "{crock} day {day}"
file = "{date}-{crock}-{replicate}-{position}"
other_file = "{date}-{kind}-{position}"
conditioning = 2
conditioning_level = "high"
calibrators = { high = 2, low = 1 }
standard_levels = ["mid", "high"]
standards_per_checkpoint = 2
samples_between = 6
blank_first = false
blank_last = false
shutdown = true
replicates = 3
replicate_order = "spread"
random_order = true
injections_per_vial = 10
[plan.columns]
series = "crock"
time_d = "day"
dilution = "dil"
[plan.tray]
rows = 2
columns = 3
trays = 2
labels = "letters"
taken = [1, "2:B1-B3"]
"#,
    )
    .unwrap()
    .plan;
    assert_eq!(plan.name.text(), "{crock} day {day}");
    assert_eq!(plan.other_file.text(), "{date}-{kind}-{position}");
    assert_eq!(
        (plan.conditioning, plan.conditioning_level.as_deref()),
        (2, Some("high"))
    );
    assert_eq!(
        plan.calibrators,
        [("high".to_owned(), 2), ("low".to_owned(), 1)]
    );
    assert_eq!(plan.standard_levels, ["mid", "high"]);
    assert_eq!(
        (
            plan.standards_per_checkpoint,
            plan.samples_between,
            plan.replicates
        ),
        (2, 6, 3)
    );
    assert_eq!(
        (plan.blank_first, plan.blank_last, plan.random_order),
        (false, false, true)
    );
    assert_eq!(plan.replicate_order, ReplicateOrder::Spread);
    assert_eq!(plan.injections_per_vial, Some(10));
    assert_eq!(plan.columns.time_d.as_deref(), Some("day"));
    let tray = plan.tray.unwrap();
    let mut taken: Vec<Place> = tray.taken.iter().copied().collect();
    taken.sort();
    let at = |tray, number| Place { tray, number };
    assert_eq!(taken, [at(0, 0), at(1, 0), at(1, 3), at(1, 4), at(1, 5)]);
}

#[test]
fn mistakes_name_line_and_key() {
    for (text, message) in [
        (
            "sample_between = 8",
            "m.toml:19: unknown key plan.sample_between, the nearest known key is samples_between",
        ),
        (
            "samples_between = 0",
            "m.toml:19: plan.samples_between: found 0, expected a whole number from 1 to 1000",
        ),
        (
            "name = \"{crock\"",
            "m.toml:19: plan.name: found \"{crock\" with a { that is never closed, expected {column}",
        ),
        (
            "standard_levels = []",
            "m.toml:19: plan.standard_levels: found an empty list, expected at least one level",
        ),
        (
            "standard_levels = [\"midd\"]",
            "m.toml:19: plan.standard_levels[1]: found \"midd\", expected a level of the method; the nearest is \"mid\"",
        ),
        (
            "calibrators = { L9 = 1 }",
            "m.toml:19: plan.calibrators.L9: found \"L9\", expected a level of the method: \"low\", \"mid\" or \"high\"",
        ),
        (
            "calibrators = { low = 0 }",
            "m.toml:19: plan.calibrators.low: found 0, expected a whole number from 1 to 100",
        ),
        (
            "replicate_order = \"mixed\"",
            "m.toml:19: plan.replicate_order: found \"mixed\", expected \"sequence\" or \"spread\"",
        ),
        (
            "columns = { time_h = \"a\", time_d = \"b\" }",
            "m.toml:19: plan.columns.time_d: found a column for time_h as well, expected one of them",
        ),
        (
            "tray = { rows = 4 }",
            "m.toml:19: missing key plan.tray.columns, expected the places in a row",
        ),
        (
            "tray = { rows = 2, columns = 3, taken = [\"C1\"] }",
            "m.toml:19: plan.tray.taken[1]: found \"C1\", expected a place from 1 to 6, with a tray before it where one is meant (1:6)",
        ),
    ] {
        assert_eq!(
            method(&format!("[plan]\n{text}\n")).map(|_| ()),
            Err(message.to_owned())
        );
    }
}
