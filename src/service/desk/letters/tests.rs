use std::path::PathBuf;

use jiff::SignedDuration;

use super::*;
use crate::config::Config;
use crate::intake::scan;
use crate::ledger::Waiting;
use crate::post::Audience;
use crate::rehearsal::{Night, Scenario};
use crate::service::evaluate::{Outcome, evaluate};

/// A station at work on a clock that is made up; its traces are those of a simulated night.
struct Post {
    _root: tempfile::TempDir,
    config: Config,
    exports: PathBuf,
    night: Night,
    ledger: Option<Ledger>,
    desk: Option<Desk>,
    now: Timestamp,
}

impl Post {
    fn new(scenario: Scenario, alert: &str) -> Post {
        let root = tempfile::tempdir().unwrap();
        let night = Night::build(scenario, 1);
        let folders = night.lay_out(root.path(), 0.3).unwrap();
        let text = std::fs::read_to_string(&folders.config).unwrap();
        std::fs::write(&folders.config, text.replace("remind_min  = 60", alert)).unwrap();
        let config = crate::config::file::load(&folders.config).unwrap();
        let mut post = Post {
            _root: root,
            config,
            exports: folders.exports,
            night,
            ledger: None,
            desk: None,
            // 20:00 UTC.
            now: Timestamp::from_second(1_790_020_800).unwrap(),
        };
        post.start();
        let path = post.exports.join(Night::run_list_file());
        std::fs::write(&path, post.night.run_list_csv()).unwrap();
        let seen = scan::look_at(&path).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        let now = post.now;
        post.with(|desk, ledger| desk.take_list(ledger, &seen, bytes, now).unwrap());
        post
    }

    /// A start, after a kill where it ran already. Everything that lay there has been taken.
    fn start(&mut self) {
        (self.desk, self.ledger) = (None, None);
        let mut ledger = Ledger::open(&self.config.state_dir).unwrap();
        let mut desk =
            Desk::open(&self.config, &self.config.stations[0], &mut ledger, 1.0).unwrap();
        desk.post_by(vec!["webhook".to_owned()], &self.config.alert, 1.0);
        desk.zone = jiff::tz::TimeZone::UTC;
        desk.load_open(&mut ledger).unwrap();
        desk.is_complete();
        (self.desk, self.ledger) = (Some(desk), Some(ledger));
    }

    fn with<T>(&mut self, act: impl FnOnce(&mut Desk, &mut Ledger) -> T) -> T {
        act(self.desk.as_mut().unwrap(), self.ledger.as_mut().unwrap())
    }

    /// Lands what the night has at this position, without a judgement.
    fn land(&mut self, position: usize) {
        let path = self.exports.join(format!("crocks-{position:02}.csv"));
        std::fs::write(&path, self.night.chromatograms[position - 1].text(0.0)).unwrap();
        let seen = scan::look_at(&path).unwrap();
        let now = self.now;
        self.with(|desk, ledger| {
            let Outcome::Taken(taken) = evaluate(seen, desk.bench(), &mut Vec::new()) else {
                panic!("{}", path.display());
            };
            desk.land(ledger, vec![*taken], now).unwrap();
        });
    }

    fn wait(&mut self, minutes: i64) {
        self.now = self
            .now
            .checked_add(SignedDuration::from_mins(minutes))
            .unwrap();
        self.settle();
    }

    fn settle(&mut self) {
        let now = self.now;
        self.with(|desk, ledger| {
            desk.tick(now);
            desk.settle(ledger, now).unwrap();
        });
    }

    fn letters(&mut self) -> Vec<Waiting> {
        let now = Timestamp::MAX;
        self.with(|_, ledger| ledger.due_letters(now, usize::MAX, |_, _| true).unwrap())
    }

    fn subjects(&mut self) -> Vec<String> {
        self.letters()
            .into_iter()
            .map(|w| w.letter.subject)
            .collect()
    }

    fn kinds(&mut self) -> Vec<String> {
        let kind = |w: Waiting| w.letter.payload["kind"].as_str().unwrap().to_owned();
        self.letters().into_iter().map(kind).collect()
    }
}

#[test]
fn a_stopped_queue_is_told_reminded_and_ends_with_its_summary() {
    let mut post = Post::new(Scenario::Calm, "remind_min = 10");
    for position in 1..=3 {
        post.land(position);
        post.wait(22);
    }
    assert_eq!(post.kinds(), [] as [&str; 0]);
    // Late ten minutes after its time; reminded every ten minutes until the queue counts as ended.
    for _ in 0..60 {
        post.wait(1);
    }
    assert_eq!(
        post.kinds(),
        [
            "alert",
            "reminder",
            "reminder",
            "reminder",
            "alert",
            "queue-ended"
        ]
    );
    let subjects = post.subjects();
    // Its calibrators never came.
    assert!(
        subjects[4].starts_with("crocks: calibration misses"),
        "{subjects:?}"
    );
    assert_eq!(subjects[0], "crocks has stopped: no trace for 32 min");
    assert!(
        subjects[1].starts_with("still, 10 min: crocks has stopped"),
        "{subjects:?}"
    );
    assert!(
        subjects[3].starts_with("still, 30 min: crocks has stopped"),
        "{subjects:?}"
    );
    let keys: Vec<(String, u32)> = post
        .letters()
        .into_iter()
        .map(|w| (w.letter.key, w.letter.repeat))
        .collect();
    assert!(keys[..4].iter().all(|(k, _)| *k == keys[0].0), "{keys:?}");
    assert_eq!(
        keys.iter().map(|(_, r)| *r).collect::<Vec<_>>(),
        [0, 1, 2, 3, 0, 0]
    );
    let reminder = &post.letters()[1].letter;
    assert!(
        reminder.text.starts_with("This goes on for 10 min, since "),
        "{}",
        reminder.text
    );
    let end = post.letters().pop().unwrap().letter;
    assert_eq!(end.audience, Audience::Summary);
    assert!(
        end.attachments[0].file_name.ends_with("rerun.csv"),
        "{:?}",
        end.attachments
    );
    assert_eq!(
        end.text,
        std::fs::read_to_string(post.config.results_dir.join("acids/crocks/summary.txt")).unwrap()
    );
}

#[test]
fn a_kill_at_any_step_loses_nothing_and_repeats_no_record() {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    for position in 1..=24 {
        post.land(position);
        // Killed after the landing, before it was judged.
        post.start();
        post.wait(22);
        // Killed after everything was kept.
        post.start();
        post.settle();
    }
    let disturbed: Vec<(String, u32, String)> = post
        .letters()
        .into_iter()
        .map(|w| (w.letter.key, w.letter.repeat, w.letter.subject))
        .collect();
    let mut calm = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    for position in 1..=24 {
        calm.land(position);
        calm.wait(22);
    }
    let calm: Vec<(String, u32, String)> = calm
        .letters()
        .into_iter()
        .map(|w| (w.letter.key, w.letter.repeat, w.letter.subject))
        .collect();
    assert_eq!(disturbed, calm);
    let keys: Vec<&str> = calm.iter().map(|(k, ..)| k.as_str()).collect();
    assert_eq!(
        keys,
        [
            "crocks|slot:crocks-15",
            "crocks|slot:crocks-19",
            "crocks|slot:crocks-23",
            "crocks|queue-ended"
        ]
    );
}

#[test]
fn a_letter_and_the_record_that_it_was_told_stand_or_fall_together() {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    for position in 1..=19 {
        post.land(position);
        post.wait(22);
    }
    let letters = post.letters().len();
    let told = post.with(|desk, ledger| ledger.book(&desk.station.name, "crocks").unwrap());
    assert_eq!(
        told.told
            .iter()
            .map(|t| usize::try_from(t.letters).unwrap())
            .sum::<usize>(),
        letters
    );
    assert!(letters >= 2);
    // What the outbox has is what the book knows, also for the next start.
    post.start();
    post.settle();
    assert_eq!(post.letters().len(), letters);
}

#[test]
fn a_queue_that_runs_at_the_hour_gets_its_summary_once() {
    let mut post = Post::new(Scenario::Calm, "summary_at = \"21:00\"");
    for position in 1..=2 {
        post.land(position);
        post.wait(22);
    }
    assert_eq!(post.kinds(), [] as [&str; 0], "20:44");
    post.land(3);
    post.wait(22);
    assert_eq!(post.kinds(), ["summary-so-far"], "21:06");
    let letter = post.letters().remove(0).letter;
    assert!(
        letter.subject.starts_with("crocks, so far: "),
        "{}",
        letter.subject
    );
    assert_eq!(letter.audience, Audience::Summary);
    post.start();
    post.land(4);
    post.wait(22);
    assert_eq!(
        post.kinds(),
        ["summary-so-far"],
        "once, also after a restart"
    );
}

#[test]
fn a_queue_that_ends_again_tells_again() {
    let mut post = Post::new(Scenario::Calm, "remind_min = 60");
    for position in 1..=24 {
        post.land(position);
        post.wait(22);
    }
    assert_eq!(post.kinds(), ["queue-ended"]);
    let path = post.exports.join("crocks-10.csv");
    std::fs::write(&path, post.night.chromatograms[10].text(0.0)).unwrap();
    let seen = scan::look_at(&path).unwrap();
    let now = post.now;
    post.with(|desk, ledger| {
        let Outcome::Taken(taken) = evaluate(seen, desk.bench(), &mut Vec::new()) else {
            panic!("no trace");
        };
        desk.land(ledger, vec![*taken], now).unwrap();
    });
    post.settle();
    let ends: Vec<(String, u32)> = post
        .letters()
        .into_iter()
        .map(|w| (w.letter.key, w.letter.repeat))
        .filter(|(k, _)| k.ends_with("queue-ended"))
        .collect();
    assert_eq!(
        ends,
        [
            ("crocks|queue-ended".to_owned(), 0),
            ("crocks|queue-ended".to_owned(), 1)
        ]
    );
}

#[test]
fn without_a_way_out_nothing_is_queued() {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    post.with(|desk, _| desk.postbox = None);
    for position in 1..=24 {
        post.land(position);
        post.wait(22);
    }
    assert_eq!(post.letters().len(), 0);
    assert_eq!(
        post.with(|desk, ledger| ledger.messages(&desk.station.name).unwrap())
            .len(),
        3
    );
}

#[test]
fn a_kill_between_the_look_at_the_pressure_and_its_keeping_loses_no_alert() {
    let mut post = Post::new(Scenario::Calm, "remind_min = 60");
    // Files are dated by the clock, and so is the log.
    post.now = Timestamp::now();
    post.land(1);
    post.settle();
    let log = post.config.stations[0].pressure.as_ref().unwrap();
    let at = |s| Timestamp::now() + SignedDuration::from_secs(s);
    let rows = format!(
        "time,pressure_mpa\n{},50.0\n{},50.1\n{},50.2\n",
        at(60),
        at(120),
        at(180)
    );
    std::fs::write(&log.file, rows).unwrap();
    let look = |post: &mut Post| {
        let now = post.now;
        post.with(|desk, ledger| desk.look_at_pressure(ledger, now).unwrap());
    };
    look(&mut post);
    post.start();
    look(&mut post);
    post.settle();
    assert_eq!(post.kinds(), ["alert"]);
    // What was kept is not told again.
    post.start();
    look(&mut post);
    post.settle();
    assert_eq!(post.kinds(), ["alert"]);
}

#[test]
fn a_text_that_waits_to_be_written_does_not_replace_a_newer_one() {
    let mut post = Post::new(Scenario::Calm, "remind_min  = 60");
    let now = post.now;
    post.with(|desk, ledger| {
        let message = tell::unwritable("acids", "cannot write", now, &desk.zone);
        let path = desk.results.join("alerts").join(&message.file_name);
        // As a start finds it that follows upon a kill before the file was written.
        desk.unwritten.insert(path.clone(), "older\n".to_owned());
        desk.write_message(ledger, &message, now).unwrap();
        assert!(desk.flush(true).is_empty());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), message.body);
    });
}
