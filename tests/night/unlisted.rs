//! Traces that no run list names.

use crate::chromatogram::{both, trace};
use crate::lab::{Lab, program};
use crate::runlist::{sample, standard};

#[test]
fn without_a_run_list_every_trace_is_a_sample_named_by_its_stem() {
    let lab = Lab::new();
    lab.export("crock A", &both(3.0));
    lab.export("brine-7", &both(4.0));
    lab.process().ends(0);
    let sheet = lab.sheet("unlisted-2026-09-21");
    assert_eq!(
        sheet.column("name"),
        ["crock A", "crock A", "brine-7", "brine-7"]
    );
    for position in [1, 2] {
        assert_eq!(
            sheet.verdict(position),
            "provisional unlisted-trace bracket-open"
        );
    }
    sheet.row(2, "acetic acid").close("concentration", 4.0, 1.0);
    let alerts = lab.alerts("unlisted-2026-09-21");
    assert_eq!(alerts.column("check"), ["unlisted-trace"; 2]);
    assert_eq!(alerts.column("told"), ["summary"; 2]);
    assert!(lab.messages().is_empty());
}

#[test]
fn a_stray_trace_does_not_disturb_the_queue() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    for (k, c) in [(1, 5.0), (2, 3.0), (3, 5.0)] {
        lab.export(&format!("crocks-{k:02}"), &both(c));
    }
    lab.export("stray", &both(1.0));
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").verdict(2), "accepted");
    assert_eq!(
        lab.sheet("unlisted-2026-09-21").column("name"),
        ["stray"; 2]
    );
}

#[test]
fn a_name_pattern_says_what_a_trace_is() {
    let lab = Lab::new().station("name_pattern = \"{position}_{kind}_{level}_{name}\"");
    lab.export("03_standard_mid_check", &both(5.0));
    lab.export("01_standard_mid_check", &both(5.0));
    lab.export("02_sample__crock A", &both(3.0));
    lab.process().ends(0);
    let sheet = lab.sheet("unlisted-2026-09-21");
    assert_eq!(sheet.column("position"), ["1", "1", "2", "2", "3", "3"]);
    assert_eq!(sheet.verdict(2), "accepted unlisted-trace");
    assert_eq!(sheet.row(2, "lactic acid").text("name"), "crock A");
    assert_eq!(sheet.row(2, "lactic acid").text("kind"), "sample");
    sheet
        .row(3, "lactic acid")
        .close("recovery_percent", 100.0, 1.0);
}

#[test]
fn names_that_give_no_position_stand_in_the_order_of_their_time() {
    let lab = Lab::new();
    for name in ["zebra", "apple", "mango"] {
        lab.export(name, &trace());
    }
    lab.process().ends(0);
    let sheet = lab.sheet("unlisted-2026-09-21");
    let names: Vec<&str> = sheet.column("name").into_iter().step_by(2).collect();
    assert_eq!(names, ["zebra", "apple", "mango"]);
}

#[test]
fn single_files_can_be_processed() {
    let lab = Lab::new();
    lab.export("one", &both(3.0));
    lab.export("two", &both(3.0));
    let one = lab.named("exports/one.csv");
    let done = lab.run(&["process", &one]).ends(0);
    assert!(done.stdout.contains("1 trace processed"), "{}", done.stdout);
    assert_eq!(lab.sheet("unlisted-2026-09-21").column("name"), ["one"; 2]);
    let nowhere = lab.named("exports/three.csv");
    let done = lab.run(&["process", &nowhere]).ends(3);
    assert!(done.stderr.contains("three.csv"), "{}", done.stderr);
}

#[test]
fn dates_and_times_are_those_of_the_laboratory() {
    let lab = Lab::new();
    // 18:23 UTC is the next morning in Tokyo.
    lab.export("one", &both(3.0));
    let mut command = program();
    command
        .args(["process", "exports"])
        .current_dir(lab.root())
        .env("TZ", "Asia/Tokyo");
    let done = command.output().unwrap();
    assert_eq!(
        done.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let sheet = lab.sheet("unlisted-2026-09-22");
    assert!(
        sheet
            .column("landed_at")
            .iter()
            .all(|t| t.ends_with("+09:00")),
        "{sheet:#?}"
    );
}

#[test]
fn a_pattern_that_names_an_unknown_level_stops_nothing() {
    let lab = Lab::new().station("name_pattern = \"{position}_{kind}_{level}\"");
    lab.export("1_standard_mid", &both(5.0));
    lab.export("2_sample_", &both(3.0));
    lab.export("3_standard_middle", &both(5.0));
    lab.process();
    let sheet = lab.sheet("unlisted-2026-09-21");
    assert_eq!(sheet.rows.len(), 6);
    assert!(sheet.row(3, "lactic acid").is_empty("recovery_percent"));
    assert_ne!(
        sheet.row(2, "lactic acid").text("verdict"),
        "accepted",
        "that standard vouches for nothing"
    );
}

#[test]
fn two_instruments_keep_to_their_own_folders() {
    let second = "\n[[station]]\nname = \"sugars\"\nwatch = \"others\"\nmethod = \"method.toml\"\ncalibration = \"calibration.toml\"\nsettle_s = 0.2\n";
    let lab = Lab::new().section(second);
    std::fs::create_dir(lab.root().join("others")).unwrap();
    let mut daemon = lab.watch();
    lab.export("one", &both(3.0));
    lab.export_as("others/two.csv", &both(4.0).text("2"));
    let names = |station: &str| {
        let path = lab
            .root()
            .join("results")
            .join(station)
            .join("unlisted-2026-09-21/sheet.csv");
        crate::table::Table::read(&path).column("name").join(" ")
    };
    daemon.wait_until("both have their trace", || {
        names("acids") == "one one" && names("sugars") == "two two"
    });
    daemon.stop();
    lab.process().ends(0);
    let others = lab.named("others");
    lab.run(&["process", &others]).ends(0);
    assert_eq!(
        (names("acids"), names("sugars")),
        ("one one".to_owned(), "two two".to_owned())
    );
}
