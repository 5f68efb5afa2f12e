//! Letters: they leave when something fails, wait while nobody takes them, and hold nothing up.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use crate::chromatogram::{both, trace};
use crate::daemon::Daemon;
use crate::hook::{Hook, Mood, Posted, hmac};
use crate::lab::Lab;
use crate::runlist::{Row, sample, standard};

const SECRET: &str = "a secret of some length";

pub fn lab(hook: &Hook) -> Lab {
    let lab = Lab::new().section(&format!(
        "[alert.webhook]\nurl = \"{}\"\nsecret_file = \"secret\"\n",
        hook.url()
    ));
    secret(&lab);
    lab
}

/// A file with the secret that nobody else can read.
fn secret(lab: &Lab) {
    use std::os::unix::fs::PermissionsExt as _;
    let path = lab.write("secret", &format!("{SECRET}\n"));
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).unwrap();
}

/// Standard, sample, standard, sample, standard …
pub fn rows(n: usize) -> Vec<Row> {
    let row = |k: usize| match k % 2 {
        0 => standard("mid"),
        _ => sample(&format!("brine {k}")),
    };
    (0..n).map(row).collect()
}

pub fn good(lab: &Lab, position: usize) {
    let content = if position % 2 == 1 {
        both(5.0)
    } else {
        both(3.0)
    };
    lab.export(&format!("crocks-{position:02}"), &content);
}

pub fn low(lab: &Lab, position: usize) {
    lab.export(
        &format!("crocks-{position:02}"),
        &trace().lactic(4.2).acetic(5.0),
    );
}

fn kinds(all: &[Posted]) -> Vec<String> {
    all.iter().map(|p| p.text("kind")).collect()
}

fn of_kind(hook: &Hook, kind: &str) -> Vec<Posted> {
    hook.accepted()
        .into_iter()
        .filter(|p| p.text("kind") == kind)
        .collect()
}

fn wait_for(daemon: &mut Daemon, hook: &Hook, kind: &str, n: usize) {
    daemon.wait_until(&format!("{n} of {kind} arrive"), || {
        of_kind(hook, kind).len() >= n
    });
}

#[test]
fn an_alert_arrives_signed_and_so_does_the_summary() {
    let hook = Hook::new(Mood::Status(204));
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    good(&lab, 1);
    good(&lab, 2);
    low(&lab, 3);
    wait_for(&mut daemon, &hook, "alert", 1);
    wait_for(&mut daemon, &hook, "queue-ended", 1);
    daemon.stop();
    let all = hook.accepted();
    assert_eq!(kinds(&all), ["alert", "queue-ended"]);
    for posted in &all {
        assert_eq!(
            posted.signature,
            format!("sha256={}", hmac(SECRET.as_bytes(), posted.body.as_bytes()))
        );
        assert_eq!(
            (posted.path.as_str(), posted.content_type.as_str()),
            ("/hook?from=test", "application/json")
        );
        assert_eq!(
            (posted.text("station"), posted.text("queue")),
            ("acids".to_owned(), "crocks".to_owned())
        );
    }
    let alert = &all[0];
    assert_eq!(
        alert.text("subject"),
        "standard low: lactic acid 84 % at 3 of 3, 1 sample to rerun"
    );
    assert_eq!(alert.text("key"), "crocks|slot:crocks-03");
    let payload: serde_json::Value = serde_json::from_str(&alert.body).unwrap();
    assert_eq!(
        payload["checks"],
        serde_json::json!(["recovery", "standard-drift"])
    );
    // What is posted is what stands in the file.
    let file = &lab.messages()["crocks-003-crocks-03.txt"];
    assert_eq!(&alert.text("text"), file);
    // The letter with the summary leaves when the summary is there.
    assert_eq!(all[1].text("text"), lab.summary("crocks"));
    assert_eq!(all[1].text("audience"), "summary");
}

#[test]
fn the_documented_form_is_what_is_posted() {
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    good(&lab, 1);
    lab.export_as("exports/crocks-02.csv", "this is no trace\n");
    low(&lab, 3);
    wait_for(&mut daemon, &hook, "queue-ended", 1);
    daemon.stop();
    let schema: serde_json::Value = serde_json::from_str(
        &std::fs::read_to_string(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/config/webhook.schema.json"
        ))
        .unwrap(),
    )
    .unwrap();
    let names = |v: &serde_json::Value| -> BTreeSet<String> {
        v.as_object().unwrap().keys().cloned().collect()
    };
    let required = |v: &serde_json::Value| -> BTreeSet<String> {
        let all = v["required"].as_array().unwrap();
        all.iter().map(|n| n.as_str().unwrap().to_owned()).collect()
    };
    let alert = &schema["$defs"]["alert"];
    assert_eq!(names(&schema["properties"]), required(&schema));
    assert_eq!(names(&alert["properties"]), required(alert));
    let kinds: BTreeSet<String> = schema["properties"]["kind"]["enum"]
        .as_array()
        .unwrap()
        .iter()
        .map(|k| k.as_str().unwrap().to_owned())
        .collect();
    let mut alerts = 0;
    for posted in hook.accepted() {
        let payload: serde_json::Value = serde_json::from_str(&posted.body).unwrap();
        assert_eq!(
            names(&payload),
            names(&schema["properties"]),
            "{}",
            posted.body
        );
        assert!(
            kinds.contains(&posted.text("kind")),
            "{}",
            posted.text("kind")
        );
        for one in payload["alerts"].as_array().unwrap() {
            assert_eq!(names(one), names(&alert["properties"]));
            alerts += 1;
        }
    }
    assert!(alerts >= 3, "{alerts}");
}

#[test]
fn a_server_that_was_away_gets_each_letter_once_when_it_is_back() {
    let hook = Hook::new(Mood::Gone);
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    good(&lab, 1);
    good(&lab, 2);
    low(&lab, 3);
    daemon.wait_until("the file is there and the letter was tried", || {
        !lab.messages().is_empty() && hook.calls() >= 2
    });
    assert_eq!(hook.accepted().len(), 0);
    hook.set(Mood::Status(200));
    wait_for(&mut daemon, &hook, "queue-ended", 1);
    wait_for(&mut daemon, &hook, "alert", 1);
    daemon.stop();
    let mut all = kinds(&hook.accepted());
    all.sort();
    assert_eq!(all, ["alert", "queue-ended"]);
}

#[test]
fn what_was_unsent_at_a_kill_is_sent_after_it_with_the_same_key() {
    let hook = Hook::new(Mood::Status(503));
    let lab = lab(&hook);
    lab.list("crocks", &rows(5));
    let mut daemon = lab.watch();
    good(&lab, 1);
    good(&lab, 2);
    low(&lab, 3);
    daemon.wait_until("it was tried", || !hook.refused().is_empty());
    daemon.signal("KILL");
    let before: BTreeSet<String> = hook.refused().iter().map(|p| p.text("key")).collect();
    assert_eq!(before, BTreeSet::from(["crocks|slot:crocks-03".to_owned()]));
    hook.set(Mood::Status(200));
    // It lands while nobody watches.
    good(&lab, 4);
    let mut daemon = lab.watch();
    wait_for(&mut daemon, &hook, "alert", 1);
    // The start that follows the kill says that nobody watched.
    wait_for(&mut daemon, &hook, "unwatched", 1);
    // One that arrived and is not known to have arrived would be sent once more by the next start.
    daemon.wait_until("both are known to have arrived", || {
        lab.watch_log().matches("letter sent").count() >= 2
    });
    let alert = of_kind(&hook, "alert").remove(0);
    assert_eq!(
        (alert.text("key"), alert.text("repeat")),
        ("crocks|slot:crocks-03".to_owned(), "0".to_owned())
    );
    daemon.stop();
    let files: Vec<String> = lab
        .messages()
        .into_keys()
        .filter(|n| n.starts_with("unwatched-"))
        .collect();
    assert_eq!(files.len(), 1, "{files:?}");
    let text = &lab.messages()[&files[0]];
    assert!(
        text.contains("1 trace: crocks-04.csv") && text.contains("crocks goes on"),
        "{text}"
    );
    // The next start follows an orderly stop and has nothing to tell of.
    let daemon = lab.watch();
    std::thread::sleep(Duration::from_millis(800));
    daemon.stop();
    assert_eq!(of_kind(&hook, "unwatched").len(), 1);
    // Another crash soon after is told later, with what came until then: a program that crashes again and again floods nobody.
    let daemon = lab.watch();
    daemon.signal("KILL");
    let daemon = lab.watch();
    std::thread::sleep(Duration::from_millis(800));
    daemon.stop();
    assert_eq!(of_kind(&hook, "unwatched").len(), 1);
}

#[test]
fn kills_at_any_moment_lose_no_alert() {
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    let n = 13;
    lab.list("crocks", &rows(n));
    good(&lab, 1);
    // Each other standard fails; the daemon is killed after less and less time.
    let mut failing = BTreeSet::new();
    for round in 0..6_u64 {
        let daemon = lab.watch();
        let position = 2 * usize::try_from(round).unwrap() + 2;
        good(&lab, position);
        low(&lab, position + 1);
        failing.insert(format!("crocks|slot:crocks-{:02}", position + 1));
        std::thread::sleep(Duration::from_millis(700 - 90 * round));
        daemon.signal("KILL");
    }
    let mut daemon = lab.watch();
    daemon.wait_until("every failure is told", || {
        let told: String = hook.accepted().iter().map(|p| p.body.clone()).collect();
        (1..=6).all(|k| {
            told.contains(&format!("at {} of {n}", 2 * k + 1))
                || told.contains(&format!("crocks-{:02}.csv", 2 * k + 1))
            // A kill between the other side's word and its note in the ledger repeats a letter, under the same key.
        }) && !of_kind(&hook, "queue-ended").is_empty()
    });
    daemon.stop();
    // A repeat carries the key of what it repeats: nothing else was told, and each failure has its file.
    for posted in hook
        .accepted()
        .iter()
        .filter(|p| ["alert", "digest"].contains(&p.text("kind").as_str()))
    {
        assert!(
            failing.contains(&posted.text("key")),
            "{}",
            posted.text("key")
        );
    }
    for key in &failing {
        let stem = key.rsplit(':').next().unwrap();
        assert!(
            lab.messages()
                .keys()
                .any(|f| f.ends_with(&format!("-{stem}.txt"))),
            "{stem}"
        );
    }
}

#[test]
fn a_server_that_hangs_delays_no_trace_and_not_the_end() {
    let hook = Hook::new(Mood::Silent);
    let lab = lab(&hook);
    lab.list("crocks", &rows(9));
    let mut daemon = lab.watch();
    low(&lab, 1);
    daemon.wait_until("it hangs", || hook.calls() >= 1);
    let started = Instant::now();
    for position in 2..=8 {
        good(&lab, position);
        daemon.wait_until("the trace is in the sheet", || {
            lab.sheet("crocks").rows.len() >= 2 * position
        });
    }
    // Seven traces, each with its quiet time of 0.2 s; one that waited for the server would take 15 s.
    assert!(
        started.elapsed() < Duration::from_secs(12),
        "{:?}",
        started.elapsed()
    );
    let stopping = Instant::now();
    daemon.stop();
    assert!(
        stopping.elapsed() < Duration::from_secs(3),
        "{:?}",
        stopping.elapsed()
    );
}

#[test]
fn a_storm_is_one_letter_and_a_digest() {
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    let n = 41;
    lab.list("crocks", &rows(n));
    for position in 1..=n {
        if position % 2 == 1 {
            low(&lab, position);
        } else {
            good(&lab, position);
        }
    }
    let mut daemon = lab.watch();
    wait_for(&mut daemon, &hook, "queue-ended", 1);
    daemon.stop();
    let all = hook.accepted();
    assert_eq!(kinds(&all), ["alert", "digest", "queue-ended"]);
    assert_eq!(lab.messages().len(), 21, "each has a file");
    let digest = &all[1];
    assert_eq!(
        (digest.text("key"), digest.text("repeat")),
        (all[0].text("key"), "1".to_owned())
    );
    assert!(
        digest
            .text("subject")
            .starts_with("20 more: recovery at 3, 5"),
        "{}",
        digest.text("subject")
    );
    for position in (3..=n).step_by(2) {
        let name = format!("at {position} of {n}");
        assert!(
            digest.text("text").contains(&name),
            "{name}: {}",
            digest.text("text")
        );
    }
}

#[test]
fn a_refusal_for_good_is_told_in_the_alert_folder() {
    let hook = Hook::new(Mood::Status(404));
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    good(&lab, 1);
    low(&lab, 3);
    let not_sent = || -> Vec<String> {
        lab.messages()
            .into_iter()
            .filter(|(n, _)| n.starts_with("not-sent-webhook-"))
            .map(|(_, t)| t)
            .collect()
    };
    daemon.wait_until("the folder says so", || !not_sent().is_empty());
    daemon.stop();
    let text = not_sent().remove(0);
    assert!(
        text.contains("status 404") && text.contains("standard low"),
        "{text}"
    );
    assert!(
        !text.contains("from=test"),
        "an address may hold what is nobody's business: {text}"
    );
}

#[test]
fn redirects_are_not_followed() {
    let hook = Hook::new(Mood::Status(307));
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    low(&lab, 1);
    daemon.wait_until("it is told", || {
        lab.messages().keys().any(|n| n.starts_with("not-sent-"))
    });
    daemon.stop();
    let log = std::fs::read_to_string(lab.root().join("watch.log")).unwrap();
    assert!(log.contains("redirects are not followed"), "{log}");
}

#[test]
fn a_list_that_cannot_be_used_is_told_and_cleared() {
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    lab.raw_list("crocks", "position,kind,file\n1,nonsense,crocks-01\n");
    let mut daemon = lab.watch();
    wait_for(&mut daemon, &hook, "alert", 1);
    let told = of_kind(&hook, "alert").remove(0);
    assert_eq!(told.text("subject"), "crocks: the run list cannot be used");
    daemon.stop();
    // A restart reads the same list again and has nothing new to say, neither by letter nor by file.
    let daemon = lab.watch();
    std::thread::sleep(Duration::from_millis(1200));
    assert_eq!(hook.accepted().len(), 1, "{:?}", kinds(&hook.accepted()));
    assert_eq!(lab.messages().len(), 1, "{:?}", lab.messages());
    daemon.stop();
    // Mended while nothing ran: the next start knows of it only what it had told.
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    wait_for(&mut daemon, &hook, "over", 1);
    daemon.stop();
    let over = of_kind(&hook, "over").remove(0);
    assert_eq!(
        (over.text("key"), over.text("repeat")),
        (told.text("key"), "1".to_owned())
    );
}

#[test]
fn process_sends_nothing() {
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    good(&lab, 1);
    low(&lab, 3);
    lab.process().ends(1);
    assert_eq!(lab.messages().len(), 1);
    assert_eq!(hook.calls(), 0);
}

#[test]
fn only_a_safe_address_is_configured() {
    for (url, code) in [
        ("http://127.0.0.1:1/x", 0),
        ("https://lab.example/x", 0),
        ("http://lab.example/x", 2),
        ("http://127.0.0.1@lab.example/", 2),
    ] {
        let lab = Lab::new().section(&format!(
            "[alert.webhook]\nurl = \"{url}\"\nsecret_file = \"secret\"\n"
        ));
        secret(&lab);
        let done = lab.run(&["check"]).ends(code);
        if code == 2 {
            assert!(
                done.stderr
                    .contains("expected an address that begins with https://"),
                "{}",
                done.stderr
            );
        }
    }
}
