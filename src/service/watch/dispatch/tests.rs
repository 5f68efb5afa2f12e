use std::collections::VecDeque;
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use super::*;
use crate::ledger::Told;
use crate::post::{Audience, Delivery, Letter};

type Seen = Arc<Mutex<Vec<(String, String)>>>;

/// Answers as it is told to, then with success; remembers what it got.
struct Scripted {
    name: &'static str,
    answers: Mutex<VecDeque<Result<(), Refusal>>>,
    seen: Seen,
}

impl Carrier for Scripted {
    fn name(&self) -> &str {
        self.name
    }

    fn deliver<'a>(&'a self, letter: &'a Letter, _: Timestamp) -> Delivery<'a> {
        let answer = self.answers.lock().unwrap().pop_front().unwrap_or(Ok(()));
        self.seen
            .lock()
            .unwrap()
            .push((letter.key.clone(), letter.text.clone()));
        Box::pin(async move { answer })
    }
}

struct Office {
    _dir: tempfile::TempDir,
    ledger: Ledger,
    dispatch: Dispatch,
    signals: Receiver<Signal>,
    seen: Seen,
}

fn at(s: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + s).unwrap()
}

fn letter(key: &str) -> Letter {
    Letter {
        key: key.to_owned(),
        repeat: 0,
        station: "acids".to_owned(),
        queue: "crocks".to_owned(),
        audience: Audience::Now,
        subject: key.to_owned(),
        text: format!("{key}\n"),
        html: String::new(),
        attachments: Vec::new(),
        raised_at: at(0),
        payload: serde_json::json!({}),
    }
}

fn transient() -> Result<(), Refusal> {
    Err(Refusal::Transient("451 greylisted, try again".to_owned()))
}

impl Office {
    fn new(answers: impl IntoIterator<Item = Result<(), Refusal>>) -> Office {
        let dir = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(dir.path()).unwrap();
        let seen = Seen::default();
        let carrier = Scripted {
            name: "mail",
            answers: Mutex::new(answers.into_iter().collect()),
            seen: Arc::clone(&seen),
        };
        let (send, signals) = channel();
        Office {
            _dir: dir,
            ledger,
            dispatch: Dispatch::new(vec![Arc::new(carrier)], send, 1.0),
            signals,
            seen,
        }
    }

    fn queue(&mut self, key: &str, carrier: &str, now: Timestamp) {
        let letters = [letter(key)];
        let carriers = [carrier.to_owned()];
        let told = Told {
            letters: &letters,
            carriers: &carriers,
            ..Told::default()
        };
        self.ledger
            .keep_told("acids", "crocks", &told, now)
            .unwrap();
        self.dispatch.look_again(&self.ledger).unwrap();
    }

    /// Sends what is due and waits for so many reports.
    fn turn(&mut self, now: Timestamp, reports: usize) -> Vec<Lost> {
        let mut lost = self.dispatch.send_due(&mut self.ledger, now).unwrap();
        for _ in 0..reports {
            match self.signals.recv_timeout(Duration::from_secs(20)).unwrap() {
                Signal::Post(report) => {
                    lost.extend(self.dispatch.hear(&mut self.ledger, report, now).unwrap());
                }
                other => panic!("{other:?}"),
            }
        }
        for lost in &lost {
            self.dispatch.give_up(&mut self.ledger, lost, now).unwrap();
        }
        lost
    }

    fn keys(&self) -> Vec<String> {
        self.seen
            .lock()
            .unwrap()
            .iter()
            .map(|(key, _)| key.clone())
            .collect()
    }
}

#[test]
fn a_letter_goes_out_once() {
    let mut office = Office::new([]);
    office.queue("a", "mail", at(0));
    assert_eq!(office.turn(at(0), 1), []);
    assert_eq!(office.dispatch.next(), None);
    assert!(office.dispatch.is_idle(&office.ledger).unwrap());
    office.turn(at(1000), 0);
    assert_eq!(office.keys(), ["a"]);
}

#[test]
fn greylisting_is_survived() {
    let mut office = Office::new([transient(), transient()]);
    office.queue("a", "mail", at(0));
    assert_eq!(office.turn(at(0), 1), []);
    let next = office.dispatch.next().unwrap();
    assert!(next >= at(3) && next <= at(7), "{next}");
    office.turn(at(2), 0);
    assert_eq!(office.keys().len(), 1, "not before its time");
    office.turn(at(10), 1);
    let next = office.dispatch.next().unwrap();
    assert!(next >= at(21) && next <= at(29), "{next}");
    office.turn(at(30), 1);
    assert_eq!(office.keys(), ["a", "a", "a"]);
    assert!(office.dispatch.is_idle(&office.ledger).unwrap());
}

#[test]
fn a_server_that_is_back_gets_all_that_waits() {
    let mut office = Office::new([transient(), transient(), transient(), transient()]);
    office.queue("a", "mail", at(0));
    office.queue("b", "mail", at(0));
    office.turn(at(0), 2);
    office.turn(at(10), 2);
    // b is new and arrives; what waited behind it need not wait out its time.
    office.queue("c", "mail", at(11));
    office.turn(at(11), 1);
    assert_eq!(office.keys().last().map(String::as_str), Some("c"));
    office.turn(at(11), 2);
    assert!(office.dispatch.is_idle(&office.ledger).unwrap());
}

#[test]
fn no_letter_waits_for_a_clock_that_was_set_back() {
    // One that was never tried, and one that is to be tried again: both by a clock that goes a day ahead.
    for answers in [Vec::new(), vec![transient()]] {
        let tries = answers.len();
        let mut office = Office::new(answers);
        office.queue("a", "mail", at(86_400));
        office.turn(at(86_400 * tries as i64), tries);
        let Office {
            ledger, dispatch, ..
        } = &mut office;
        dispatch.clock_set_back(ledger, at(20)).unwrap();
        office.turn(at(20), 1);
        assert!(office.dispatch.is_idle(&office.ledger).unwrap());
        assert_eq!(office.keys().len(), tries + 1);
    }
    // The same where the clock was set while nothing ran.
    let mut office = Office::new([]);
    office.queue("a", "mail", at(86_400));
    let Office {
        ledger, dispatch, ..
    } = &mut office;
    dispatch.start(ledger, at(20)).unwrap();
    dispatch.look_again(ledger).unwrap();
    office.turn(at(20), 1);
    assert_eq!(office.keys(), ["a"]);
}

#[test]
fn a_refusal_for_good_is_handed_back_and_not_tried_again() {
    let mut office = Office::new([Err(Refusal::Permanent("550 no such user".to_owned()))]);
    office.queue("a", "mail", at(0));
    let lost = office.turn(at(0), 1);
    assert_eq!((lost.len(), lost[0].why.as_str()), (1, "550 no such user"));
    assert_eq!(lost[0].waiting.letter.key, "a");
    office.turn(at(100_000), 0);
    assert_eq!(office.keys(), ["a"]);
}

#[test]
fn after_a_day_it_is_given_up_but_never_untried() {
    let mut office = Office::new([transient(), transient()]);
    office.queue("a", "mail", at(0));
    assert_eq!(office.turn(at(86_399), 1), [], "just inside");
    let lost = office.turn(at(86_400 + 900), 1);
    assert_eq!(lost.len(), 1);
    assert_eq!(office.keys().len(), 2);
    // One that lay there for two days, while nothing ran, is tried once all the same.
    let mut office = Office::new([]);
    office.queue("b", "mail", at(0));
    assert_eq!(office.turn(at(172_800), 1), []);
    let seen = office.seen.lock().unwrap();
    assert!(
        seen[0].1.starts_with("This message is 2 days old"),
        "{}",
        seen[0].1
    );
}

#[test]
fn letters_of_a_carrier_that_is_gone_are_handed_back() {
    let mut office = Office::new([]);
    office.queue("a", "webhook", at(0));
    let lost = office.turn(at(0), 0);
    assert_eq!(lost[0].why, "webhook is not configured any more");
    assert!(office.dispatch.is_idle(&office.ledger).unwrap());
}

#[test]
fn what_was_on_its_way_at_a_kill_is_sent_again_with_the_same_key() {
    let mut office = Office::new([]);
    office.queue("a", "mail", at(0));
    office.dispatch.send_due(&mut office.ledger, at(0)).unwrap();
    let _unheard = office
        .signals
        .recv_timeout(Duration::from_secs(20))
        .unwrap();
    // The report was never kept: another dispatch finds the letter waiting.
    let (send, signals) = channel();
    let carriers = office.dispatch.carriers.clone();
    office.dispatch = Dispatch::new(carriers, send, 1.0);
    office.signals = signals;
    office.dispatch.start(&mut office.ledger, at(5)).unwrap();
    office.turn(at(5), 1);
    assert_eq!(office.keys(), ["a", "a"]);
    assert!(office.dispatch.is_idle(&office.ledger).unwrap());
}

#[test]
fn the_same_letter_is_not_queued_twice() {
    let mut office = Office::new([]);
    office.queue("a", "mail", at(0));
    office.queue("a", "mail", at(1));
    office.turn(at(2), 1);
    assert!(office.dispatch.is_idle(&office.ledger).unwrap());
    assert_eq!(office.keys(), ["a"]);
}

#[test]
fn while_the_worker_is_full_nobody_spins() {
    let mut office = Office::new([]);
    for k in 0..20 {
        office.queue(&format!("k{k:02}"), "mail", at(0));
    }
    office.dispatch.send_due(&mut office.ledger, at(0)).unwrap();
    assert_eq!(
        office.dispatch.next(),
        None,
        "the next report is waited for"
    );
    for _ in 0..20 {
        office.turn(at(0), 1);
    }
    assert_eq!(office.keys().len(), 20);
    assert!(office.keys().is_sorted());
}
