//! Names that attack a spreadsheet, a browser, a folder or a terminal.

use std::collections::BTreeSet;

use crate::chromatogram::both;
use crate::lab::Lab;

const RTL: &str = "\u{202e}txt.exe";
const FORMULA: &str = "=HYPERLINK(\"http://evil.example\";\"open\")";
const NAMES: [&str; 8] = [
    FORMULA,
    "+1+1",
    "-2",
    "@sum",
    "say \"hi\", crock",
    "<script>alert(1)</script>",
    "../../../etc/evil",
    RTL,
];

fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

/// Everything in the laboratory but what the program may write.
fn outside(lab: &Lab) -> BTreeSet<std::path::PathBuf> {
    lab.files("")
        .into_keys()
        .filter(|p| !p.starts_with("results") && !p.starts_with("state"))
        .collect()
}

/// A night in which names, series, vials and extra columns attack; some of it fails so that there is a lot to tell.
fn play(lab: &Lab) {
    let mut list = String::from("position,kind,name,file,level,series,time_h,vial,=extra\n");
    list += "1,standard,standard,h-01.csv,mid,,,,\n";
    for (k, name) in (2..).zip(NAMES) {
        list += &format!(
            "{k},sample,{n},../../../outside/h-{k:02}.csv,,{n},24,{n},{n}\n",
            n = quoted(name)
        );
    }
    list += "10,standard,@standard,h-10.csv,mid,,,,\n";
    lab.raw_list("crocks", &list);
    for k in 1..=9 {
        lab.export(&format!("h-{k:02}"), &both(if k == 1 { 5.0 } else { 30.0 }));
    }
    lab.export("h-10", &both(2.0));
}

#[test]
fn cells_are_guarded_and_nothing_is_written_elsewhere() {
    let lab = Lab::new();
    play(&lab);
    let before = outside(&lab);
    lab.process().ends(1);
    assert_eq!(before, outside(&lab));

    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.rows.len(), 20);
    for (k, name) in (2..).zip(NAMES) {
        let guarded = if name.starts_with(['=', '+', '-', '@']) {
            format!("'{name}")
        } else {
            name.to_owned()
        };
        for row in sheet.of(k) {
            assert_eq!(
                (row.text("name"), row.text("series"), row.text("vial")),
                (&*guarded, &*guarded, &*guarded)
            );
        }
    }
    for file in [
        "sheet.csv",
        "time-course.csv",
        "replicates.csv",
        "rerun.csv",
        "alerts.csv",
    ] {
        let bytes = std::fs::read(lab.results("crocks").join(file)).unwrap();
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(&bytes[..]);
        for record in reader.records() {
            let record = record.unwrap_or_else(|e| panic!("{file}: {e}"));
            let formula = |c: &&str| {
                c.starts_with(['=', '+', '@', '\t', '\r'])
                    || c.starts_with('-') && c.parse::<f64>().is_err()
            };
            let taken: Vec<&str> = record.iter().filter(formula).collect();
            assert!(
                taken.is_empty(),
                "{file}: a spreadsheet takes these for formulas: {taken:?}"
            );
        }
    }
}

#[test]
fn texts_for_people_keep_their_lines_and_their_direction() {
    let lab = Lab::new();
    play(&lab);
    let done = lab.process().ends(1);
    let mut texts: Vec<String> = lab.messages().into_values().collect();
    assert!(!texts.is_empty());
    texts.push(lab.summary("crocks"));
    texts.push(done.text());
    for text in &texts {
        let hidden =
            |c: char| c != '\n' && c.is_control() || ('\u{202a}'..='\u{202e}').contains(&c);
        assert!(!text.contains(hidden), "{text:?}");
    }
}

#[test]
fn the_rerun_list_of_such_a_night_can_be_used() {
    let lab = Lab::new();
    play(&lab);
    lab.process().ends(1);
    let rerun = lab.results("crocks").join("rerun.csv");
    std::fs::copy(rerun, lab.exports().join("again.runlist.csv")).unwrap();
    let checked = lab.run(&["check"]).ends(0);
    assert!(
        checked.stdout.contains("again.runlist.csv: "),
        "{}",
        checked.stdout
    );
}

#[test]
fn a_name_over_two_lines_stays_in_its_cell_and_off_the_mail() {
    let lab = Lab::new();
    lab.raw_list("crocks", "position,kind,name,file\n1,sample,\"brine\nBcc: all\",h-01.csv\n2,sample,brine 2,h-02.csv\n");
    lab.export("h-01", &both(3.0).air(30));
    lab.export("h-02", &both(3.0));
    let done = lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.rows.len(), 4);
    assert_eq!(sheet.row(1, "lactic acid").text("name"), "brine\nBcc: all");
    let mut texts: Vec<String> = lab.messages().into_values().collect();
    assert_eq!(texts.len(), 1);
    texts.extend([lab.summary("crocks"), done.text()]);
    for text in texts {
        assert!(
            !text.lines().any(|l| l.trim_start().starts_with("Bcc")),
            "{text}"
        );
    }
}

#[test]
fn a_quotation_mark_that_swallows_rows_makes_the_list_unusable() {
    let lab = Lab::new();
    lab.raw_list("crocks", "position,kind,name,file\n1,sample,\"brine,h-01.csv\n2,sample,brine,h-02.csv\n3,sample,brine\",h-03.csv\n");
    lab.export("h-01", &both(3.0));
    lab.process().ends(1);
    let alerts = lab.alerts("unlisted-2026-09-21");
    let message = alerts.check("run-list")[0].text("message");
    assert!(
        message.contains("line 2") && message.contains("quotation mark"),
        "{message}"
    );
}

#[test]
fn files_with_such_names_are_processed() {
    let lab = Lab::new();
    for name in ["=1+1", "-crock", "a\"b", "<b>", RTL, "two\nlines"] {
        lab.export(name, &both(3.0));
    }
    let before = outside(&lab);
    let done = lab.process().ends(0);
    assert_eq!(before, outside(&lab));
    let sheet = lab.sheet("unlisted-2026-09-21");
    assert_eq!(sheet.rows.len(), 12);
    let names: Vec<&str> = sheet.column("name").into_iter().step_by(2).collect();
    assert_eq!(
        names,
        ["'=1+1", "'-crock", "a\"b", "<b>", RTL, "two\nlines"]
    );
    assert!(!done.text().contains('\u{202e}'));
    assert!(!lab.summary("unlisted-2026-09-21").contains('\u{202e}'));
}

#[test]
fn queues_with_such_names_stay_in_the_results() {
    let lab = Lab::new();
    let queues = ["=crocks", "..", "alerts", "a b", "<i>", "crock: 1"];
    for (k, queue) in queues.iter().enumerate() {
        lab.raw_list(queue, &format!("kind,name,file\nsample,brine,q-{k}.csv\n"));
        lab.export(&format!("q-{k}"), &both(3.0));
    }
    let before = outside(&lab);
    lab.process().ends(0);
    assert_eq!(before, outside(&lab));
    let folders = std::fs::read_dir(lab.root().join("results/acids"))
        .unwrap()
        .flatten();
    let sheets = folders
        .filter(|f| f.path().join("sheet.csv").exists())
        .count();
    assert_eq!(sheets, queues.len(), "one folder for each queue");
    assert!(!lab.root().join("results/sheet.csv").exists());
    assert!(!lab.root().join("results/acids/sheet.csv").exists());
    assert!(!lab.root().join("results/acids/alerts/sheet.csv").exists());
}
