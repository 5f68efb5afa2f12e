//! What happens in a played night, chosen by its seed.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::bench::{self, CYCLE_S, Injection};
use super::event::Event;
use super::fault::{Fault, Part};
use super::post::Mood;
use super::tally::Tally;
use super::world::{EVENING_S, Played};
use crate::random::{Purpose, Random};

/// A night that is ready to begin.
pub(super) struct Night {
    pub config: String,
    pub world: Played,
}

const fn s(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

/// Builds the night of this seed in an empty folder.
pub(super) fn build(root: &Path, seed: u64) -> Night {
    let mut random = Random::stream(seed, 0, Purpose::Order);
    let length = 10 + random.below(16);
    let queue = bench::queue(&mut random, length);
    let poll = random.below(4) == 0;
    let config = bench::lay_out(root, poll);
    let start_s = EVENING_S + i64::try_from(random.below(6 * 3600)).unwrap();
    let mut tally = Tally::default();
    let world = Played::new(root, start_s, Random::stream(seed, 1, Purpose::Order));
    world.state.borrow_mut().hints = !poll;
    let end = CYCLE_S * (length + 1);
    if poll {
        tally.count("folder polled");
    }
    let summer_ends = EVENING_S + 5 * 3600;
    if (start_s..start_s + i64::try_from(end).unwrap()).contains(&summer_ends) {
        tally.count("end of summer time in the night");
    }
    let mut plan = Plan {
        exports: root.join("exports"),
        world: &world,
        random,
        end_s: end,
        tally,
    };
    plan.list(&queue);
    plan.exports(&queue);
    let last = plan.troubles();
    world.state.borrow_mut().tally.add(&plan.tally);
    let calm_from = s(last.max(end + 400));
    // Faults are over: the post is well, and what the night left is worked off until queues have ended.
    world.plan(calm_from, Event::Post(Mood::Well));
    world.plan(calm_from + s(3 * CYCLE_S + 1500), Event::Stop);
    Night { config, world }
}

/// A short night in which nothing goes wrong but what the chemistry brings: a sample above the range, a standard that fails.
pub(super) fn short(root: &Path) -> Night {
    let mut random = Random::stream(0, 0, Purpose::Order);
    let mut queue = bench::queue(&mut random, 5);
    for (row, mmol_l) in queue.iter_mut().zip([0.0, 5.0, 40.0, 6.0, 3.0]) {
        row.air = false;
        row.mmol_l = [mmol_l; 2];
    }
    for row in &mut queue[1..] {
        row.kind = "sample";
    }
    queue[1].kind = "standard";
    queue[4].kind = "standard";
    let config = bench::lay_out(root, false);
    let world = Played::new(root, EVENING_S, Random::stream(1, 1, Purpose::Order));
    let plan = Plan {
        exports: root.join("exports"),
        world: &world,
        random,
        end_s: 0,
        tally: Tally::default(),
    };
    plan.write(
        s(0),
        &plan.exports.join("crocks.runlist.csv"),
        &bench::run_list(&queue),
    );
    for (row, k) in queue.iter().zip(1..) {
        let path = plan.exports.join(format!("{}.csv", row.stem));
        plan.write(s(15 * k), &path, &bench::trace(row, 0));
    }
    Night { config, world }
}

struct Plan<'a> {
    exports: PathBuf,
    world: &'a Played,
    random: Random,
    end_s: u64,
    tally: Tally,
}

impl Plan<'_> {
    fn chance(&mut self, percent: u64) -> bool {
        self.random.below(100) < percent
    }

    fn ms(&mut self, from: u64, to: u64) -> Duration {
        Duration::from_millis(from + self.random.below(to - from))
    }

    /// The run list: before the first trace, late, or never.
    fn list(&mut self, queue: &[Injection]) {
        let path = self.exports.join("crocks.runlist.csv");
        let text = bench::run_list(queue);
        let at = match self.random.below(10) {
            0 => return,
            1 | 2 => {
                self.tally.count("run list late");
                self.random.below(self.end_s)
            }
            _ => 0,
        };
        if self.chance(15) {
            // Written in two pieces: the first is a list of its own, or none.
            self.tally.count("run list in two pieces");
            let cut = text.len() / 2;
            self.write(s(at), &path, &text[..cut]);
            let wait = self.ms(100, 9000);
            let text = text[cut..].to_owned();
            self.world.plan(s(at) + wait, Event::Append { path, text });
        } else {
            self.write(s(at), &path, &text);
        }
    }

    fn write(&self, at: Duration, path: &Path, text: &str) {
        let (path, text) = (path.to_owned(), text.to_owned());
        self.world.plan(at, Event::Write { path, text });
    }

    fn exports(&mut self, queue: &[Injection]) {
        let mut times: Vec<u64> = (1..=queue.len() as u64).map(|k| k * CYCLE_S).collect();
        for k in 1..times.len() {
            // Exported in another order than injected.
            if self.chance(5) {
                self.tally.count("file out of order");
                times.swap(k - 1, k);
            }
        }
        for (row, at) in queue.iter().zip(times) {
            let late = if self.chance(8) {
                self.tally.count("file late");
                100 + self.random.below(600)
            } else {
                0
            };
            if self.chance(3) {
                self.tally.count("file never exported");
                continue;
            }
            let at = s(at + late) + self.ms(0, 999);
            self.export(row, at);
        }
    }

    fn export(&mut self, row: &Injection, at: Duration) {
        let name = format!("{}.csv", row.stem);
        let path = self.exports.join(&name);
        let text = bench::trace(row, 0);
        match self.random.below(10) {
            0 | 1 => self.in_pieces(at, &path, &text),
            2 => {
                self.tally.count("file renamed from a passing name");
                let part = self.exports.join(format!("{name}.part"));
                self.write(at, &part, &text);
                let after = self.ms(1, 5000);
                self.world.plan(
                    at + after,
                    Event::Rename {
                        from: part,
                        to: path.clone(),
                    },
                );
            }
            _ => self.write(at, &path, &text),
        }
        if self.chance(6) {
            self.tally.count("file exported again with other content");
            let again = at + s(120 + self.random.below(1500));
            let version = 1 + self.random.below(3);
            let text = bench::trace(row, version);
            if self.chance(30) {
                self.in_pieces(again, &path, &text);
            } else {
                self.write(again, &path, &text);
            }
        }
        if self.chance(6) {
            self.tally.count("file copied below another folder");
            let to = self.exports.join("copies").join(&name);
            let after = at + s(90 + self.random.below(900));
            self.world.plan(
                after,
                Event::Copy {
                    from: path.clone(),
                    to,
                },
            );
        }
        if self.chance(3) {
            let after = at + self.ms(500, 600_000);
            self.world.plan(after, Event::Delete { path });
        }
    }

    fn in_pieces(&mut self, at: Duration, path: &Path, text: &str) {
        self.tally.count("file in pieces");
        let pieces = 2 + self.random.below(3);
        let size = text.len() / usize::try_from(pieces).unwrap() + 1;
        let mut at = at;
        for (k, start) in (0..text.len()).step_by(size).enumerate() {
            let end = (start + size).min(text.len());
            let text = text[start..end].to_owned();
            let path = path.to_owned();
            let event = if k == 0 {
                Event::Write { path, text }
            } else {
                Event::Append { path, text }
            };
            self.world.plan(at, event);
            at += self.ms(50, 6000);
        }
    }

    /// Faults, kills, clocks, the post. Gives when the last of them is over, s.
    fn troubles(&mut self) -> u64 {
        let mut last = 0;
        for _ in 0..self.random.below(5) {
            let from = self.random.below(self.end_s);
            let long = 1 + self.random.below(900);
            last = last.max(from + long);
            let fault = self.fault(from, long);
            self.world.state.borrow_mut().faults.push(fault);
        }
        for _ in 0..self.random.below(4) {
            let at = s(self.random.below(self.end_s));
            let calls = 1 + self.random.below(400);
            self.world.plan(at, Event::Kill { calls });
        }
        if self.chance(20) {
            let by_s = [-7200, -3600, -30, 30, 3600, 86_400][self.random.below(6) as usize];
            let at = self.random.below(self.end_s);
            self.world.plan(s(at), Event::Clock { by_s });
            if self.chance(50) {
                let back = at + self.random.below(2000);
                last = last.max(back);
                self.world.plan(s(back), Event::Clock { by_s: -by_s });
            }
        }
        if self.chance(15) {
            let at = self.random.below(self.end_s);
            let steady = self.chance(50);
            self.world.plan(
                s(at),
                Event::Sleep {
                    for_s: 7200,
                    steady,
                },
            );
            last = last.max(at + 7200);
        }
        for _ in 0..self.random.below(3) {
            let at = self.random.below(self.end_s);
            let moods = [
                Mood::Slow,
                Mood::Busy,
                Mood::Refuses,
                Mood::Hangs,
                Mood::Well,
            ];
            let mood = moods[self.random.below(5) as usize];
            self.world.plan(s(at), Event::Post(mood));
        }
        last
    }

    fn fault(&mut self, from: u64, long: u64) -> Fault {
        let parts = [
            Part::Ledger,
            Part::Ledger,
            Part::Results,
            Part::Results,
            Part::Sheet,
            Part::Alerts,
            Part::Exports,
            Part::Heartbeat,
        ];
        let part = parts[self.random.below(8) as usize];
        let kinds = [
            ErrorKind::StorageFull,
            ErrorKind::ReadOnlyFilesystem,
            ErrorKind::PermissionDenied,
            ErrorKind::ResourceBusy,
        ];
        Fault {
            from: s(from),
            until: s(from + long),
            part,
            kind: kinds[self.random.below(4) as usize],
            pass: self.random.below(30),
            times: if self.chance(40) { 1 } else { u64::MAX },
            failed_first: None,
        }
    }
}
