use std::path::PathBuf;

use jiff::SignedDuration;

use super::*;
use crate::config::Config;
use crate::intake::Seen;
use crate::ledger::ListRecord;
use crate::reading::{Evaluation, Unreadable};
use crate::rehearsal::{Night, Scenario};
use crate::service::evaluate::Taken;

/// A station whose files are made up: where they land does not depend on what is in them.
struct House {
    _root: tempfile::TempDir,
    config: Config,
    ledger: Option<Ledger>,
    desk: Option<Desk>,
    /// The time of the last deed.
    now: Timestamp,
}

fn at(hours: i64) -> Timestamp {
    Timestamp::from_second(1_790_020_800 + hours * 3600).unwrap()
}

impl House {
    fn new() -> House {
        let root = tempfile::tempdir().unwrap();
        let folders = Night::build(Scenario::Calm, 1)
            .lay_out(root.path(), 0.3)
            .unwrap();
        let config = crate::config::file::load(&folders.config).unwrap();
        let mut house = House {
            _root: root,
            config,
            ledger: None,
            desk: None,
            now: at(0),
        };
        house.start();
        house
    }

    fn start(&mut self) {
        (self.desk, self.ledger) = (None, None);
        let mut ledger = Ledger::open(&self.config.state_dir).unwrap();
        let mut desk =
            Desk::open(&self.config, &self.config.stations[0], &mut ledger, 1.0).unwrap();
        desk.load_open_at(&mut ledger, self.now).unwrap();
        (self.desk, self.ledger) = (Some(desk), Some(ledger));
    }

    fn with<T>(&mut self, act: impl FnOnce(&mut Desk, &mut Ledger) -> T) -> T {
        act(self.desk.as_mut().unwrap(), self.ledger.as_mut().unwrap())
    }

    fn list(&mut self, queue: &str, written: Timestamp, stems: &[&str]) {
        self.now = written;
        let rows = stems.iter().enumerate();
        let rows = rows.map(|(k, stem)| format!("{},sample,{stem},{stem}.csv\n", k + 1));
        let text = format!("position,kind,name,file\n{}", rows.collect::<String>());
        let seen = Seen {
            modified: written,
            path: PathBuf::from(format!("/x/{queue}.runlist.csv")),
            size: text.len() as u64,
        };
        self.with(|desk, ledger| {
            desk.take_list(ledger, &seen, text.into_bytes(), written)
                .unwrap();
            desk.settle(ledger, written).unwrap();
        });
    }

    /// Lands a file and says in which queue it lies then.
    fn land(&mut self, stem: &str, written: Timestamp, content: u64) -> String {
        self.now = written;
        let taken = Taken {
            seen: Seen {
                modified: written,
                path: PathBuf::from(format!("/x/{content}/{stem}.csv")),
                size: 1,
            },
            sha256: content.to_string(),
            evaluation: Evaluation::Unreadable(Unreadable {
                line: None,
                message: "made up".to_owned(),
            }),
            may_grow: false,
        };
        self.with(|desk, ledger| {
            desk.land(ledger, vec![taken], written).unwrap();
            desk.settle(ledger, written).unwrap();
            ledger.last_queue(&desk.station.name).unwrap().unwrap()
        })
    }

    /// Time passes until everything has ended and is forgotten.
    fn pass(&mut self, now: Timestamp) {
        self.now = now;
        self.with(|desk, ledger| {
            for now in [now - SignedDuration::from_hours(38), now] {
                desk.tick(now);
                desk.settle(ledger, now).unwrap();
                desk.flush(true);
                desk.tick(now);
            }
        });
    }

    fn in_memory(&mut self) -> Vec<String> {
        self.with(|desk, _| desk.queues().keys().cloned().collect())
    }
}

#[test]
fn a_late_trace_finds_the_list_of_a_night_long_over() {
    let mut house = House::new();
    for night in 0..5 {
        let (queue, own) = (format!("night-{night}"), format!("crock-{night}"));
        house.list(&queue, at(24 * night), &["eluent", &own]);
        assert_eq!(
            house.land("eluent", at(24 * night + 1), night as u64),
            queue
        );
    }
    house.pass(at(24 * 9));
    assert_eq!(house.in_memory(), [""; 0]);
    // By its name, though it is written a week later; and by its time, though every night has such a name.
    assert_eq!(house.land("crock-1", at(24 * 10), 11), "night-1");
    assert_eq!(house.land("eluent", at(24 * 2 + 3), 12), "night-2");
    assert_eq!(house.land("eluent", at(24 * 11), 13), "night-4");
    assert_eq!(house.land("eluent", at(-5), 14), "night-0");
    house.start();
    assert_eq!(house.land("crock-3", at(24 * 12), 15), "night-3");
    assert_eq!(
        house.with(|desk, _| desk.queues()["night-3"].slots().len()),
        2
    );
}

#[test]
fn a_list_with_the_names_of_every_night_takes_up_no_other_night() {
    let mut house = House::new();
    for night in 0..6 {
        house.list(
            &format!("night-{night}"),
            at(24 * night),
            &["eluent", "mid"],
        );
        house.land("eluent", at(24 * night + 1), 10 + night as u64);
    }
    house.pass(at(24 * 12));
    house.list("tonight", at(24 * 13), &["eluent", "mid"]);
    assert_eq!(house.in_memory(), ["tonight"]);
    house.start();
    assert_eq!(house.in_memory(), ["tonight"]);
}

#[test]
fn a_list_claims_a_trace_of_an_unlisted_night_long_over() {
    let mut house = House::new();
    let unlisted = house.land("crock-a", at(1), 1);
    house.land("stray", at(1), 2);
    house.pass(at(24 * 5));
    assert_eq!(house.in_memory(), [""; 0]);
    house.list("crocks", at(24 * 6), &["crock-a"]);
    house.start();
    let station = house.config.stations[0].name.clone();
    let names = |house: &mut House, queue: &str| -> Vec<String> {
        let stored = house.with(|_, ledger| ledger.landings(&station, queue).unwrap());
        stored.into_iter().map(|s| s.landing.stem).collect()
    };
    assert_eq!(names(&mut house, "crocks"), ["crock-a"]);
    assert_eq!(names(&mut house, &unlisted), ["stray"]);
}

#[test]
fn what_a_list_emptied_before_a_kill_is_cleared_at_the_next_start() {
    for ended in [false, true] {
        let mut house = House::new();
        let unlisted = house.land("crock-a", at(1), 1);
        if ended {
            house.pass(at(24 * 5));
        }
        let station = house.config.stations[0].name.clone();
        let folder = house.with(|desk, _| {
            desk.flush(true);
            desk.results_folder().join(&unlisted)
        });
        assert!(folder.join("sheet.csv").exists());
        // The program was killed when the list was kept and had claimed the trace, and nothing else was done.
        let text = "position,kind,name,file\n1,sample,crock-a,crock-a.csv\n";
        let list = ListRecord {
            queue: "crocks".to_owned(),
            content: text.as_bytes().to_vec(),
            sha256: "a list".to_owned(),
            modified: at(0),
            path: PathBuf::from("/x/crocks.runlist.csv"),
        };
        house.with(|_, ledger| {
            ledger.keep_list(&station, &list, at(1)).unwrap();
            let id = ledger.landings(&station, &unlisted).unwrap()[0].landing.id;
            let claimed = [(id, "crock-a".to_owned(), "crocks".to_owned())];
            ledger.move_landings(&station, &claimed).unwrap();
        });
        house.start();
        let now = house.now;
        house.with(|desk, ledger| {
            desk.flush(true);
            desk.settle(ledger, now).unwrap();
        });
        assert!(!folder.exists(), "ended: {ended}");
        let queues = house.with(|_, ledger| ledger.queues(&station).unwrap());
        assert!(!queues.iter().any(|(name, _)| *name == unlisted));
    }
}

#[test]
fn a_list_that_was_replaced_names_nothing_any_more() {
    let mut house = House::new();
    house.list("crocks", at(0), &["a", "b"]);
    house.list("crocks", at(1), &["a"]);
    house.pass(at(24 * 40));
    assert_eq!(house.in_memory(), [""; 0]);
    assert_eq!(house.land("a", at(24 * 40), 1), "crocks");
    assert!(house.land("b", at(24 * 40), 2).starts_with(UNLISTED));
}

#[test]
fn a_list_that_is_spoilt_later_leaves_the_results_of_its_night() {
    let mut house = House::new();
    house.list("crocks", at(0), &["a", "b"]);
    house.land("a", at(1), 1);
    house.pass(at(24 * 5));
    let summary = house.with(|desk, _| desk.folder("crocks").join("sheet.csv"));
    let before = std::fs::read_to_string(&summary).unwrap();
    let seen = Seen {
        modified: at(24 * 6),
        path: PathBuf::from("/x/crocks.runlist.csv"),
        size: 3,
    };
    house.with(|desk, ledger| {
        let now = at(24 * 6);
        desk.take_list(ledger, &seen, b"a,b".to_vec(), now).unwrap();
        desk.settle(ledger, now).unwrap();
        desk.flush(true);
        let queue = &desk.queues()["crocks"];
        assert!(queue.is_ended() && queue.has_begun());
    });
    assert_eq!(std::fs::read_to_string(&summary).unwrap(), before);
    house.pass(at(24 * 9));
    // It tells of its list until that can be used.
    assert_eq!(house.in_memory(), ["crocks"]);
    house.list("crocks", at(24 * 10), &["a", "b"]);
    house.pass(at(24 * 13));
    assert_eq!(house.in_memory(), [""; 0]);
}

#[test]
fn a_list_that_cannot_be_used_is_told_of_until_it_is_taken_away() {
    let mut house = House::new();
    let path = house._root.path().join("spoilt.runlist.csv");
    std::fs::write(&path, "a,b").unwrap();
    let seen = Seen {
        modified: at(0),
        path: path.clone(),
        size: 3,
    };
    let settle = |house: &mut House, now: Timestamp| {
        house.with(|desk, ledger| {
            desk.settle(ledger, now).unwrap();
            desk.bad_lists.len() + desk.bad_files.len()
        })
    };
    house.with(|desk, ledger| {
        desk.take_list(ledger, &seen, b"a,b".to_vec(), at(0))
            .unwrap();
    });
    let minute = |m: i64| at(24) + SignedDuration::from_mins(m);
    assert_eq!(settle(&mut house, minute(0)), 2);
    std::fs::remove_file(&path).unwrap();
    assert_eq!(settle(&mut house, minute(1)), 2);
    // Saved anew, still of no use.
    std::fs::write(&path, "a,b").unwrap();
    assert_eq!(settle(&mut house, minute(20)), 2);
    std::fs::remove_file(&path).unwrap();
    assert_eq!(settle(&mut house, minute(21)), 2);
    assert_eq!(settle(&mut house, minute(30)), 2);
    assert_eq!(settle(&mut house, minute(31)), 0);
}

#[test]
fn a_list_that_is_saved_again_as_it_was_keeps_its_date() {
    let mut house = House::new();
    house.list("first", at(0), &["eluent"]);
    house.list("second", at(24), &["eluent"]);
    assert_eq!(house.land("eluent", at(25), 1), "second");
    house.list("second", at(26), &["eluent"]);
    house.start();
    assert_eq!(house.land("eluent", at(25), 2), "second");
}

#[test]
fn a_list_of_which_nothing_landed_is_waited_for_a_month() {
    let mut house = House::new();
    house.list("crocks", at(0), &["a"]);
    for (day, there) in [(29, true), (31, false)] {
        house.with(|desk, _| desk.tick(at(24 * day)));
        assert_eq!(!house.in_memory().is_empty(), there, "day {day}");
    }
    assert_eq!(house.land("a", at(24 * 32), 1), "crocks");
}

#[test]
fn lists_of_an_earlier_program_are_noted_at_the_first_start() {
    let mut house = House::new();
    house.list("crocks", at(0), &["a"]);
    house.pass(at(24 * 40));
    let path = house.with(|_, ledger| ledger.path().to_owned());
    (house.desk, house.ledger) = (None, None);
    rusqlite::Connection::open(path)
        .unwrap()
        .execute_batch("DROP TABLE named; DROP TABLE shelf; DROP INDEX landing_by_name;")
        .unwrap();
    house.start();
    assert_eq!(house.in_memory(), [""; 0]);
    assert_eq!(house.land("a", at(24 * 41), 1), "crocks");
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(12))]

    /// Whatever is in memory, a trace goes where all lists together send it.
    #[test]
    fn memory_decides_nothing(
        steps in proptest::collection::vec((0u8..6, 0usize..6, 0i64..400, 0usize..5), 1..40),
    ) {
        let stems = ["a", "b", "c", "d", "e"];
        let mut house = House::new();
        let mut all = house.with(|desk, _| desk.setup.night(1.0, desk.zone.clone()));
        let mut now = 0;
        for (k, (what, queue, hour, stem)) in steps.into_iter().enumerate() {
            match what {
                0 | 1 => {
                    let queue = format!("queue-{queue}");
                    let named = [stems[stem], stems[(stem + 1) % 5]];
                    house.list(&queue, at(hour), &named);
                    let list = house.with(|desk, _| desk.night.list(&queue).cloned());
                    if let Some(list) = list {
                        let date = house.with(|desk, _| desk.night.list_modified(&queue));
                        all.set_list(&queue, Arc::new(list), date.unwrap());
                    }
                }
                2 => {
                    now += 24 * 40;
                    house.pass(at(400 + now));
                }
                3 => house.start(),
                _ => {
                    let wanted = all.queue_of(stems[stem], at(hour));
                    let found = house.land(stems[stem], at(hour), k as u64);
                    let unlisted = wanted.starts_with(UNLISTED) && found.starts_with(UNLISTED);
                    proptest::prop_assert!(unlisted || wanted == found, "{wanted} {found}");
                }
            }
        }
    }
}
