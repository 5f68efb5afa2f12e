//! What belongs to which folder: results, run lists and other stations' traces are nobody's traces, however the folders
//! are spelled and reached.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

use crate::chromatogram::both;
use crate::lab::Lab;
use crate::runlist::{csv, sample};

/// A second station that watches this folder.
fn sugars(watch: &str, run_list: &str) -> String {
    format!(
        "\n[[station]]\nname = \"sugars\"\nwatch = \"{watch}\"\nrun_list = \"{run_list}\"\nmethod = \"method.toml\"\ncalibration = \"calibration.toml\"\nsettle_s = 0.2\n"
    )
}

/// Names of every sheet of the other station, each once.
fn others(lab: &Lab) -> Vec<String> {
    let queues = fs::read_dir(lab.root().join("results/sugars"));
    let sheets = queues.into_iter().flatten().flatten();
    let mut names: Vec<String> = sheets
        .flat_map(|q| crate::table::Table::read(&q.path().join("sheet.csv")).rows)
        .map(|row| row.text("name").to_owned())
        .collect();
    names.dedup();
    names
}

#[test]
fn beside_run_lists_outside_the_watched_folder_nothing_is_a_trace() {
    let lab = Lab::new()
        .station("run_list = \"*.runlist.csv\"")
        .section(&sugars("others", "*.sugars.csv"));
    fs::create_dir(lab.root().join("others")).unwrap();
    let list = lab.write("crocks.runlist.csv", &csv("crocks", &[sample("one")]));
    crate::lab::date(&list, 0);
    lab.write("samples.csv", "name\ncrock 1\n");
    lab.write("deeper/notes.txt", "vials are in the fridge\n");
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(3.0));
    lab.export_as("others/two.csv", &both(4.0).text("two"));
    daemon.wait_until("both stations have their trace", || {
        !lab.all_names().is_empty() && !others(&lab).is_empty()
    });
    // What lies there longer than this file, and could be taken for a trace, would be told before it.
    lab.export_as("exports/torn.csv", "no trace\n");
    daemon.wait_until("a torn trace is told", || {
        lab.messages().keys().any(|n| n.contains("torn"))
    });
    daemon.stop();
    let told: Vec<String> = lab.messages().into_keys().collect();
    assert_eq!(told.len(), 1, "{told:?}");
    let names: Vec<String> = lab.all_names().into_iter().collect();
    assert_eq!(names, ["one", "torn"]);
    assert_eq!(others(&lab), ["two"]);
    assert!(lab.results("crocks").join("sheet.csv").exists());
}

#[test]
fn results_are_no_traces_though_a_link_leads_to_them() {
    let lab = Lab::new();
    fs::create_dir(lab.exports().join("results")).unwrap();
    std::os::unix::fs::symlink(lab.exports().join("results"), lab.root().join("results")).unwrap();
    lab.export("one", &both(3.0));
    lab.process().ends(0);
    let first = lab.files("exports");
    let again = lab.process().ends(0);
    let expected = "0 traces processed, 1 known already";
    assert!(again.stdout.contains(expected), "{}", again.stdout);
    assert!(
        first == lab.files("exports"),
        "a second run changed something"
    );
    let check = lab.run(&["check"]);
    assert!(
        check.stdout.contains("exports: 1 file\n"),
        "{}",
        check.text()
    );
}

#[test]
fn results_are_no_traces_though_they_lie_in_what_is_processed() {
    let lab = Lab::new().section(&sugars("others", "others/*.runlist.csv"));
    lab.export("one", &both(3.0));
    lab.export_as("others/two.csv", &both(4.0).text("two"));
    fs::remove_file(lab.root().join("areas.csv")).unwrap();
    let root = lab.named("");
    for expected in ["1 trace processed, 0 known", "0 traces processed, 1 known"] {
        let done = lab.run(&["process", &root, "--station", "acids"]).ends(0);
        assert!(done.stdout.contains(expected), "{}", done.stdout);
    }
    assert!(lab.messages().is_empty());
}

#[test]
fn a_results_folder_that_is_the_watched_one_by_a_link_is_refused() {
    let lab = Lab::new();
    std::os::unix::fs::symlink(lab.exports(), lab.root().join("results")).unwrap();
    let done = lab.process().ends(2);
    let expected = "the folder that station \"acids\" watches";
    assert!(done.stderr.contains(expected), "{}", done.stderr);
}

#[test]
fn a_folder_that_another_station_watches_is_that_stations() {
    let lab = Lab::new().section(&sugars("exports/others", "exports/others/*.runlist.csv"));
    lab.export("one", &both(3.0));
    lab.export_as("exports/others/two.csv", &both(4.0).text("two"));
    let list = csv("sweet", &[sample("two")]).replace("sweet-01", "two");
    crate::lab::date(&lab.write("exports/others/sweet.runlist.csv", &list), 0);
    let done = lab.process().ends(0);
    assert!(done.stdout.contains("1 trace processed"), "{}", done.stdout);
    let inner = lab.named("exports/others");
    lab.run(&["process", &inner]).ends(0);
    assert_eq!(lab.all_names().into_iter().collect::<Vec<_>>(), ["one"]);
    assert_eq!(others(&lab), ["two"]);
    assert!(lab.root().join("results/sugars/sweet/sheet.csv").exists());
    let check = lab.run(&["check"]);
    assert!(
        check.stdout.contains("exports: 1 file\n"),
        "{}",
        check.text()
    );
}

#[test]
fn another_spelling_of_a_folder_is_the_same_folder() {
    let lab = Lab::new();
    lab.list("crocks", &[sample("one")]);
    lab.export("crocks-01", &both(3.0));
    let root = lab.named("");
    for spelling in [
        "exports/*.runlist.csv".to_owned(),
        ".//exports/./*.runlist.csv".to_owned(),
        "results/../exports/*.runlist.csv".to_owned(),
        format!("{root}/exports//*.runlist.csv"),
    ] {
        let lines = format!("run_list = \"{spelling}\"");
        let text = fs::read_to_string(lab.root().join("runsitter.toml")).unwrap();
        let kept: Vec<&str> = text
            .lines()
            .filter(|l| !l.starts_with("run_list"))
            .collect();
        let text = format!("{}\n{lines}\n", kept.join("\n"))
            .replace("watch = \"exports\"", "watch = \"exports/../exports\"");
        lab.write("runsitter.toml", &text);
        let check = lab.run(&["check"]).ends(0);
        assert!(
            check.stdout.contains("crocks.runlist.csv: 1 injection\n"),
            "{spelling}: {}",
            check.text()
        );
        let watching = format!("watching {}: 1 file\n", lab.exports().display());
        assert!(
            check.stdout.contains(&watching),
            "{spelling}: {}",
            check.text()
        );
    }
}

#[test]
fn names_that_differ_only_in_bytes_that_are_no_text_are_two_traces() {
    use std::os::unix::ffi::OsStrExt as _;
    let lab = Lab::new();
    for (name, c) in [(&b"Kr\xe4uter.csv"[..], 3.0), (&b"Kr\xfcuter.csv"[..], 4.0)] {
        let whole = lab.export("whole", &both(c));
        fs::rename(whole, lab.exports().join(std::ffi::OsStr::from_bytes(name))).unwrap();
    }
    lab.process().ends(0);
    let names: Vec<String> = lab.all_names().into_iter().collect();
    assert_eq!(names, ["Kr{E4}uter", "Kr{FC}uter"]);
}

#[test]
fn a_list_that_is_called_like_an_unlisted_night_hides_no_trace() {
    let lab = Lab::new();
    lab.raw_list("unlisted-2026-09-21", &csv("crocks", &[sample("one")]));
    for stem in ["crocks-01", "stray", "other"] {
        lab.export(stem, &both(3.0));
    }
    lab.process().ends(0);
    let names: Vec<String> = lab.all_names().into_iter().collect();
    assert_eq!(names, ["one", "other", "stray"]);
}

#[test]
fn events_come_from_a_watched_folder_that_is_a_link() {
    let lab = Lab::new();
    fs::rename(lab.exports(), lab.root().join("disk")).unwrap();
    std::os::unix::fs::symlink(lab.root().join("disk"), lab.exports()).unwrap();
    let mut daemon = lab.watch();
    let started = Instant::now();
    lab.export("one", &both(3.0));
    daemon.wait_until("the trace has landed", || !lab.all_names().is_empty());
    // Without events it would be found by the look at the folder, 30 s after the start.
    assert!(started.elapsed() < Duration::from_secs(25));
    daemon.stop();
    let done = lab.process().ends(0);
    let known = "0 traces processed, 1 known already";
    assert!(done.stdout.contains(known), "{}", done.stdout);
}

#[test]
fn a_trace_with_an_impossible_time_is_read_once() {
    let lab = Lab::new();
    let year = Duration::from_secs(31_556_952);
    let date = |path: &Path, at: SystemTime| {
        let file = fs::File::options().write(true).open(path).unwrap();
        // Not every disk can keep such a time; what it keeps instead does as well.
        let _ = file.set_modified(at);
    };
    let late = lab.export("late", &both(3.0));
    date(&late, SystemTime::UNIX_EPOCH + year * 330);
    let early = lab.export("early", &both(4.0));
    date(&early, SystemTime::UNIX_EPOCH - year * 369);
    lab.process();
    let first = lab.files("results");
    let again = lab.process();
    let known = "0 traces processed, 2 known already";
    assert!(again.stdout.contains(known), "{}", again.stdout);
    assert!(
        first == lab.files("results"),
        "a second run changed something"
    );
}
