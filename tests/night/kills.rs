//! The program killed at any instant, again and again: in the end everything is as after a night that nobody disturbed.
//!
//! `RUNSITTER_KILLS` says how many instants (a usual run takes few), `RUNSITTER_SEED` which; the seed is printed.

use std::fs::{self, File};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant, SystemTime};

mod letters;

use std::collections::BTreeMap;

use crate::drifting;
use crate::hook::Hook;
use crate::lab::{Lab, program};
use crate::table::Table;
use crate::words::without_times;

/// Instants of a usual run.
const USUAL: usize = 24;
/// Kills of one night.
const A_NIGHT: usize = 12;
/// Injections of the night.
const INJECTIONS: usize = 11;
const FILES: [&str; 5] = [
    "sheet.csv",
    "time-course.csv",
    "rerun.csv",
    "alerts.csv",
    "summary.txt",
];

fn kills() -> usize {
    let wanted = std::env::var("RUNSITTER_KILLS").ok();
    wanted.map_or(USUAL, |n| n.parse().expect("RUNSITTER_KILLS: a number"))
}

/// The same instants for the same seed, as far as the machine keeps time.
struct Random(u64);

impl Random {
    fn new(test: &str) -> Random {
        let seed = match std::env::var("RUNSITTER_SEED") {
            Ok(text) => text.parse().expect("RUNSITTER_SEED: a number"),
            Err(_) => SystemTime::now()
                .duration_since(SystemTime::UNIX_EPOCH)
                .unwrap()
                .subsec_nanos()
                .into(),
        };
        println!("{test}: RUNSITTER_SEED={seed} RUNSITTER_KILLS={}", kills());
        Random(seed)
    }

    /// SplitMix64.
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    fn up_to(&mut self, longest: Duration) -> Duration {
        Duration::from_micros(self.below(u64::try_from(longest.as_micros()).unwrap().max(1)))
    }
}

fn lab() -> Lab {
    Lab::new().station("settle_s = 0.1\npoll_s = 0.1")
}

/// What is to be the same, apart from times; what is not there yet is empty.
fn results(lab: &Lab) -> Vec<(&'static str, String)> {
    let read = |name| fs::read_to_string(lab.results("crocks").join(name)).unwrap_or_default();
    FILES
        .iter()
        .map(|name| (*name, without_times(&read(name))))
        .collect()
}

/// Every file is whole, or not there: at the instant of the kill and ever after.
fn whole(lab: &Lab) {
    for name in &FILES[..4] {
        // A row without all its cells fails in the table.
        Table::read(&lab.results("crocks").join(name));
    }
    let summary = lab.summary("crocks");
    assert!(
        summary.is_empty() || summary.ends_with("not that a result is true.\n"),
        "{summary}"
    );
}

fn undisturbed() -> Lab {
    let lab = lab();
    drifting::play(&lab);
    lab.process().ends(1);
    lab
}

/// How many kills met what, and how many letters came again after one.
#[derive(Default)]
struct Met {
    kills: BTreeMap<&'static str, usize>,
    again: usize,
}

impl Met {
    fn count(&mut self, what: &'static str) {
        *self.kills.entry(what).or_default() += 1;
    }

    fn print(&self, test: &str, since: Instant) {
        let all: usize = self.kills.values().sum();
        let took = since.elapsed().as_secs();
        println!(
            "{test}: {all} kills in {took} s: {:?}, {} letters came again",
            self.kills, self.again
        );
    }
}

fn start(lab: &Lab, arguments: &[&str]) -> Child {
    let log = File::options()
        .create(true)
        .append(true)
        .open(lab.root().join("lives.log"))
        .unwrap();
    program()
        .args(arguments)
        .args(["--config", "runsitter.toml"])
        .env("RUST_LOG", "runsitter=info")
        .current_dir(lab.root())
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .unwrap()
}

/// Kills it; false where it had ended by itself, which only may be with one of these exit codes.
fn kill(lab: &Lab, mut child: Child, may_end: &[Option<i32>]) -> bool {
    let ended = child.try_wait().unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    if let Some(status) = ended {
        assert!(may_end.contains(&status.code()), "{status}: {}", log(lab));
    }
    whole(lab);
    ended.is_none()
}

/// What all lives so far have logged.
fn log(lab: &Lab) -> String {
    fs::read_to_string(lab.root().join("lives.log")).unwrap_or_default()
}

/// What changes whenever the program writes something: names, lengths and times of all that it has written.
fn print_of(lab: &Lab) -> Vec<(std::path::PathBuf, u64, Option<SystemTime>)> {
    let mut out = Vec::new();
    let mut folders = vec![lab.root().join("results"), lab.root().join("state")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            // It may be gone again.
            let Ok(meta) = entry.metadata() else { continue };
            if meta.is_dir() {
                folders.push(entry.path());
            }
            out.push((entry.path(), meta.len(), meta.modified().ok()));
        }
    }
    out.sort();
    out
}

/// Waits until something is written, a while at most.
fn until_it_writes(lab: &Lab) {
    let (before, since) = (print_of(lab), Instant::now());
    while print_of(lab) == before && since.elapsed() < Duration::from_millis(400) {
        sleep(Duration::from_micros(200));
    }
}

/// One life of the daemon, ended at a random instant: while it starts, while it lands what is there, just after a write,
/// while a letter leaves, or while it ends as it was told to. True where it was killed.
fn one_life(
    lab: &Lab,
    hook: &Hook,
    random: &mut Random,
    exported: &mut usize,
    met: &mut Met,
) -> bool {
    let before = log(lab).len();
    let child = start(lab, &["watch"]);
    // Some traces lie there when it starts, some come while it is at work.
    if random.below(2) == 0 {
        sleep(random.up_to(Duration::from_millis(150)));
        export_next(lab, exported);
    }
    let mut ending = false;
    match random.below(9) {
        0 | 1 => sleep(random.up_to(Duration::from_millis(60))),
        2 | 3 => sleep(random.up_to(Duration::from_millis(400))),
        4 => {
            sleep(random.up_to(Duration::from_millis(400)));
            let id = child.id().to_string();
            let told = Command::new("kill").args(["-TERM", &id]).status();
            ending = told.unwrap().success();
            sleep(random.up_to(Duration::from_millis(12)));
        }
        // A letter is on its way, or has just arrived.
        5 => {
            let (calls, since) = (hook.calls(), Instant::now());
            while hook.calls() == calls && since.elapsed() < Duration::from_millis(400) {
                sleep(Duration::from_micros(100));
            }
            sleep(random.up_to(Duration::from_millis(2)));
        }
        // The ledger is opened, something lands, a file is written: after each, soon.
        _ => {
            after_some_writes(lab, random);
            sleep(random.up_to(Duration::from_millis(4)));
        }
    }
    let watching = log(lab)[before..].contains("watching");
    // Before it listens for the order to stop, that order is a signal that ends it.
    let may_end: &[Option<i32>] = if ending { &[Some(0), None] } else { &[] };
    let killed = kill(lab, child, may_end);
    let landed = log(lab).matches(": landed position=").count();
    if killed {
        met.count(match (ending, watching) {
            (true, _) => "while it ended",
            (_, false) => "while it started",
            (_, true) if landed < *exported => "while traces waited to land",
            (_, true) => "when all had landed",
        });
    }
    killed
}

/// The instrument exports the next trace of the night, if there is one.
fn export_next(lab: &Lab, exported: &mut usize) {
    if *exported < INJECTIONS {
        *exported += 1;
        drifting::export(lab, *exported);
    }
}

/// Waits for up to six writes, and not for ever.
fn after_some_writes(lab: &Lab, random: &mut Random) {
    let since = Instant::now();
    for _ in 0..=random.below(6) {
        if since.elapsed() < Duration::from_millis(600) {
            until_it_writes(lab);
        }
    }
}

/// The ledger holds each trace once, the chain is whole, and everything that an undisturbed run tells was told.
fn nothing_lost_nothing_twice(lab: &Lab, other: &Lab) {
    let ledger = rusqlite::Connection::open(lab.root().join("state/ledger.sqlite")).unwrap();
    let ask = |sql: &str| -> i64 { ledger.query_row(sql, [], |r| r.get(0)).unwrap() };
    assert_eq!(ask("SELECT count(*) FROM landing"), INJECTIONS as i64);
    assert_eq!(
        ask("SELECT count(DISTINCT stem) FROM landing"),
        INJECTIONS as i64
    );
    drop(ledger);
    lab.run(&["check", "--ledger"]).ends(0);
    let (mut told, expected) = (lab.messages(), other.messages());
    told.retain(|name, _| !name.starts_with("unwatched-"));
    assert_eq!(
        told.keys().collect::<Vec<_>>(),
        expected.keys().collect::<Vec<_>>()
    );
    let left: Vec<_> = lab
        .files("results")
        .into_keys()
        .filter(|p| p.to_string_lossy().contains(".writing-"))
        .collect();
    assert!(left.is_empty(), "half-written files stay: {left:?}");
}

#[track_caller]
fn same(lab: &Lab, expected: &[(&'static str, String)]) {
    for ((name, found), (_, wanted)) in results(lab).iter().zip(expected) {
        assert_eq!(found, wanted, "{name} differs");
    }
}

/// What an undisturbed night comes to.
struct Undisturbed {
    lab: Lab,
    results: Vec<(&'static str, String)>,
    letters: letters::Told,
}

/// A night with up to so many kills; gives how many there were. In some nights the list comes after the first traces.
fn a_night_with_kills(
    most: usize,
    random: &mut Random,
    undisturbed: &Undisturbed,
    met: &mut Met,
) -> usize {
    let hook = letters::hook();
    let lab = letters::posting_to(lab(), &hook);
    let list_comes_after = random.below(3) as usize * 2;
    let mut exported = 0;
    let mut killed = 0;
    for _ in 0..most {
        list_if_due(&lab, exported >= list_comes_after);
        for _ in 0..random.below(2) {
            export_next(&lab, &mut exported);
        }
        killed += usize::from(one_life(&lab, &hook, random, &mut exported, met));
    }
    list_if_due(&lab, true);
    (exported + 1..=INJECTIONS).for_each(|p| drifting::export(&lab, p));
    let mut daemon = lab.watch();
    let waiting = Instant::now();
    let there = || {
        results(&lab) == undisturbed.results
            && letters::told(&hook).is_superset(&undisturbed.letters)
            && sheets(&lab) == 1
    };
    while !there() && waiting.elapsed() < Duration::from_secs(20) {
        sleep(Duration::from_millis(20));
    }
    daemon.wait_until("it still runs", || true);
    daemon.stop();
    same(&lab, &undisturbed.results);
    assert_eq!(sheets(&lab), 1, "traces stay in a queue without a list");
    nothing_lost_nothing_twice(&lab, &undisturbed.lab);
    assert_eq!(letters::told(&hook), undisturbed.letters);
    met.again += letters::repeats_are_the_same(&hook);
    killed
}

fn list_if_due(lab: &Lab, is_due: bool) {
    if is_due && !lab.exports().join("crocks.runlist.csv").exists() {
        lab.list("crocks", &drifting::rows());
    }
}

/// Queues with a sheet.
fn sheets(lab: &Lab) -> usize {
    let files = lab.files("results").into_keys();
    files.filter(|p| p.ends_with("sheet.csv")).count()
}

#[test]
fn watch_killed_at_random_instants_ends_as_if_nothing_had_happened() {
    let mut random = Random::new("watch");
    let since = Instant::now();
    let lab = undisturbed();
    let undisturbed = Undisturbed {
        results: results(&lab),
        letters: letters::of_an_undisturbed_night(self::lab()),
        lab,
    };
    let (mut met, mut left) = (Met::default(), kills());
    while left > 0 {
        left -= a_night_with_kills(left.min(A_NIGHT), &mut random, &undisturbed, &mut met);
    }
    met.print("watch", since);
}

#[test]
fn process_killed_at_random_instants_ends_as_if_nothing_had_happened() {
    let mut random = Random::new("process");
    let since = Instant::now();
    let other = lab();
    drifting::play(&other);
    let working = Instant::now();
    other.process().ends(1);
    // What is longer than the work only ends a run by itself.
    let longest = working.elapsed();
    let expected = results(&other);
    let (mut met, mut left) = (Met::default(), kills());
    while left > 0 {
        let lab = lab();
        drifting::play(&lab);
        for _ in 0..A_NIGHT {
            let child = start(&lab, &["process", "exports"]);
            if random.below(2) == 0 {
                sleep(random.up_to(longest));
            } else {
                after_some_writes(&lab, &mut random);
                sleep(random.up_to(Duration::from_millis(4)));
            }
            if !kill(&lab, child, &[Some(1)]) || left == 0 {
                break;
            }
            met.count(came_to(&lab));
            left -= 1;
        }
        lab.process().ends(1);
        same(&lab, &expected);
        nothing_lost_nothing_twice(&lab, &other);
    }
    met.print("process", since);
}

/// How far a `process` has come, with those that were killed before it.
fn came_to(lab: &Lab) -> &'static str {
    let there = |name: &str| lab.results("crocks").join(name).exists();
    if !lab.root().join("state/machine").exists() {
        "before the ledger was ready"
    } else if !there("sheet.csv") {
        "before a result was written"
    } else if !there("summary.txt") {
        "between the results"
    } else {
        "when all results were there"
    }
}

#[test]
fn what_kills_left_half_written_is_removed_at_the_next_start() {
    let lab = lab();
    drifting::play(&lab);
    let folders = [
        "results/acids",
        "results/acids/alerts",
        "results/acids/crocks",
        "state",
    ];
    for folder in folders {
        lab.write(&format!("{folder}/.writing-x1.tmp"), "half of it");
    }
    let notes = lab.write("results/acids/notes.tmp", "not ours");
    lab.process().ends(1);
    for folder in folders {
        let left = lab.root().join(folder).join(".writing-x1.tmp");
        assert!(!left.exists(), "it stays in {folder}");
    }
    assert!(notes.exists());
}
