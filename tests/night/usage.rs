//! The command line itself.

use std::path::Path;

use crate::calm;
use crate::lab::{Lab, run};

fn anywhere(arguments: &[&str]) -> crate::lab::Done {
    run(Path::new("/"), arguments)
}

#[test]
fn usage_errors_end_with_2() {
    for arguments in [
        &["no-such-command"][..],
        &[],
        &["process"],
        &["calibrate"],
        &["scout"],
        &["watch", "--no-such-option"],
        &["rehearse", "--scenario", "clam"],
        &["rehearse", "--cycle", "0"],
        &["rehearse", "--cycle", "nan"],
    ] {
        let done = anywhere(arguments).ends(2);
        assert!(
            done.stdout.is_empty() && !done.stderr.is_empty(),
            "{arguments:?}: {done:?}"
        );
    }
    assert!(
        anywhere(&["rehearse", "--scenario", "clam"])
            .stderr
            .contains("calm")
    );
}

#[test]
fn help_is_enough_to_use_a_command() {
    let help = |command: &str| anywhere(&[command, "--help"]).ends(0).stdout;
    for (command, words) in [
        ("watch", &["--config", "SIGTERM"][..]),
        ("check", &["--config", "TRACE", "--ledger", "--record"]),
        ("process", &["--config", "PATH", "--station"]),
        (
            "calibrate",
            &[
                "--config",
                "PATH",
                "--run-list",
                "--out",
                "level,analyte,area_mau_s",
            ],
        ),
        (
            "scout",
            &["--config", "TRACE", "--name", "--against", "exit code is 1"],
        ),
        (
            "plan",
            &[
                "--config",
                "SAMPLES.csv",
                "--name",
                "--file-name",
                "--out",
                "--start",
                "--seed",
                "--force",
                "[plan]",
                "exit code",
            ],
        ),
        ("summary", &["--config", "QUEUE"]),
        (
            "rehearse",
            &[
                "--scenario",
                "--cycle",
                "--into",
                "calm",
                "drifting-standard",
                "clogging",
                "air-bubble",
                "stalled",
                "over-range",
                "own-calibrators",
            ],
        ),
    ] {
        let text = help(command);
        for word in words {
            assert!(
                text.contains(word),
                "{word:?} is not in the help of {command}:\n{text}"
            );
        }
        assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
    }
    let all = anywhere(&["--help"]).ends(0).stdout;
    for word in [
        "watch",
        "check",
        "process",
        "calibrate",
        "scout",
        "summary",
        "rehearse",
        "Exit codes",
        "no safety device",
    ] {
        assert!(all.contains(word), "{word:?} is not in:\n{all}");
    }
    let version = anywhere(&["--version"]).ends(0).stdout;
    assert_eq!(
        version.trim(),
        format!("runsitter {}", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn without_a_configuration_it_says_where_it_looked() {
    let folder = tempfile::tempdir().unwrap();
    for command in [&["watch"][..], &["check"], &["process", "."], &["summary"]] {
        let done = run(folder.path(), command).ends(2);
        assert!(
            done.stderr.contains("runsitter.toml") && done.stderr.contains("--config"),
            "{}",
            done.stderr
        );
    }
}

#[test]
fn the_configuration_of_the_working_directory_is_taken() {
    let lab = Lab::new();
    run(lab.root(), &["check"]).ends(0);
    run(lab.root(), &["process", "exports"]).ends(0);
}

#[test]
fn it_is_quiet_in_a_pipe() {
    let lab = Lab::new();
    calm::play(&lab);
    let done = lab.process().ends(0);
    assert!(done.stderr.is_empty(), "{:?}", done.stderr);
    assert!(!done.stdout.contains(['\r', '\u{1b}']), "{:?}", done.stdout);
    assert!(done.stdout.lines().count() <= 3, "{}", done.stdout);
}

#[test]
fn an_unknown_station_is_named_with_the_nearest() {
    let lab = Lab::new();
    let done = lab
        .run(&["process", "exports", "--station", "acid"])
        .ends(2);
    assert!(
        done.stderr.contains("did you mean \"acids\"?"),
        "{}",
        done.stderr
    );
}

#[test]
fn a_results_folder_that_cannot_be_written_is_an_io_error() {
    let lab = Lab::new();
    calm::play(&lab);
    lab.write("results", "a file stands where the folder should be");
    let done = lab.process().ends(3);
    assert!(done.stderr.contains("results"), "{}", done.stderr);
    // Nothing is lost: it is written as soon as it can be.
    std::fs::remove_file(lab.root().join("results")).unwrap();
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").rows.len(), 14);
}
