//! `check`: what is wrong, with file and line.

use crate::chromatogram::both;
use crate::lab::{Done, Lab, run};
use crate::runlist::{sample, standard};

fn lab() -> Lab {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab
}

/// The one line that says what is wrong.
#[track_caller]
fn wrong(lab: &Lab, done: Done) -> String {
    let text = lab.short(&done.ends(2).text());
    let lines: Vec<&str> = text
        .lines()
        .filter(|l| l.contains("WRONG") || l.starts_with("runsitter: "))
        .collect();
    assert_eq!(lines.len(), 1, "{text}");
    lines[0]
        .trim_start_matches("runsitter: ")
        .trim_start()
        .trim_start_matches("WRONG")
        .trim_start()
        .to_owned()
}

#[test]
fn a_good_configuration_is_said_with_what_was_sniffed() {
    let lab = lab();
    let text = both(5.0).text("x").replace(
        "time_min,signal_mau\n",
        "Instrument 3\nsolvent: acid\n\nTime (min);Signal (mAU)\n",
    );
    let text = text.replace(',', ";").replace('.', ",");
    lab.export_as("exports/crocks-01.csv", &text);
    let done = lab.run(&["check"]).ends(0);
    assert!(done.stderr.is_empty(), "{}", done.stderr);
    let out = lab.short(&done.stdout);
    for part in [
        "LAB/runsitter.toml",
        "station acids",
        "method \"organic acids in brine\": 2 analytes, 5 levels, run time 22 min",
        "LAB/calibration.toml",
        "LAB/exports/crocks.runlist.csv: 3 injections",
        "LAB/exports/crocks-01.csv: 5281 samples",
        "lactic acid: 12.9",
    ] {
        assert!(out.contains(part), "{part:?} is not in:\n{out}");
    }
    let sniffed: Vec<&str> = out.lines().filter(|l| l.contains("line 4")).collect();
    assert!(
        !sniffed.is_empty(),
        "nothing is said of line 4, the header:\n{out}"
    );
    for word in ["semicolon", "comma", "min", "mAU"] {
        assert!(
            out.to_lowercase().contains(&word.to_lowercase()),
            "{word:?} is not in:\n{out}"
        );
    }
}

#[test]
fn it_changes_nothing() {
    let lab = lab();
    lab.export("crocks-01", &both(5.0));
    let before = lab.files("");
    lab.run(&["check"]).ends(0);
    assert!(before == lab.files(""));
}

#[test]
fn a_named_trace_is_looked_at() {
    let lab = lab();
    lab.write("elsewhere/run.csv", &both(5.0).text("x"));
    let path = lab.named("elsewhere/run.csv");
    let done = lab.run(&["check", &path]).ends(0);
    assert!(
        done.stdout.contains("elsewhere/run.csv: 5281 samples"),
        "{}",
        done.stdout
    );
}

#[test]
fn an_unknown_key() {
    let lab = lab().station("setle_s = 3");
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @"LAB/runsitter.toml:11: unknown key station[1].setle_s, the nearest known key is settle_s");
}

#[test]
fn an_unknown_key_of_the_method() {
    let lab = lab().method(|m| m.replace("window_min = 0.4", "window = 0.4"));
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @"LAB/method.toml:12: unknown key analyte[1].window, the nearest known key is window_min");
}

#[test]
fn a_value_that_is_none() {
    let lab = lab().station("settle_s = \"three\"");
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @r#"LAB/runsitter.toml:10: station[1].settle_s: found "three", expected a number from 0 to 3600 s"#);
}

#[test]
fn a_missing_key() {
    let lab = lab().method(|m| m.replace("run_time_min = 22.0\n", ""));
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @"LAB/method.toml:3: missing key conditions.run_time_min, expected the length of a run");
}

#[test]
fn text_that_is_no_toml() {
    let lab = lab().section("[alert\n");
    let line = wrong(&lab, lab.run(&["check"]));
    assert!(line.starts_with("LAB/runsitter.toml:11: "), "{line}");
}

#[test]
fn a_missing_method() {
    let lab = lab();
    std::fs::remove_file(lab.root().join("method.toml")).unwrap();
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @"LAB/method.toml: cannot be read: No such file or directory (os error 2)");
}

#[test]
fn a_bad_calibration() {
    let lab = lab();
    lab.write("calibration.toml", "format = 1\nname = \n");
    let line = wrong(&lab, lab.run(&["check"]));
    assert!(line.starts_with("LAB/calibration.toml:2: "), "{line}");
}

#[test]
fn a_calibration_that_somebody_edited() {
    let lab = lab();
    let path = lab.root().join("calibration.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let slope = text
        .lines()
        .find(|l| l.starts_with("slope"))
        .expect("a slope")
        .to_owned();
    std::fs::write(&path, text.replacen(&slope, "slope = 61.5", 1)).unwrap();
    let line = wrong(&lab, lab.run(&["check"]));
    assert!(
        line.starts_with("LAB/calibration.toml:") && line.contains("slope")
            || line.contains("61.5"),
        "{line}"
    );
}

#[test]
fn a_bad_run_list() {
    let lab = lab();
    lab.raw_list(
        "crocks",
        "position,kind,name,file\n1,sampel,brine,c-01.csv\n",
    );
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @r#"LAB/exports/crocks.runlist.csv:2: column kind: found "sampel", expected blank, standard, calibrator, sample or conditioning; the nearest is sample"#);
}

#[test]
fn a_list_with_an_unknown_level() {
    let lab = lab();
    lab.raw_list(
        "crocks",
        "position,kind,name,file,level\n1,standard,brine,c-01.csv,midd\n",
    );
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @r#"LAB/exports/crocks.runlist.csv:2: column level: found "midd", expected a level of the method; the nearest is "mid""#);
}

#[test]
fn a_trace_that_is_none() {
    let lab = lab();
    let text = both(5.0)
        .text("x")
        .replacen("\n1.500000,", "\n1.500000;", 1);
    lab.export_as("exports/crocks-01.csv", &text);
    let done = lab.run(&["check"]).ends(3);
    let line = done
        .stdout
        .lines()
        .find(|l| l.contains("WRONG"))
        .expect("a line that says so")
        .to_owned();
    // 1.5 min at 4 Hz is sample 360, after the header and sample 0.
    assert!(line.contains("crocks-01.csv:362: "), "{line}");
}

#[test]
fn a_watched_folder_that_is_not_there() {
    let lab = lab();
    std::fs::remove_dir_all(lab.exports()).unwrap();
    let done = lab.run(&["check"]).ends(0);
    assert!(
        lab.short(&done.stdout)
            .contains("note   LAB/exports is not there yet: the daemon waits for it"),
        "{}",
        done.stdout
    );
}

#[test]
fn a_missing_configuration() {
    let folder = tempfile::tempdir().unwrap();
    let done = run(folder.path(), &["check", "--config", "nowhere.toml"]).ends(2);
    assert!(done.stderr.contains("nowhere.toml"), "{}", done.stderr);
}

/// Mail to this machine alone, where nobody listens.
const MAIL: &str = "[alert.email]\nhost = \"localhost\"\nport = 9\nsecurity = \"none\"\nfrom = \"a@lab.example\"\nto = [\"b@lab.example\"]\n";

#[test]
fn mail_is_looked_at_and_sent_only_when_asked() {
    let lab = lab().section(MAIL);
    let out = lab.run(&["check"]).ends(0).stdout;
    assert!(
        out.contains("ok     mail from a@lab.example by localhost:9: told now b@lab.example"),
        "{out}"
    );
    let out = lab.run(&["check", "--mail"]).ends(3).stdout;
    assert!(
        out.contains("WRONG  mail: localhost:9: connection and greeting failed: "),
        "{out}"
    );
}

#[test]
fn a_test_message_needs_a_mail_server() {
    let done = lab().run(&["check", "--mail"]).ends(2);
    assert!(
        done.stderr
            .contains("found no [alert.email], expected one for --mail"),
        "{}",
        done.stderr
    );
}

#[test]
fn a_password_file_that_is_missing() {
    let lab = lab().section(&format!("{MAIL}user = \"u\"\npassword_file = \"secret\"\n"));
    insta::assert_snapshot!(wrong(&lab, lab.run(&["check"])), @"LAB/runsitter.toml: mail: localhost:9: password file LAB/secret: cannot be read: No such file or directory (os error 2)");
}
