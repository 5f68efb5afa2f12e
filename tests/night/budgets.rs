//! Time, eluent, waste: said by `check`, watched by the daemon.

use crate::calm;
use crate::chromatogram::both;
use crate::lab::Lab;
use crate::runlist::{Row, sample, standard};
use crate::words::settled;

/// A method with containers, and a column for the pressure. A run of 22 min at 0.6 mL/min drinks 13.2 mL.
fn lab(bottle_ml: f64, waste_free_ml: f64) -> Lab {
    Lab::new().method(|m| {
        m + &format!(
            "\n[column]\nlength_mm = 300\ninner_diameter_mm = 7.8\nparticle_um = 8\n\
             \n[eluent]\nname = \"5 mmol/L sulfuric acid\"\nbottle_ml = {bottle_ml}\nreserve_ml = 10\nwaste_free_ml = {waste_free_ml}\n"
        )
    })
}

fn queue(samples: usize) -> Vec<Row> {
    let mut rows = vec![standard("mid")];
    rows.extend((1..=samples).map(|k| sample(&format!("brine {k}"))));
    rows.push(standard("mid"));
    rows
}

/// A text without the days of the week, which differ from run to run.
fn undated(text: &str) -> String {
    let mut out = settled(text);
    for day in ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"] {
        out = out.replace(&format!("{day} TIME"), "TIME");
    }
    out
}

fn checks(lab: &Lab) -> Vec<(String, bool)> {
    let alerts = lab.alerts("crocks");
    let rows = alerts.rows.iter();
    rows.map(|r| (r.text("check").to_owned(), !r.is_empty("cleared_at")))
        .collect()
}

#[test]
fn check_prints_the_budget_of_the_newest_list() {
    let lab = lab(1000.0, 2000.0);
    lab.list("last-week", &queue(1));
    lab.list("crocks", &calm::rows());
    crate::lab::date(&lab.exports().join("crocks.runlist.csv"), 1);
    let done = lab.run(&["check"]).ends(0);
    let shown = |l: &&str| {
        let facts = [
            "time:",
            "eluent:",
            "waste:",
            "left of",
            "no shutdown",
            "expected pressure",
            "run list",
        ];
        facts.iter().any(|f| l.contains(f))
    };
    let lines: Vec<&str> = done.stdout.lines().filter(shown).collect();
    insta::assert_snapshot!(undated(&lab.short(&lines.join("\n"))));
}

#[test]
fn check_ends_with_1_where_a_bottle_does_not_last() {
    // 12 runs drink 158.4 mL. 148.4 mL above a reserve of 10 mL are too little, 158.4 mL just enough.
    for (bottle_ml, waste_ml, code, word) in [
        (
            168.3,
            2000.0,
            1,
            "WRONG  eluent-short: 158.4 mL of \"5 mmol/L sulfuric acid\" are needed and 158.3 mL may be drawn",
        ),
        (168.4, 158.4, 0, "ok     run list"),
        (
            1000.0,
            158.3,
            1,
            "WRONG  waste-full: 158.4 mL of waste come together and 158.3 mL are free",
        ),
    ] {
        let lab = lab(bottle_ml, waste_ml);
        lab.list("crocks", &queue(10));
        let done = lab.run(&["check"]).ends(code);
        assert!(done.stdout.contains(word), "{}", done.stdout);
        assert_eq!(done.stdout.contains("WRONG"), code == 1, "{}", done.stdout);
    }
}

#[test]
fn a_mistake_outdoes_a_bottle_that_does_not_last() {
    let lab = lab(50.0, 2000.0);
    lab.list("crocks", &queue(10));
    lab.write("exports/other.runlist.csv", "kind,file\nnonsense,a\n");
    lab.list("crocks-2", &queue(10));
    let done = lab.run(&["check"]).ends(2);
    assert!(done.stdout.contains("nonsense"), "{}", done.stdout);
}

#[test]
fn a_list_longer_than_the_bottle_is_told_before_the_first_trace() {
    let lab = lab(100.0, 2000.0);
    let mut daemon = lab.watch();
    lab.list("crocks", &queue(10));
    daemon.wait_until("it is told", || !lab.messages().is_empty());
    daemon.wait_until("it stands in alerts.csv", || !checks(&lab).is_empty());
    assert_eq!(checks(&lab), [("eluent-short".to_owned(), false)]);
    let messages = lab.messages();
    assert_eq!(messages.len(), 1, "{messages:?}");
    let (name, text) = messages.first_key_value().unwrap();
    assert!(name.starts_with("crocks-eluent-short-"), "{name}");
    insta::assert_snapshot!("told_before_the_start", settled(text));
    let alert = &lab.alerts("crocks").rows[0];
    assert_eq!((alert.text("told"), alert.text("unit")), ("now", "mL"));
    alert.close("measured", 158.4, 0.01);
    assert_eq!(alert.text("limit"), "90");
    assert_eq!(alert.text("affected"), "7 8 9 10 11 12");

    // It goes on: a restart and a trace tell it no second time.
    daemon.stop();
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    daemon.wait_until("the trace is in the sheet", || {
        lab.sheet("crocks").rows.len() == 2
    });
    assert_eq!(lab.messages().len(), 1);
    assert_eq!(checks(&lab), [("eluent-short".to_owned(), false)]);

    lab.list("crocks", &queue(4));
    daemon.wait_until("a shorter list clears it", || {
        checks(&lab) == [("eluent-short".to_owned(), true)]
    });
    daemon.wait_until("that is told", || {
        lab.messages().keys().any(|n| n.ends_with("-cleared.txt"))
    });
    assert_eq!(lab.messages().len(), 2);
    daemon.stop();
}

#[test]
fn a_restart_before_the_first_trace_tells_nothing_twice() {
    let lab = lab(100.0, 2000.0);
    lab.list("crocks", &queue(10));
    let mut daemon = lab.watch();
    daemon.wait_until("it is told", || !checks(&lab).is_empty());
    daemon.stop();
    let before = lab.messages();
    let mut daemon = lab.watch();
    lab.list("crocks", &queue(4));
    daemon.wait_until("a shorter list clears it", || {
        checks(&lab) == [("eluent-short".to_owned(), true)]
    });
    daemon.stop();
    assert_eq!((before.len(), lab.messages().len()), (1, 2));
}

#[test]
fn the_waste_is_told_alike_and_a_list_that_fits_is_not() {
    let full = lab(1000.0, 100.0);
    full.list("crocks", &queue(10));
    let mut daemon = full.watch();
    daemon.wait_until("it is told", || !checks(&full).is_empty());
    daemon.stop();
    assert_eq!(checks(&full), [("waste-full".to_owned(), false)]);
    let name = full.messages().into_keys().next().unwrap();
    assert!(name.starts_with("crocks-waste-full-"), "{name}");

    // 12 runs of 13.2 mL, to the drop.
    let fits = lab(168.4, 158.4);
    fits.list("crocks", &queue(10));
    let mut daemon = fits.watch();
    fits.export("crocks-01", &both(5.0));
    fits.export("crocks-02", &both(3.0));
    daemon.wait_until("two traces are in the sheet", || {
        fits.sheet("crocks").rows.len() == 4
    });
    daemon.stop();
    assert!(fits.messages().is_empty(), "{:?}", fits.messages());
    assert!(fits.alerts("crocks").rows.is_empty());
}

#[test]
fn process_judges_the_plan_and_ends_as_watch_does() {
    let (once, watched) = (lab(50.0, 2000.0), lab(50.0, 2000.0));
    calm::play(&once);
    once.process().ends(0);
    assert_eq!(
        checks(&once),
        [("eluent-short".to_owned(), true)],
        "over with the queue"
    );
    let first = once.files("results");
    once.process().ends(0);
    assert!(
        first == once.files("results"),
        "a second run changed a result"
    );

    calm::play(&watched);
    let mut daemon = watched.watch();
    daemon.wait_until("the night is over", || checks(&watched) == checks(&once));
    daemon.stop();
    let names = |lab: &Lab| -> Vec<String> {
        lab.messages()
            .into_keys()
            .map(|n| n.replace(|c: char| c.is_ascii_digit(), ""))
            .collect()
    };
    assert_eq!(names(&once), names(&watched));
    let message = |lab: &Lab| lab.alerts("crocks").rows[0].text("message").to_owned();
    assert_eq!(message(&once), message(&watched));
}

/// A method of runs of 3 s at 100 mL/min, 5 mL each: whatever the traces show, they land.
fn quick(may_ml: f64) -> Lab {
    let hurry = |m: String| {
        m.replace("run_time_min = 22.0", "run_time_min = 0.05")
            .replace("flow_ml_min = 0.6", "flow_ml_min = 100.0")
            .replace("window_min = 0.4", "window_min = 0.005")
            .replace("retention_min = 12.9", "retention_min = 0.02")
            .replace("retention_min = 15.2", "retention_min = 0.03")
            + &format!(
                "\n[limits]\nlate_trace_min = 0\n[eluent]\nbottle_ml = {may_ml}\nwaste_free_ml = {}\n",
                may_ml + 1.0
            )
    };
    Lab::new().method(hurry)
}

#[test]
fn a_night_that_runs_longer_is_told_while_it_runs() {
    let lab = quick(21.0);
    lab.list("crocks", &queue(2));
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(5.0));
    daemon.wait_until("two traces are in the sheet", || {
        lab.sheet("crocks").rows.len() == 4
    });
    // 20 mL are needed. The third is due after 3 s; what 1 mL spares is gone 0.6 s later, and 2 mL 0.6 s after that.
    let volumes = |c: &str| c == "eluent-short" || c == "waste-full";
    let told = |over: bool| -> Vec<String> {
        let all = checks(&lab)
            .into_iter()
            .filter(|(c, o)| volumes(c) && (*o || !over));
        all.map(|(c, _)| c).collect()
    };
    daemon.wait_until("it is told", || {
        told(false) == ["eluent-short", "waste-full"]
    });
    let alerts = lab.alerts("crocks");
    let of = |check: &str| {
        let mut rows = alerts.rows.iter();
        rows.find(|r| r.text("check") == check).unwrap()
    };
    let text = of("eluent-short").text("message");
    assert!(
        text.starts_with("21") && text.contains("mL of \"eluent\" are needed until the end and 21"),
        "{text}"
    );
    let raised = |check: &str| -> jiff::Timestamp { of(check).text("raised_at").parse().unwrap() };
    assert!(raised("eluent-short") < raised("waste-full"), "{alerts:?}");
    daemon.wait_until("its end clears both", || told(true).len() == 2);
    daemon.stop();
    let eluent = lab
        .messages()
        .into_keys()
        .filter(|n| n.contains("eluent-short"))
        .count();
    assert_eq!(eluent, 2, "raised and over, once each");
}

#[test]
fn a_night_that_runs_longer_with_enough_in_the_bottle_is_not_told() {
    // 20 mL are needed; until the queue counts as silent, 9 s after the second trace, 10 mL more.
    let lab = quick(60.0);
    lab.list("crocks", &queue(2));
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(5.0));
    daemon.wait_until("the queue is over", || {
        lab.summary("crocks").contains("ended") || lab.sheet("crocks").rows.len() == 8
    });
    daemon.stop();
    let told: Vec<String> = checks(&lab).into_iter().map(|(c, _)| c).collect();
    assert!(
        !told
            .iter()
            .any(|c| c == "eluent-short" || c == "waste-full"),
        "{told:?}"
    );
}
