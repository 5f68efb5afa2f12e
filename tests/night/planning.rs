//! `plan`: from a sample sheet to a run list that the rest of the program takes.

use std::fs;
use std::time::{Duration, Instant};

use crate::chromatogram::{both, trace};
use crate::lab::{Done, Lab};
use crate::table::Table;

const SHEET: &str = "\
crock,day,dilution,remark
crock A,3,10,
crock A,7,10,cloudy
crock B,3,10,
crock B,7,,=late
";

/// A laboratory whose method has rules for plans, behind its other tables.
fn lab(rules: &str) -> Lab {
    Lab::new().method(|m| m + "\n" + rules)
}

const RULES: &str = r#"[eluent]
bottle_ml = 1000
reserve_ml = 100
waste_free_ml = 2000

[plan]
name = "{crock} day {day}"
conditioning = 1
standard_levels = ["mid", "L4"]
samples_between = 4
replicates = 2
[plan.columns]
series = "crock"
time_d = "day"
[plan.tray]
rows = 3
columns = 4
labels = "letters"
taken = ["A2"]
"#;

#[test]
fn a_plan_as_people_see_it() {
    let lab = lab(RULES);
    let sheet = lab.write("brine.csv", SHEET);
    let done = lab
        .run(&[
            "plan",
            &sheet.to_string_lossy(),
            "--start",
            "2026-09-21 18:00",
        ])
        .ends(0);
    assert!(done.stderr.is_empty(), "{}", done.stderr);
    insta::assert_snapshot!("plan_said", lab.short(&done.stdout));
    let list = fs::read_to_string(lab.root().join("brine.runlist.csv")).unwrap();
    insta::assert_snapshot!("plan_list", list);
}

/// What `plan` says to a sheet that it refuses, exit code 2.
#[track_caller]
fn refused(lab: &Lab, sheet: &str, options: &[&str]) -> String {
    let path = lab.write("s.csv", sheet);
    let path = path.to_string_lossy().into_owned();
    let mut arguments = vec!["plan", path.as_str()];
    arguments.extend(options);
    let done = lab.run(&arguments).ends(2);
    assert!(done.stdout.is_empty(), "{}", done.stdout);
    assert!(!lab.root().join("s.runlist.csv").exists());
    lab.short(&done.stderr)
        .trim_end()
        .trim_start_matches("runsitter: ")
        .to_owned()
}

#[test]
fn bad_sheets_are_refused_with_line_and_column() {
    let lab = lab("");
    for (sheet, message) in [
        (
            "",
            "LAB/s.csv: found nothing, expected a header row and one row for each sample",
        ),
        (
            "sample,dilution\ncrock A,10\n",
            "LAB/s.csv:1: found no column \"name\" for the name \"{name}\" (option --name), expected one of \"sample\" or \"dilution\"; the nearest is \"sample\"",
        ),
        (
            "name,dilution\n",
            "LAB/s.csv: found a header alone, expected one row for each sample",
        ),
        (
            "name,dilution\na,10\nb,-10\n",
            "LAB/s.csv:3: column dilution: found \"-10\", expected a number above 0 and at most 1000000000",
        ),
        (
            "name,dilution\na,ten\n",
            "LAB/s.csv:2: column dilution: found \"ten\", expected a number above 0 and at most 1000000000",
        ),
        (
            "name,dilution\na,0\n",
            "LAB/s.csv:2: column dilution: found \"0\", expected a number above 0 and at most 1000000000",
        ),
        (
            "name;dilution\na;02. Jan\n",
            "LAB/s.csv:2: column dilution: found \"02. Jan\", expected a number above 0 and at most 1000000000",
        ),
        (
            "name,time_h\na,soon\n",
            "LAB/s.csv:2: column time_h: found \"soon\", expected a number from -1000000 to 1000000 h",
        ),
        (
            "name,volume_ul\na,0\n",
            "LAB/s.csv:2: column volume_ul: found \"0\", expected a number above 0 and at most 1000000 µL",
        ),
        (
            "name,Name\na,b\n",
            "LAB/s.csv:1: found the column \"Name\" twice, expected each column once",
        ),
        (
            "name\na,b\n",
            "LAB/s.csv:2: found 2 cells with \"b\" in cell 2, expected 1 cell as in the header",
        ),
        (
            "name\nCrock\n\ncrock\n",
            "LAB/s.csv:4: found the sample \"crock\" again after line 2, expected another name, series, time, replicate or dilution",
        ),
        (
            "name\n\"a\nb\n",
            "LAB/s.csv:2: found a quotation mark that is never closed, expected its partner",
        ),
        (
            "name,vial\na,3\nb,3\n",
            "LAB/s.csv:3: column vial: found \"3\", expected another place than line 2",
        ),
    ] {
        assert_eq!(refused(&lab, sheet, &[]), message, "{sheet}");
    }
}

#[test]
fn bad_options_say_what_was_expected() {
    let lab = lab("");
    let sheet = "name,day\na,3\nb,3\n";
    for (options, message) in [
        (
            &["--name", "{crock"][..],
            "--name: found \"{crock\" with a { that is never closed, expected {column}",
        ),
        (
            &["--name", "{dya}"],
            "LAB/s.csv:1: found no column \"dya\" for the name \"{dya}\" (option --name), expected one of \"name\" or \"day\"; the nearest is \"day\"",
        ),
        (
            &["--file-name", "{day}"],
            "LAB/s.csv:3: found the file name \"3\" again after line 2, expected each once, whatever its capitals",
        ),
        (
            &["--column", "serie=day"],
            "--column: found \"serie=day\", expected series, time_h, time_d, dilution, volume_ul, replicate, tray, vial, each with =COLUMN; the nearest is series",
        ),
        (
            &["--column", "series=crock"],
            "LAB/s.csv:1: found no column \"crock\" for series, expected one of \"name\" or \"day\"",
        ),
        (
            &["--calibrators", "L1,midd"],
            "--calibrators: found \"midd\", expected a level of the method; the nearest is \"mid\"",
        ),
        (
            &["--calibrators", "L1=0"],
            "--calibrators: found \"L1=0\", expected a level and how often, from 1 to 100: L1=2",
        ),
        (
            &["--taken", "A1"],
            "--taken: found \"A1\", expected a tray to go with it: describe it with --tray ROWSxCOLUMNS or in [plan.tray] of the method",
        ),
        (
            &["--tray", "2x2", "--taken", "C1"],
            "--taken: found \"C1\", expected a place from 1 to 4, with a tray before it where one is meant (1:4)",
        ),
        (
            &["--tray", "2"],
            "--tray: found \"2\", expected ROWSxCOLUMNS or ROWSxCOLUMNSxTRAYS, at most 100x100x100",
        ),
        (
            &["--start", "soon"],
            "--start: found \"soon\", expected a time as 18:00, \"2026-09-21 18:00\" or RFC 3339",
        ),
        (
            &["--tray", "1x3"],
            "LAB/s.csv:3: found 4 vials to be placed, expected at most 3: 1 more than the trays hold (3 places)",
        ),
    ] {
        assert_eq!(refused(&lab, sheet, options), message);
    }
}

#[test]
fn what_a_spreadsheet_saved_is_read_as_meant_and_said() {
    let lab = lab("");
    let plain = lab.write(
        "plain.csv",
        "name,series,dilution,time_h\n02. Jan,A,2.5,24\n1-3,A,2.5,48\n",
    );
    let saved = "\u{feff}Name;SERIES;Dilution;time_h\r\n02. Jan;A;2,5;24\r\n \"1-3\" ;A;2,5;48\r\n;;;\r\n;;;\r\n";
    let saved = lab.write("saved.csv", saved);
    let list = |path: &std::path::Path| {
        let done = lab
            .run(&[
                "plan",
                &path.to_string_lossy(),
                "--out",
                "-",
                "--file-name",
                "x-{position}",
            ])
            .ends(0);
        (done.stdout, done.stderr)
    };
    let (from_saved, said) = list(&saved);
    // The files of blanks and standards are called after the sheet.
    assert_eq!(from_saved.replace("saved-", "plain-"), list(&plain).0);
    let said = lab.short(&said);
    let notes: Vec<&str> = said
        .lines()
        .filter_map(|l| l.strip_prefix("runsitter: note: "))
        .collect();
    assert_eq!(
        notes,
        [
            "semicolons stand between the cells",
            "2 empty rows left out",
            "decimal commas are read as decimal points (line 2 and 1 more)",
            "column Name: \"02. Jan\" looks like a name that a spreadsheet program made a date of; it is kept as it stands (line 2)",
        ]
    );
}

#[test]
fn a_run_list_with_mangled_names_is_read_with_a_note() {
    let lab = lab("");
    lab.raw_list(
        "crocks",
        "kind;name;file;series\nsample;02. Jan;c-01.csv;Mrz 07\n",
    );
    let done = lab.run(&["check"]).ends(0);
    for column in ["column name: \"02. Jan\"", "column series: \"Mrz 07\""] {
        assert!(done.stdout.contains(column), "{}", done.stdout);
    }
}

#[test]
fn ten_thousand_samples_are_planned_at_once() {
    let lab = lab("");
    let mut sheet = String::from("name,series,dilution\n");
    for k in 1..=10_000 {
        sheet += &format!("sample {k},crock {},10\n", k % 500);
    }
    let path = lab.write("many.csv", &sheet);
    let started = Instant::now();
    let done = lab
        .run(&["plan", &path.to_string_lossy(), "--seed", "3"])
        .ends(0);
    // Well under a second by itself; other tests run beside it, unoptimised.
    assert!(
        started.elapsed() < Duration::from_secs(10),
        "{:?}",
        started.elapsed()
    );
    assert!(
        done.stdout
            .contains("11253 injections: 2 blank, 1251 standard, 10000 sample"),
        "{}",
        done.stdout
    );
    let list = Table::read(&lab.root().join("many.runlist.csv"));
    let samples = list
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample")
        .count();
    assert_eq!((list.rows.len(), samples), (11_253, 10_000));
    let refused = lab
        .run(&["plan", &path.to_string_lossy(), "--tray", "10x10"])
        .ends(2);
    assert_eq!(
        lab.short(&refused.stderr),
        "runsitter: LAB/many.csv:100: found 10002 vials to be placed, expected at most 100: 9902 more than the trays hold (100 places)\n"
    );
}

#[test]
fn the_same_seed_gives_the_same_order() {
    let lab = lab("");
    let sheet: String = (1..=16).map(|k| format!("s{k}\n")).collect();
    let path = lab.write("s.csv", &format!("name\n{sheet}"));
    let order = |options: &[&str]| {
        let path = path.to_string_lossy().into_owned();
        let mut arguments = vec!["plan", path.as_str(), "--out", "-"];
        arguments.extend(options);
        lab.run(&arguments).ends(0).stdout
    };
    let plain = order(&[]);
    assert_eq!(order(&["--seed", "5"]), order(&["--seed", "5"]));
    assert_ne!(order(&["--seed", "5"]), order(&["--seed", "6"]));
    assert_ne!(order(&["--random"]), plain);
    assert_eq!(
        order(&["--random"]),
        order(&["--random"]),
        "the sheet itself is the seed"
    );
}

#[test]
fn a_list_that_is_there_is_kept_unless_told_otherwise() {
    let lab = lab("");
    let path = lab.write("s.csv", "name\na\n");
    let path = path.to_string_lossy().into_owned();
    let list = lab.root().join("s.runlist.csv");
    let plan = |options: &[&str]| -> Done {
        let mut arguments = vec!["plan", path.as_str()];
        arguments.extend(options);
        lab.run(&arguments)
    };
    plan(&[]).ends(0);
    let first = fs::read_to_string(&list).unwrap();
    let again = plan(&[]).ends(0);
    assert!(
        again
            .stdout
            .contains("is there already, with the same content"),
        "{}",
        again.stdout
    );
    let other = plan(&["--replicates", "2"]).ends(2);
    assert_eq!(
        lab.short(&other.stderr),
        "runsitter: LAB/s.runlist.csv is there already, with another content: replace it with --force, or name another file with --out FILE\n"
    );
    assert_eq!(fs::read_to_string(&list).unwrap(), first);
    plan(&["--replicates", "2", "--force"]).ends(0);
    assert_ne!(fs::read_to_string(&list).unwrap(), first);
    let itself = plan(&["--out", &path, "--force"]).ends(2);
    assert!(
        itself.stderr.contains("is the sample sheet itself"),
        "{}",
        itself.stderr
    );
    assert_eq!(fs::read_to_string(&path).unwrap(), "name\na\n");
}

#[test]
fn files_that_cannot_be_read_or_written() {
    let lab = lab("");
    let missing = lab.named("nowhere.csv");
    let done = lab.run(&["plan", &missing]).ends(3);
    assert!(done.stderr.contains("nowhere.csv: "), "{}", done.stderr);
    let path = lab.write("s.csv", "name\na\n");
    let out = lab.named("method.toml/x.runlist.csv");
    lab.run(&["plan", &path.to_string_lossy(), "--out", &out])
        .ends(3);
    let method = lab.named("method.toml");
    let elsewhere = crate::lab::run(
        std::path::Path::new("/"),
        &[
            "plan",
            &path.to_string_lossy(),
            "--method",
            &method,
            "--out",
            "-",
        ],
    );
    assert!(
        elsewhere
            .ends(0)
            .stdout
            .starts_with("position,tray,vial,kind,")
    );
}

#[test]
fn a_queue_that_outlasts_the_bottle_is_planned_and_told() {
    let lab = lab(&RULES.replace("bottle_ml = 1000", "bottle_ml = 250"));
    let path = lab.write("brine.csv", SHEET);
    let done = lab.run(&["plan", &path.to_string_lossy()]).ends(1);
    assert!(lab.root().join("brine.runlist.csv").exists());
    assert!(done.stdout.contains("eluent-short"), "{}", done.stdout);
    let cautions: Vec<&str> = done.stdout.lines().rev().take(2).collect();
    assert!(
        cautions.iter().all(|l| l.starts_with("caution: ")),
        "{}",
        done.stdout
    );
}

#[test]
fn a_plan_is_checked_and_its_night_accepted() {
    let lab = lab(RULES);
    let path = lab.write("brine.csv", SHEET);
    let out = lab.named("exports/brine.runlist.csv");
    lab.run(&["plan", &path.to_string_lossy(), "--out", &out])
        .ends(0);
    let check = lab.run(&["check"]).ends(0);
    assert!(
        check.stdout.contains("brine.runlist.csv: 14 injections"),
        "{}",
        check.stdout
    );
    for row in &Table::read(std::path::Path::new(&out)).rows {
        let stem = row.text("file");
        let exported = match (row.text("kind"), row.text("level")) {
            ("blank" | "conditioning", _) => trace(),
            (_, "L4") => both(20.0),
            _ => both(5.0),
        };
        lab.export(stem, &exported);
    }
    lab.process().ends(0);
    let sheet = lab.sheet("brine");
    let samples: Vec<_> = sheet
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample")
        .collect();
    assert_eq!(samples.len(), 16);
    assert!(samples.iter().all(|r| r.text("verdict") == "accepted"));
    // Replicates of a crock's day are brought together.
    let course = lab.time_course("brine");
    assert_eq!(course.rows.len(), 8);
    assert!(course.rows.iter().all(|r| r.text("n") == "2"));
    assert_eq!(course.rows[0].text("time_h"), "72");
    // Columns of the sheet that mean nothing to the program stay in the list, safe from spreadsheets.
    let list = fs::read_to_string(&out).unwrap();
    assert!(
        list.contains(",cloudy\n") && list.contains(",'=late\n"),
        "{list}"
    );
}

#[test]
fn a_sheet_among_the_traces_is_told() {
    let lab = lab("");
    let path = lab.write("exports/brine.csv", "name\na\n");
    let done = lab.run(&["plan", &path.to_string_lossy()]).ends(0);
    assert!(
        done.stdout.contains("note: the sample sheet lies where station acids looks for traces and will be taken for one: move it elsewhere"),
        "{}",
        done.stdout
    );
    assert!(
        !done.stdout.contains("looks for run lists"),
        "{}",
        done.stdout
    );
}

#[test]
fn the_sheet_among_the_examples_is_planned_as_the_manual_says() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let arguments = [
        "plan",
        "examples/samples.csv",
        "--method",
        "config/methods/brine-acids.toml",
        "--name",
        "{crock} day {day}",
        "--column",
        "series=crock",
        "--column",
        "time_d=day",
        "--replicates",
        "2",
        "--calibrators",
        "all",
        "--out",
        "-",
    ];
    let done = crate::lab::run(root, &arguments).ends(0);
    let list = Table::parse(done.stdout.as_bytes());
    assert_eq!(list.rows.len(), 26);
    assert_eq!(list.rows[7].text("name"), "crock A day 1");
    // 26 runs of 22 min at 0.6 mL/min: 343.2 mL of the litre.
    assert!(done.stderr.contains("343"), "{}", done.stderr);
}
