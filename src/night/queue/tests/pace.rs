//! Nights that slow down, stop, sleep and have their clock set.

use super::*;
use crate::night::Landing;
use crate::night::fixture::start;
use crate::reading::Evaluation;
use jiff::SignedDuration;

fn minute(m: i64) -> Timestamp {
    start().checked_add(SignedDuration::from_mins(m)).unwrap()
}

/// A queue on a clock of its own. The method's cycle is 23 min, a trace is late 10 min after.
struct Clocked {
    queue: Queue,
    landed: i64,
}

impl Clocked {
    fn new(letters: &str) -> Clocked {
        let mut night = Night::new(letters);
        let queue = night.queue().clone();
        Clocked { queue, landed: 0 }
    }

    /// Lands a trace written at a minute, by its file, at another.
    fn land(&mut self, position: usize, written: i64, landed: i64) -> &mut Clocked {
        self.landed += 1;
        let slot = &self.queue.slots()[position - 1];
        let landing = Landing {
            id: self.landed,
            stem: slot.plan.stem.clone(),
            file_name: format!("{}.csv", slot.plan.stem),
            sha256: format!("{:064x}", self.landed),
            modified: minute(written),
            landed_at: minute(landed),
            revision: if slot.landing.is_some() { 2 } else { 1 },
            evaluation: Evaluation::Read(mid(&[1.0, 1.0])),
        };
        assert!(self.queue.land(Arc::new(landing)));
        self.queue.judge(minute(landed));
        self
    }

    /// Time passes: what is raised and cleared, `+check` and `-check`.
    fn tick(&mut self, at: i64) -> String {
        self.queue.tick(minute(at));
        self.told(at)
    }

    fn told(&mut self, at: i64) -> String {
        let changes = self.queue.judge(minute(at));
        let raised = changes
            .alerts
            .raised
            .iter()
            .map(|a| format!("+{}", a.check));
        let cleared = changes
            .alerts
            .cleared
            .iter()
            .map(|a| format!("-{}", a.check));
        let mut all: Vec<String> = raised.chain(cleared).collect();
        if changes.ended {
            all.push("ended".to_owned());
        }
        all.join(" ")
    }
}

const LATE: &str = "+late-trace";

#[test]
fn a_trace_is_late_at_the_learnt_time_and_the_limit() {
    for (why, cycle, last_quiet, first_late) in [
        ("as the method says", 23, 32, 33),
        ("slower", 30, 39, 40),
        ("faster", 15, 24, 25),
    ] {
        let mut night = Clocked::new(&"s".repeat(12));
        for k in 0..6 {
            night.land(k as usize + 1, k * cycle, k * cycle);
        }
        let last = 5 * cycle;
        assert_eq!(night.tick(last + last_quiet), "", "{why}");
        assert_eq!(night.tick(last + first_late), LATE, "{why}");
        assert_eq!(night.tick(last + first_late + 5), "", "{why}: told once");
        let alert = night.queue.alerts().open().next().unwrap();
        assert_eq!(alert.limit, (cycle + 10).to_string(), "{why}");
        assert!(
            alert
                .message
                .contains(&format!("one every {cycle}.0 min was expected")),
            "{}",
            alert.message
        );
    }
}

#[test]
fn the_next_trace_clears_it_and_a_repeated_export_does_not() {
    let mut night = Clocked::new("PsssP");
    night.land(1, 0, 0).land(2, 23, 23);
    assert_eq!(night.tick(56), LATE);
    // Someone exports the second one again.
    night.land(2, 60, 60);
    assert_eq!(night.tick(61), "");
    assert!(night.queue.alerts().is_open("late-trace|queue|"));
    let before = night.queue.alerts().open().count();
    night.land(3, 70, 70);
    assert_eq!(night.queue.alerts().open().count(), before - 1);
    // With 23 and 47 min the queue may as well be a slow one: 35 min are expected.
    assert_eq!(night.tick(114), "", "and counts anew");
    assert_eq!(night.tick(115), LATE);
}

#[test]
fn no_trace_is_late_before_a_backlog_was_read() {
    // Nobody watched from minute 30 on; what was written meanwhile lands at minute 150, before time passes.
    let mut night = Clocked::new(&"s".repeat(12));
    night.land(1, 0, 0).land(2, 23, 23);
    assert_eq!(night.told(150), "", "a judgement alone finds nothing late");
    for k in 2..=6 {
        night.land(k + 1, 23 * k as i64, 150);
    }
    assert_eq!(night.tick(151), "");
    assert_eq!(
        night.queue.pace().cycle_s(),
        23.0 * 60.0,
        "the files tell the pace"
    );
    assert_eq!(night.tick(182), "");
    assert_eq!(night.tick(183), LATE, "33 min after what landed last");
}

#[test]
fn after_a_sleep_only_watched_time_counts() {
    let sleep = SignedDuration::from_hours(2);
    // It went on meanwhile: the backlog lands, nothing is told.
    let mut night = Clocked::new(&"s".repeat(12));
    night.land(1, 0, 0).land(2, 23, 23);
    assert_eq!(night.tick(30), "");
    night.queue.clock_moved(sleep);
    assert_eq!(
        night.tick(150),
        "",
        "awake again, the folder not looked at yet"
    );
    for k in 2..=6 {
        night.land(k + 1, 23 * k as i64, 151);
    }
    assert_eq!(night.tick(152), "");
    assert!(!night.queue.is_ended());

    // It stopped meanwhile: told after as much watched time as ever, 33 min.
    let mut night = Clocked::new(&"s".repeat(12));
    night.land(1, 0, 0).land(2, 23, 23);
    assert_eq!(night.tick(30), "");
    night.queue.clock_moved(sleep);
    assert_eq!(night.tick(23 + 120 + 32), "");
    assert_eq!(night.tick(23 + 120 + 33), LATE);
}

#[test]
fn a_clock_that_is_set_makes_nothing_late_or_missing() {
    for by in [-60, 60] {
        let mut night = Clocked::new("sssssss");
        night.land(1, 0, 0).land(2, 23, 23).land(4, 46, 46);
        assert_eq!(night.tick(50), "");
        night.queue.clock_moved(SignedDuration::from_mins(by));
        // The third was overtaken at 46 and is missing a cycle later.
        assert_eq!(night.tick(51 + by), "", "{by}");
        assert_eq!(night.tick(68 + by), "", "{by}");
        assert_eq!(night.tick(69 + by), "+missing-trace", "{by}");
        assert_eq!(night.tick(78 + by), "", "{by}");
        assert_eq!(night.tick(79 + by), LATE, "{by}");
    }
    // Set back with nobody to say so: found out at the next tick.
    let mut night = Clocked::new("sssss");
    night.land(1, 0, 0).land(2, 23, 23).land(4, 46, 46);
    assert_eq!(night.tick(50), "");
    assert_eq!(night.tick(-10), "");
    assert_eq!(night.tick(8), "");
    assert_eq!(night.tick(9), "+missing-trace");
    assert_eq!(night.tick(18), "");
    assert_eq!(night.tick(19), LATE);
}

#[test]
fn a_queue_that_ends_early_was_told_late_and_says_what_is_missing() {
    let mut night = Clocked::new("PsssP");
    night.land(1, 0, 0).land(2, 23, 23);
    // One tick after hours (nobody was awake to tick before): both are told.
    let told = night.tick(600);
    assert!(told.contains(LATE), "{told}");
    assert!(told.ends_with("ended"), "{told}");
    assert_eq!(told.matches("+missing-trace").count(), 3, "{told}");
    let late = night
        .queue
        .alerts()
        .open()
        .find(|a| a.check == "late-trace")
        .unwrap();
    assert_eq!(late.affected, [3, 4, 5]);
    assert!(
        late.message.contains("3 of 5 injections have not come"),
        "{}",
        late.message
    );
    let summary = crate::report::summary::text(&night.queue, &jiff::tz::TimeZone::UTC);
    assert!(summary.contains("Never came: positions 3-5"), "{summary}");
    // It goes on all the same.
    night.land(3, 610, 610);
    assert!(!night.queue.is_ended());
    assert!(!night.queue.alerts().is_open("late-trace|queue|"));
}

#[test]
fn a_short_method_is_told_late_before_it_is_given_up() {
    let mut terms = crate::night::fixture::terms();
    let mut method = (*terms.method).clone();
    (
        method.conditions.run_time_min,
        method.conditions.overhead_min,
    ) = (5.0, 0.0);
    terms.method = Arc::new(method);
    let mut night = Clocked::new("ssss");
    night.queue = Queue::planned("crocks", &terms, &Night::new("ssss").list());
    night.land(1, 0, 0).land(2, 5, 5);
    assert_eq!(night.tick(19), "");
    assert_eq!(night.tick(20), LATE, "three cycles are over, too");
    assert!(night.tick(25).ends_with("ended"));
}

#[test]
fn the_last_listed_injection_ends_the_queue_and_quiet_ends_one_without_a_list() {
    let mut night = Clocked::new("ss");
    night.land(1, 0, 0);
    assert_eq!(night.tick(1), "");
    night.land(2, 23, 23);
    assert_eq!(night.tick(23), "ended");

    let mut night = Clocked::new("ss");
    night.queue.listed = false;
    night.land(1, 0, 0).land(2, 23, 23);
    assert_eq!(night.tick(23 + 68), "", "no list, no late trace");
    assert_eq!(night.tick(23 + 69), "ended");
}

#[test]
fn the_next_deadline_is_never_in_the_past_for_long() {
    // Every deadline that is due changes something, so that the loop that waits for it never spins.
    let mut night = Clocked::new("PsssP");
    night.land(1, 0, 0).land(3, 23, 23);
    let mut steps = 0;
    let mut now = minute(23);
    while let Some(due) = night.queue.next_deadline() {
        assert!(due > now, "{due} is not after {now}");
        now = due;
        night.queue.tick(now);
        night.queue.judge(now);
        steps += 1;
        assert!(steps < 10);
    }
    assert!(
        night.queue.is_ended() && steps == 3,
        "missing, late, given up: {steps}"
    );
}
