//! What repeats do for what they repeat: by analyte, by chain, in the same queue, and when they change.

use crate::chromatogram::{both, trace};
use crate::joining::{BOTH, FIRST, first_night, lay_list, less, one_after_the_other, rerun};
use crate::lab::Lab;
use crate::runlist::{Row, crock, sample, standard};

/// A sample with one analyte above and another below the range.
#[test]
fn each_analyte_takes_the_repeat_that_gave_it() {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[
            standard("mid"),
            sample("strong").diluted(10),
            standard("mid"),
        ],
    );
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &trace().lactic(40.0).acetic(0.1));
    lab.export("crocks-03", &both(5.0));
    lab.process().ends(1);
    let list = lab.rerun("crocks");
    let rows: Vec<_> = list
        .rows
        .iter()
        .filter(|r| r.text("kind") == "sample")
        .collect();
    assert_eq!(
        rows.iter().map(|r| r.text("dilution")).collect::<Vec<_>>(),
        ["1", "50"]
    );
    let at: Vec<u64> = rows
        .iter()
        .map(|r| r.text("position").parse().unwrap())
        .collect();
    let (weak, strong) = (at[0], at[1]);
    let found = move |p: u64| {
        Some(if p == weak {
            trace().lactic(400.0).acetic(1.0)
        } else {
            assert_eq!(p, strong);
            trace().lactic(8.0).acetic(0.02)
        })
    };
    rerun(&lab, "crocks", "crocks-rerun", 4, &found);
    lab.process().ends(0);
    let summary = lab.summary("crocks");
    assert!(
        summary.starts_with("crocks: none of 2 results can be used; 2 stand by another injection"),
        "{summary}"
    );
    for queue in BOTH {
        assert!(
            lab.rerun(queue).rows.is_empty(),
            "{queue}: {:#?}",
            lab.rerun(queue)
        );
    }
    assert!(
        lab.summary("crocks-rerun")
            .starts_with("crocks-rerun: 2 of 4 results can be used; 2 stand by")
    );
}

/// Repeats that fail replace nothing; what is tried last is asked for, by the list of its own night.
#[test]
fn a_repeat_of_a_repeat_repairs_the_first_night() {
    let lab = Lab::new();
    first_night(&lab, true);
    lab.process().ends(1);
    let garbled = |p: u64| (p != 3).then(|| both(2.9));
    rerun(&lab, "crocks", "second", FIRST + 1, &garbled);
    lab.export_as("exports/crocks-03-repeat.csv", "<html>not found</html>\n");
    lab.process().ends(1);
    let left_out = lab.time_course("crocks").rows[0]
        .text("left_out")
        .to_owned();
    assert!(
        left_out.starts_with("crock A at 24 h (position 3): bracket-failed, its repeat in second (position 3): unreadable-trace; "),
        "{left_out}"
    );
    assert!(
        lab.rerun("crocks").rows.is_empty(),
        "the list of the later night asks for it"
    );
    assert!(
        lab.summary("crocks").contains("the rerun.csv of second"),
        "{}",
        lab.summary("crocks")
    );
    let again = lab.rerun("second");
    let repeats: Vec<_> = again
        .rows
        .iter()
        .filter(|r| !r.is_empty("repeats"))
        .collect();
    assert_eq!(repeats.len(), 1);
    assert_eq!(repeats[0].text("repeats"), "second/crocks-03-repeat");
    assert_eq!(repeats[0].text("file"), "crocks-03-repeat2");

    rerun(&lab, "second", "third", 2 * FIRST + 4, &less);
    lab.process().ends(0);
    let left_out = lab.time_course("crocks").rows[0]
        .text("left_out")
        .to_owned();
    assert!(
        left_out.starts_with(
            "crock A at 24 h (position 3): bracket-failed, its repeat in second (position 3): unreadable-trace, \
replaced by its repeat in third (position 3); "
        ),
        "{left_out}"
    );
    assert!(lab.rerun("second").rows.is_empty());
    assert_eq!(
        lab.time_course("second").rows[0].text("left_out"),
        "crock A at 24 h (position 3): unreadable-trace, replaced by its repeat in third (position 3)"
    );
}

#[test]
fn lists_that_name_themselves_or_each_other_do_no_harm() {
    let lab = Lab::new();
    let head = "kind,name,file,level,repeats\n";
    let rows = "standard,standard,a-1,mid,\nsample,brine,a-2,,one/a-2\nsample,brine,a-3,,one/a-4\nsample,brine,a-4,,one/a-3\nsample,brine,a-5,,nowhere/x\nstandard,standard,a-6,mid,\n";
    lay_list(&lab, "one", &format!("{head}{rows}"), 0);
    for k in 1..=6 {
        let c = if k == 4 { both(30.0) } else { both(5.0) };
        lab.export(&format!("a-{k}"), &c);
    }
    lab.process().ends(0);
    let before = lab.files("results");
    lab.process().ends(0);
    assert!(before == lab.files("results"));
    assert_eq!(lab.sheet("one").verdict(2), "accepted");
    assert!(
        lab.rerun("one").rows.is_empty(),
        "a-3 gave what a-4 failed to give"
    );
}

#[test]
fn a_re_export_of_a_repeat_takes_its_repair_back() {
    let lab = one_after_the_other();
    lab.export_as("exports/crocks-03-repeat.csv", "<html>not found</html>\n");
    let repeats = lab.named("exports/crocks-03-repeat.csv");
    lab.run(&["process", &repeats]).ends(1);
    let left_out = lab.time_course("crocks").rows[0]
        .text("left_out")
        .to_owned();
    assert!(
        left_out.contains("its repeat in crocks-rerun (position 3): unreadable-trace"),
        "{left_out}"
    );
    assert_eq!(lab.time_course("crocks").rows[0].text("n"), "1");
}

#[test]
fn a_list_that_becomes_another_takes_its_repair_back() {
    let lab = one_after_the_other();
    let path = lab.exports().join("crocks-rerun.runlist.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let fewer: String = text
        .lines()
        .map(|l| {
            if l.contains("crocks/crocks-03") {
                l.replace("crocks/crocks-03", "")
                    .replace("crocks-03-repeat", "other")
            } else {
                l.to_owned()
            }
        })
        .map(|l| l + "\n")
        .collect();
    lay_list(&lab, "crocks-rerun", &fewer, FIRST + 2);
    std::fs::remove_file(lab.exports().join("crocks-03-repeat.csv")).unwrap();
    lab.process().ends(1);
    // The trace is unlisted now, and by its name still a repeat; without standards it is provisional.
    let left_out = lab.time_course("crocks").rows[0]
        .text("left_out")
        .to_owned();
    assert!(
        left_out.starts_with("crock A at 24 h (position 3): bracket-failed, replaced by its repeat in unlisted-2026-09-21 (position 1): provisional bracket-open"),
        "{left_out}"
    );
}

#[test]
fn rows_of_repeats_added_to_the_same_queue() {
    let lab = Lab::new();
    let rows: Vec<Row> = vec![standard("mid"), crock("crock A", 24, 1), standard("mid")];
    lab.list("crocks", &rows);
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(30.0));
    lab.export("crocks-03", &both(5.0));
    lab.process().ends(1);
    let more = crate::runlist::csv("crocks", &rows)
        + "4,1,9,sample,crock A at 24 h,crocks-02-repeat.csv,,5,,crock A,24,1\n5,1,1,standard,standard,crocks-05.csv,,,mid,,,\n";
    lay_list(&lab, "crocks", &more, 4);
    lab.export("crocks-02-repeat", &both(6.0));
    lab.export("crocks-05", &both(5.0));
    lab.process().ends(0);
    let course = lab.time_course("crocks");
    assert_eq!(
        course.rows[0].text("n"),
        "1",
        "one sample, however often it is injected"
    );
    course.rows[0].close("mean", 30.0, 1.0);
    assert_eq!(
        course.rows[0].text("left_out"),
        "crock A at 24 h (position 2): above-range, replaced by its repeat (position 4)"
    );
    assert!(lab.rerun("crocks").rows.is_empty());
}
