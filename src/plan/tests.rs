//! Whole plans, and what holds for every plan.

use std::collections::{HashMap, HashSet};
use std::path::Path;

use proptest::prelude::*;

use super::sheet::Sheet;
use super::template::Template;
use super::{Planned, Request, make};
use crate::method::Method;
use crate::method::plan::{Plan, ReplicateOrder};
use crate::night::Verdict;
use crate::night::fixture::{self, Night};
use crate::runlist::{Kind, file};

fn sheet(text: &str) -> Sheet {
    Sheet::parse(text.as_bytes(), Path::new("s.csv")).unwrap()
}

fn planned(text: &str, change: impl FnOnce(&mut Plan)) -> Result<Planned, String> {
    let method = fixture::method();
    let mut rules = method.plan.clone();
    change(&mut rules);
    make(&sheet(text), &method, &rules, &request(None)).map_err(|e| e.to_string())
}

fn request(seed: Option<u64>) -> Request {
    Request {
        queue: "crocks".to_owned(),
        date: "2026-09-21".to_owned(),
        seed,
    }
}

/// The list in short: the kind's letter, the level or the sample's name, the vial.
fn short(planned: &Planned) -> String {
    let word = |i: &crate::runlist::Injection| match i.kind {
        Kind::Blank => format!("b@{}", i.vial),
        Kind::Conditioning => format!("w@{}", i.vial),
        Kind::Calibrator => format!("C{}@{}", i.level, i.vial),
        Kind::Standard => format!("P{}@{}", i.level, i.vial),
        Kind::Sample => format!("{}{}@{}", i.name, i.replicate, i.vial),
    };
    let words: Vec<String> = planned.list.injections.iter().map(word).collect();
    words.join(" ")
}

#[test]
fn a_plan_with_everything() {
    let made = planned("name\na\nb\nc\n", |r| {
        r.conditioning = 1;
        r.conditioning_level = Some("high".to_owned());
        r.calibrators = vec![("low".to_owned(), 1), ("mid".to_owned(), 2)];
        r.standard_levels = vec!["mid".to_owned(), "high".to_owned()];
        r.samples_between = 4;
        r.replicates = 2;
        r.shutdown = true;
    })
    .unwrap();
    assert_eq!(
        short(&made),
        "w@3 b@1 Clow@4 Cmid@2 Cmid@2 Pmid@2 a1@5 a2@5 b1@6 b2@6 Phigh@3 c1@7 c2@7 Pmid@2 b@1 w@1"
    );
    let stems: Vec<&str> = made
        .list
        .injections
        .iter()
        .map(|i| i.stem.as_str())
        .collect();
    assert_eq!((stems[0], stems[15]), ("crocks-01", "crocks-16"));
    assert!(
        made.list
            .injections
            .iter()
            .all(|i| i.volume_ul == Some(10.0))
    );
    assert_eq!(made.list.injections[6].series, "a");
}

#[test]
fn names_are_built_from_columns() {
    let made = planned("crock,day,dilution\nA/1,3,10\nB,7,\n", |r| {
        r.name = Template::parse("{crock} day {day}").unwrap();
        r.file = Template::parse("{date}_{Crock}_{day}_{position}").unwrap();
        r.columns.series = Some("Crock".to_owned());
        r.columns.time_d = Some("day".to_owned());
    })
    .unwrap();
    let first = &made.list.injections[2];
    assert_eq!(first.name, "A/1 day 3");
    assert_eq!(first.stem, "2026-09-21_A-1_3_03");
    assert_eq!(
        (first.series.as_str(), first.time_h, first.dilution),
        ("A/1", Some(72.0), 10.0)
    );
    assert_eq!(made.list.extra, ["day"]);
    assert_eq!(first.extra, ["3"]);
    assert_eq!(
        made.notes,
        [
            "characters and names that not every file system takes are changed in file names (line 2)"
        ]
    );
}

#[test]
fn doubles_name_both_lines() {
    let by_name = |r: &mut Plan| r.file = Template::parse("{name}").unwrap();
    assert_eq!(
        planned("name,day\ncrock a,1\nb,1\nCrock A,2\n", by_name).unwrap_err(),
        "s.csv:4: found the file name \"Crock A\" again after line 2, expected each once, whatever its capitals"
    );
    assert_eq!(
        planned("name\nblank\n", |r| {
            by_name(r);
            r.other_file = Template::parse("{kind}").unwrap();
            r.blank_last = false;
            r.standard_levels = vec!["mid".to_owned()];
        })
        .unwrap_err(),
        "s.csv:2: found the file name \"blank\" again of a blank, standard or the like, expected each once, whatever its capitals"
    );
    assert_eq!(
        planned("name\na\n", |r| {
            by_name(r);
            r.replicates = 2;
        })
        .unwrap_err(),
        "s.csv:2: found the file name \"a\" for several injections of this sample, expected {replicate} or {position} in it"
    );
    let twice = "name,series,time_h\na,x,1\nb,x,1\nA,x,1\n";
    assert_eq!(
        planned(twice, |_| {}).unwrap_err(),
        "s.csv:4: found the sample \"A\" again after line 2, expected another name, series, time, replicate or dilution"
    );
    assert!(planned("name,time_h\na,1\na,2\n", |_| {}).is_ok());
    assert!(planned("name,replicate\na,1\na,2\n", |_| {}).is_ok());
    assert!(planned("name,dilution\na,1\na,10\n", |_| {}).is_ok());
}

#[test]
fn templates_must_have_their_columns() {
    assert_eq!(
        planned("crock,day\nA,3\n", |_| {}).unwrap_err(),
        "s.csv:1: found no column \"name\" for the name \"{name}\" (option --name), expected one of \"crock\" or \"day\""
    );
    assert_eq!(
        planned("name,day\nA,3\n", |r| r.file =
            Template::parse("{dya}").unwrap())
        .unwrap_err(),
        "s.csv:1: found no column \"dya\" for the file name \"{dya}\" (option --file-name), expected one of \"name\" or \"day\"; the nearest is \"day\""
    );
    assert!(
        planned("name,day\nA,3\n", |r| r.other_file =
            Template::parse("{day}").unwrap())
        .unwrap_err()
        .starts_with("s.csv: found {day} in the file name \"{day}\" of blanks and standards")
    );
    assert_eq!(
        planned("name,day\n,3\n", |_| {}).unwrap_err(),
        "s.csv:2: found nothing for the name \"{name}\", expected a name"
    );
    assert_eq!(
        planned("name\n/\n", |r| r.file = Template::parse("{name}").unwrap()).unwrap_err(),
        "s.csv:2: found the file name \"/\", expected a letter or digit in it"
    );
    assert_eq!(
        planned("name,replicate\na,\nb,2\n", |r| r.replicates = 3).unwrap_err(),
        "s.csv:3: column replicate: found \"2\", expected an empty cell: each sample is injected 3 times by the plan"
    );
}

#[test]
fn calibrators_that_make_no_line_are_told() {
    let notes = |calibrators: &[(&str, u64)]| {
        let made = planned("name\na\n", |r| {
            r.calibrators = calibrators
                .iter()
                .map(|(l, n)| ((*l).to_owned(), *n))
                .collect();
        });
        made.unwrap().notes
    };
    let note =
        "the calibrators make no calibration of their own: a line needs 3 of them at 2 levels";
    assert_eq!(notes(&[("low", 3)]), [note]);
    assert_eq!(notes(&[("low", 1), ("high", 1)]), [note]);
    assert!(notes(&[("low", 2), ("high", 1)]).is_empty());
    assert!(notes(&[]).is_empty());
}

#[test]
fn more_injections_than_a_list_takes() {
    assert_eq!(
        planned("name\na\nb\n", |r| r.replicates = 60_000).unwrap_err(),
        "s.csv: found 120000 injections to be planned, expected at most 100000"
    );
}

/// Rules of all kinds.
fn rules() -> impl Strategy<Value = Plan> {
    let levels = prop::collection::vec(prop::sample::select(vec!["low", "mid", "high"]), 1..4);
    let calibrators = prop::collection::vec(
        (prop::sample::select(vec!["low", "mid", "high"]), 1..3_u64),
        0..3,
    );
    let counts = (0..3_u64, 1..4_u64, 1..12_u64, 1..4_u64);
    let vial = prop::option::of(1..6_u64);
    (levels, calibrators, counts, any::<[bool; 5]>(), vial).prop_map(
        |(levels, calibrators, (conditioning, standards, between, replicates), flags, vial)| Plan {
            conditioning,
            calibrators: calibrators
                .iter()
                .map(|(l, n)| ((*l).to_owned(), *n))
                .collect(),
            standard_levels: levels.into_iter().map(str::to_owned).collect(),
            standards_per_checkpoint: standards,
            samples_between: between,
            blank_first: flags[0],
            blank_last: flags[1],
            replicates,
            replicate_order: if flags[2] {
                ReplicateOrder::Spread
            } else {
                ReplicateOrder::Sequence
            },
            random_order: flags[3],
            shutdown: flags[4],
            injections_per_vial: vial,
            ..Plan::default()
        },
    )
}

/// Sheets with names of all kinds; the number before keeps them apart.
fn sheets() -> impl Strategy<Value = String> {
    let name = "[ -~äµ✓'=+@\"]{0,12}";
    prop::collection::vec((name, 1..50_u32, "[A-Z]?"), 1..40).prop_map(|rows| {
        let mut text = String::from("name,dilution,series,bench\n");
        for (k, (name, dilution, series)) in rows.iter().enumerate() {
            let name = name.replace('"', "\"\"");
            text += &format!("\"s{k}-{name}\",{dilution},{series},\"{name}\"\n");
        }
        text
    })
}

fn make_any(text: &str, rules: &Plan) -> (Method, Planned) {
    let method = fixture::method();
    let seed = rules.random_order.then_some(17);
    let made = make(&sheet(text), &method, rules, &request(seed)).unwrap();
    (method, made)
}

/// What must hold of the order, said once more without the code that makes it.
fn obeys(made: &Planned, samples: usize, rules: &Plan) -> Result<(), TestCaseError> {
    let list = &made.list.injections;
    let kinds: Vec<Kind> = list.iter().map(|i| i.kind).collect();
    prop_assert!(list.iter().map(|i| i.position).eq(1..=list.len() as u64));
    // Head: conditioning, blank, calibrators, in this order.
    let calibrators: u64 = rules.calibrators.iter().map(|(_, n)| n).sum();
    let mut head = vec![Kind::Conditioning; rules.conditioning as usize];
    head.extend(rules.blank_first.then_some(Kind::Blank));
    head.extend(vec![Kind::Calibrator; calibrators as usize]);
    prop_assert!(kinds.starts_with(&head));
    let tail: Vec<Kind> = rules
        .blank_last
        .then_some(Kind::Blank)
        .into_iter()
        .chain(rules.shutdown.then_some(Kind::Conditioning))
        .collect();
    let middle = &list[head.len()..list.len() - tail.len()];
    prop_assert!(
        middle
            .iter()
            .all(|i| matches!(i.kind, Kind::Standard | Kind::Sample))
    );
    prop_assert!(kinds.ends_with(&tail));
    // Every bracket is closed, none is longer than it may be, and all but the last are full.
    let per = rules.standards_per_checkpoint as usize;
    prop_assert!(
        middle
            .iter()
            .take(per)
            .chain(middle.iter().rev().take(per))
            .all(|i| i.kind == Kind::Standard)
    );
    let lengths: Vec<usize> = middle
        .split(|i| i.kind == Kind::Standard)
        .map(<[_]>::len)
        .filter(|n| *n > 0)
        .collect();
    let injections = samples * rules.replicates as usize;
    prop_assert_eq!(
        lengths.len(),
        injections.div_ceil(rules.samples_between as usize)
    );
    prop_assert!(
        lengths[..lengths.len() - 1]
            .iter()
            .all(|n| *n == rules.samples_between as usize)
    );
    prop_assert_eq!(lengths.iter().sum::<usize>(), injections);
    // Levels take turns.
    let levels = middle
        .iter()
        .filter(|i| i.kind == Kind::Standard)
        .map(|i| i.level.as_str());
    let turns = rules.standard_levels.iter().map(String::as_str).cycle();
    let standards = (lengths.len() + 1) * per;
    prop_assert!(levels.eq(turns.take(standards)));
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn every_sample_comes_once_for_each_replicate_and_the_order_obeys_its_rules(text in sheets(), rules in rules()) {
        let (_, made) = make_any(&text, &rules);
        let samples = sheet(&text).rows.len();
        obeys(&made, samples, &rules)?;
        let mut times: HashMap<(&str, &str), usize> = HashMap::new();
        for i in made.list.injections.iter().filter(|i| i.kind == Kind::Sample) {
            *times.entry((&i.name, &i.replicate)).or_default() += 1;
        }
        prop_assert_eq!(times.len(), samples * rules.replicates as usize);
        prop_assert!(times.values().all(|n| *n == 1));
        let stems: HashSet<String> = made.list.injections.iter().map(|i| i.stem.to_lowercase()).collect();
        prop_assert_eq!(stems.len(), made.list.injections.len());
    }

    #[test]
    fn a_vial_holds_one_thing_and_is_drawn_from_no_more_often_than_it_may(text in sheets(), rules in rules()) {
        let (_, made) = make_any(&text, &rules);
        let mut content: HashMap<(&str, &str), HashSet<String>> = HashMap::new();
        let mut drawn: HashMap<(&str, &str), u64> = HashMap::new();
        for i in &made.list.injections {
            let what = match i.kind {
                Kind::Sample => format!("sample {}", i.name),
                Kind::Blank | Kind::Conditioning => "blank".to_owned(),
                _ => format!("level {}", i.level),
            };
            content.entry((&i.tray, &i.vial)).or_default().insert(what);
            *drawn.entry((&i.tray, &i.vial)).or_default() += 1;
        }
        prop_assert!(content.values().all(|c| c.len() == 1), "{:?}", content);
        let most = rules.injections_per_vial.unwrap_or(u64::MAX);
        prop_assert!(drawn.values().all(|n| *n <= most), "{:?}", drawn);
    }

    #[test]
    fn what_is_written_reads_back_as_it_was(text in sheets(), rules in rules()) {
        let (method, made) = make_any(&text, &rules);
        let written = file::write(&made.list);
        let path = Path::new("crocks.runlist.csv");
        let read = file::parse(written.as_bytes(), path).unwrap();
        prop_assert_eq!(&read.injections, &made.list.injections);
        prop_assert_eq!(&read.extra, &made.list.extra);
        prop_assert!(read.check_levels(&method, path).is_empty());
    }

    #[test]
    fn any_text_in_cells_and_templates_reads_back(
        cells in prop::collection::vec("\\PC{1,8}", 1..6),
        name in "\\PC{0,4}\\{name\\}\\PC{0,4}",
    ) {
        let mut text = String::from("name\n");
        for (k, cell) in cells.iter().enumerate() {
            text += &format!("\"{}{k}\"\n", cell.replace('"', "\"\""));
        }
        let (Ok(template), Ok(read)) = (Template::parse(&name), Sheet::parse(text.as_bytes(), Path::new("s.csv"))) else {
            return Ok(());
        };
        let method = fixture::method();
        let rules = Plan { name: template, ..Plan::default() };
        let Ok(made) = make(&read, &method, &rules, &request(None)) else { return Ok(()) };
        let written = file::write(&made.list);
        let back = file::parse(written.as_bytes(), Path::new("crocks.runlist.csv")).unwrap();
        prop_assert_eq!(back.injections, made.list.injections);
    }
}

/// Lands what a night without trouble gives for a plan.
fn perfect(made: &Planned) -> Night {
    let mut night = Night::of(made.list.injections.clone());
    for i in &made.list.injections {
        let reading = match i.kind {
            Kind::Blank | Kind::Conditioning => fixture::trace(&[None, None]),
            Kind::Sample => fixture::mid(&[1.0, 1.0]),
            _ => {
                let method = fixture::method();
                let level = method.level(&i.level).unwrap();
                fixture::trace(&level.nominal)
            }
        };
        night.land(i.position as usize, reading);
    }
    night
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn a_perfect_night_accepts_every_sample(text in sheets(), rules in rules()) {
        let (_, made) = make_any(&text, &rules);
        let mut night = perfect(&made);
        let queue = night.judged();
        // Few calibrators of its own are told, and the stored calibration serves.
        let open: Vec<_> = queue.alerts().open().filter(|a| a.now && a.check != "calibration").collect();
        prop_assert!(open.is_empty(), "{:?}", open);
        for slot in queue.slots().iter().filter(|s| s.plan.kind == Kind::Sample) {
            prop_assert!(!slot.rows.is_empty());
            prop_assert!(slot.rows.iter().all(|r| r.verdict == Some(Verdict::Accepted)), "{:?}", slot.plan);
        }
    }

    #[test]
    fn the_rerun_of_a_night_that_failed_wholly_is_the_night(text in sheets(), rules in rules()) {
        let (mut method, made) = make_any(&text, &rules);
        method.plan = rules;
        let mut night = Night::of_method(method, made.list.injections.clone());
        for i in &made.list.injections {
            night.broken(i.position as usize);
        }
        let rerun = crate::report::rerun::list(night.judged(), &made.list.extra);
        let told = |i: &crate::runlist::Injection| {
            (i.position, i.kind, i.level.clone(), i.name.clone(), i.replicate.clone(), i.tray.clone(), i.vial.clone(), i.dilution.to_bits())
        };
        let (again, first): (Vec<_>, Vec<_>) = (
            rerun.injections.iter().map(told).collect(),
            made.list.injections.iter().map(told).collect(),
        );
        prop_assert_eq!(again, first);
    }
}
