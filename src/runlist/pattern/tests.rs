use proptest::prelude::*;

use super::*;

fn apply(pattern: &str, stem: &str) -> Option<Named> {
    Pattern::parse(pattern).unwrap().apply(stem)
}

const ALL: &str = "{position}_{kind}_{level}_{name}_{series}_{time_h}_{replicate}";

#[test]
fn a_name_says_what_its_pattern_says() {
    let named = apply(ALL, "012_Standard_mid_mid_check__0.5_a").unwrap();
    let expected = Named {
        position: Some(12),
        kind: Kind::Standard,
        level: "mid".to_owned(),
        name: "mid_check".to_owned(),
        time_h: Some(0.5),
        replicate: "a".to_owned(),
        ..Named::unsaid("")
    };
    assert_eq!(named, expected);
    let injection = apply("{name}-{dilution}x", "crock 1-2,5x")
        .unwrap()
        .into_injection("crock 1-2,5x", 9);
    assert_eq!(
        (injection.position, injection.kind, injection.dilution),
        (9, Kind::Sample, 2.5)
    );
    assert_eq!(
        (injection.name.as_str(), injection.stem.as_str()),
        ("crock 1", "crock 1-2,5x")
    );
}

#[test]
fn the_name_takes_what_the_others_leave() {
    assert_eq!(
        apply("{position}_{name}_{replicate}", "3_crock_a_2")
            .unwrap()
            .name,
        "crock_a"
    );
    assert_eq!(
        apply("{series}_{*}_{replicate}", "crock_of_beet_2")
            .unwrap()
            .series,
        "crock"
    );
    assert_eq!(
        apply("{series}_{level}", "crock_of_beet").unwrap().level,
        "of_beet"
    );
    assert_eq!(
        apply("run {*} {name}", "run 2026-01-02 crock 1")
            .unwrap()
            .name,
        "crock 1"
    );
    assert_eq!(apply("{*}_{name}_{*}", "x__y").map(|n| n.name), None);
}

#[test]
fn a_stem_that_does_not_fit_says_nothing() {
    let fits = |pattern: &str, stem: &str| apply(pattern, stem).is_some();
    assert!(fits("a{position}b", "a1b"));
    for stem in [
        "a0b",
        "a-1b",
        "a+1b",
        "ab",
        "a1",
        "1b",
        "a1.5b",
        "a99999999999999999999b",
    ] {
        assert!(!fits("a{position}b", stem), "{stem}");
    }
    assert!(!fits("{kind}_{name}", "sampel_x"));
    assert!(!fits("{kind}_{name}", "sample_"));
    assert!(!fits("{kind}_{name}", "sample"));
    for time in ["x", "nan", "inf", "1e400", "1e7"] {
        assert!(!fits("{time_h}_{name}", &format!("{time}_x")), "{time}");
    }
    assert!(!fits("{dilution}_{name}", "0_x"));
    assert!(!fits("{volume_ul}_{name}", "_x"));
    assert!(fits("{time_h}_{name}", "_x"));
}

#[test]
fn mistakes_in_patterns_are_named() {
    let wrong = |text: &str| Pattern::parse(text).err().unwrap_or_default();
    let stray = "with a brace without its partner, expected placeholders such as {name}";
    assert_eq!(
        wrong("plain"),
        "found \"plain\", expected at least one placeholder such as {name}"
    );
    assert_eq!(wrong("{name"), format!("found \"{{name\" {stray}"));
    assert_eq!(wrong("name}"), format!("found \"name}}\" {stray}"));
    assert_eq!(wrong("{name}}"), format!("found \"{{name}}}}\" {stray}"));
    assert_eq!(
        wrong("{nmae}"),
        "found the placeholder \"nmae\", expected a known one; the nearest is \"name\""
    );
    assert_eq!(
        wrong("{name}_{name}"),
        "found {name} twice, expected each placeholder once"
    );
    assert_eq!(
        wrong("{kind}{name}"),
        "found nothing before {name}, expected text that parts it from the placeholder before it"
    );
    let all = "\"position\", \"tray\", \"vial\", \"kind\", \"name\", \"volume_ul\", \"dilution\", \"level\", \"series\", \"time_h\", \"replicate\" or \"*\"";
    assert_eq!(
        wrong("{}"),
        format!("found the placeholder \"\", expected {all}")
    );
}

proptest! {
    #[test]
    fn nothing_makes_it_panic(pattern in "[{}a-b_*]{0,20}|(\\{(name|kind|\\*)\\}_?){1,4}", stem in "[a-b_é]{0,20}") {
        if let Ok(pattern) = Pattern::parse(&pattern) {
            let _ = pattern.apply(&stem);
        }
    }
}
