//! Who is told what, and when: what fails now and what was told so far become letters to send.
//!
//! Pure. [`decide`] looks at the state, never at events: what is open and not in the [`Book`] is told, what is in the book
//! and no longer open is told as over. So a kill at any instant repeats a letter at worst; the book is kept in the
//! transaction that queues the letters.
//!
//! - A failing trace is one letter, whatever it fails. The first of a cause goes at once. Further ones of the same
//!   cause are gathered for a few minutes and go as one; after that, one letter of that cause in `remind` at most.
//! - A condition (pressure, eluent, waste, a stopped queue, a run list) is told at once, again after `remind` while it goes
//!   on, and once when it is over. What follows from it is reminded with it, the latest first: a letter about the one counts
//!   for the other.
//! - What follows from a condition that goes on is named under it; where it spoils no result by itself it goes with
//!   that condition's letters.

mod book;
mod terms;

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};

pub use book::{Book, Cause, Told};
pub use terms::{Act, Case, Decided, Now, Post, Settings};

use super::follows::{follows, is_mild};
use crate::check::Check;

/// Letters of a condition at once: that it is there, that it is over.
const FLICKERS: u32 = 2;
/// Links of a chain of consequences that are followed.
const FURTHEST: usize = 8;

/// Decides what to send.
pub fn decide(book: &Book, now: Now<'_>, settings: &Settings) -> Decided {
    let mut desk = Desk {
        book: book.clone(),
        posts: Vec::new(),
        due: Vec::new(),
        now: now.at,
        ended: now.ended,
        settings: *settings,
    };
    desk.book.not_after(now.at);
    desk.take_in(&now);
    for cause in desk.causes() {
        desk.work_off(&cause);
    }
    desk.remind();
    desk.book.forget(now.at, settings.remind);
    Decided {
        book: desk.book,
        posts: desk.posts,
        next: desk.due.into_iter().filter(|t| *t > now.at).min(),
    }
}

struct Desk {
    book: Book,
    posts: Vec<Post>,
    due: Vec<Timestamp>,
    now: Timestamp,
    ended: bool,
    settings: Settings,
}

fn after(at: Timestamp, wait: SignedDuration) -> Timestamp {
    at.checked_add(wait).unwrap_or(Timestamp::MAX)
}

impl Desk {
    /// The book takes in what no longer fails, then what does.
    fn take_in(&mut self, now: &Now<'_>) {
        if now.complete {
            self.close(now.cases);
        }
        let mut fresh: Vec<&Case> = Vec::new();
        for case in now.cases {
            let mut told = self.book.told.iter_mut();
            let known = told.find(|t| !t.over && t.place == case.place);
            let Some(told) = known else {
                fresh.push(case);
                continue;
            };
            if case.keys.iter().any(|k| !told.alerts.contains(k)) {
                told.waits_since.get_or_insert(now.at);
                told.alerts.extend(case.keys.iter().cloned());
                case.subject.clone_into(&mut told.subject);
            }
        }
        // Where a cause and what follows from it are found at once, the cause is known first.
        fresh.sort_by_key(|c| (!c.goes_on, c.goes_on.then_some(c.raised_at)));
        for case in fresh {
            self.open(case);
        }
    }

    fn close(&mut self, cases: &[Case]) {
        let places: BTreeSet<&str> = cases.iter().map(|c| c.place.as_str()).collect();
        let now = self.now;
        let gone = |t: &&mut Told| !t.over && !places.contains(t.place.as_str());
        for told in self.book.told.iter_mut().filter(gone) {
            told.over = true;
            told.over_at = Some(now);
            // Of what went with others the end is in its file alone: twenty mended traces are not twenty letters.
            if told.letters > 0 {
                told.waits_since = Some(now);
            }
        }
    }

    fn open(&mut self, case: &Case) {
        let parent = self.book.told.iter().find(|t| {
            !t.over
                && t.goes_on
                && t.raised_at <= case.raised_at
                && Check::parse(&t.check).is_some_and(|c| follows(c, case.lead))
        });
        let under = parent.map(|p| p.key.clone());
        let cause = match &under {
            Some(key) if is_mild(case.lead) && !case.goes_on => format!("under {key}"),
            _ if case.place.starts_with("slot:") => case.lead.name().to_owned(),
            _ => case.place.clone(),
        };
        self.book.told.push(Told {
            key: case.key.clone(),
            place: case.place.clone(),
            check: case.lead.name().to_owned(),
            cause,
            under,
            goes_on: case.goes_on,
            raised_at: case.raised_at,
            subject: case.subject.clone(),
            alerts: case.keys.iter().cloned().collect(),
            letters: 0,
            told_at: None,
            waits_since: Some(self.now),
            over: false,
            over_at: None,
        });
    }

    /// Causes with something that waits, conditions before traces.
    fn causes(&self) -> Vec<String> {
        let mut out: Vec<(bool, &str)> = Vec::new();
        for told in self.book.told.iter().filter(|t| t.waits_since.is_some()) {
            let entry = (told.is_trace(), told.cause.as_str());
            if !out.contains(&entry) {
                out.push(entry);
            }
        }
        out.sort_by_key(|(trace, _)| *trace);
        out.into_iter().map(|(_, cause)| cause.to_owned()).collect()
    }

    fn work_off(&mut self, cause: &str) {
        self.tell_ends(cause);
        let waiting: Vec<usize> =
            self.waiting(cause, |t| !t.over || t.letters == 0 && t.told_at.is_none());
        let Some(first) = waiting.first().and_then(|k| self.book.told.get(*k)) else {
            return;
        };
        if !first.is_trace() {
            return self.tell_condition(cause, &waiting);
        }
        let since = first.waits_since.unwrap_or(self.now);
        let parent = first.under.clone().filter(|_| cause.starts_with("under "));
        let remind = self.settings.remind;
        let storm = self
            .book
            .cause(cause)
            // What was held in a storm still belongs to it when its time comes.
            .filter(|c| self.now.min(since) < after(c.last_at, remind));
        let due = match (storm, &parent) {
            (None, None) => self.now,
            (None, Some(_)) => after(since, self.settings.gather),
            (Some(c), _) if c.letters == 1 && parent.is_none() => {
                after(since, self.settings.gather)
            }
            (Some(c), _) => after(c.last_at, remind).max(after(since, self.settings.gather)),
        };
        if due > self.now && !self.ended {
            return self.due.push(due);
        }
        if storm.is_none() && parent.is_none() {
            // The first of its cause goes by itself, at once; the others wait for more.
            self.tell_first(cause, &waiting);
        } else {
            self.tell_together(cause, &waiting, parent);
        }
    }

    fn waiting(&self, cause: &str, wanted: impl Fn(&Told) -> bool) -> Vec<usize> {
        let of = |t: &Told| t.cause == cause && t.waits_since.is_some() && wanted(t);
        let told = self.book.told.iter().enumerate();
        told.filter(|(_, t)| of(t)).map(|(k, _)| k).collect()
    }

    /// What had a letter of its own and is over.
    fn tell_ends(&mut self, cause: &str) {
        for k in self.waiting(cause, |t| t.over && t.letters > 0) {
            let Some(told) = self.book.told.get(k) else {
                continue;
            };
            let (key, goes_on) = (told.key.clone(), told.goes_on);
            let mut others = self.book.told.iter();
            let back = others.any(|t| !t.over && t.place == told.place);
            let due = if goes_on {
                self.flicker(cause)
            } else {
                self.now
            };
            if back {
                // It ended and is back before its end was told: one letter says so, that of its return.
                self.settle(k, false);
            } else if due > self.now && !self.ended {
                self.due.push(due);
            } else {
                if goes_on {
                    self.count(cause);
                }
                self.post(k, Act::Over { key });
            }
        }
    }

    /// When a condition may be told of: at once, but after its beginning and its end one letter in the time in which others
    /// are gathered.
    fn flicker(&mut self, cause: &str) -> Timestamp {
        let Some(known) = self.book.cause(cause) else {
            return self.now;
        };
        let quiet = after(known.last_at, self.settings.gather);
        if quiet <= self.now {
            self.book.causes.remove(cause);
        }
        if known.letters < FLICKERS {
            self.now
        } else {
            quiet
        }
    }

    /// A condition; what came and went unsaid meanwhile is part of its one letter.
    fn tell_condition(&mut self, cause: &str, waiting: &[usize]) {
        let due = self.flicker(cause);
        if due > self.now && !self.ended {
            return self.due.push(due);
        }
        let Some((latest, earlier)) = waiting.split_last() else {
            return;
        };
        for k in earlier {
            self.settle(*k, false);
        }
        self.count(cause);
        self.tell(*latest);
    }

    fn tell_first(&mut self, cause: &str, waiting: &[usize]) {
        let Some((first, rest)) = waiting.split_first() else {
            return;
        };
        self.book.causes.remove(cause);
        self.count(cause);
        self.tell(*first);
        if rest.is_empty() {
            return;
        }
        if self.ended {
            self.tell_together(cause, rest, None);
        } else {
            self.due.push(after(self.now, self.settings.gather));
        }
    }

    /// One letter for all that wait; a single one keeps a letter of its own.
    fn tell_together(&mut self, cause: &str, waiting: &[usize], parent: Option<String>) {
        self.count(cause);
        if let ([only], None) = (waiting, &parent) {
            return self.tell(*only);
        }
        let keys: Vec<String> = waiting
            .iter()
            .filter_map(|k| self.book.told.get(*k))
            .map(|t| t.key.clone())
            .collect();
        // The thread: the condition's, else that of the first letter of this cause.
        let head = parent.clone().or_else(|| {
            let told = self.book.told.iter();
            told.filter(|t| t.cause == cause && t.letters > 0)
                .map(|t| t.key.clone())
                .next()
        });
        for k in waiting {
            self.settle(*k, true);
        }
        let key = head.or_else(|| keys.first().cloned()).unwrap_or_default();
        let repeat = self.book.next_repeat(&key);
        self.posts.push(Post {
            key,
            repeat,
            act: Act::Digest {
                keys,
                under: parent,
            },
        });
    }

    fn tell(&mut self, k: usize) {
        let Some(told) = self.book.told.get(k) else {
            return;
        };
        let (key, under) = (told.key.clone(), told.under.clone());
        self.post(k, Act::Tell { key, under });
    }

    /// Queues a letter in the thread of what it is about.
    fn post(&mut self, k: usize, act: Act) {
        self.settle(k, true);
        let Some(told) = self.book.told.get_mut(k) else {
            return;
        };
        told.letters = told.letters.saturating_add(1);
        let key = told.key.clone();
        let repeat = self.book.next_repeat(&key);
        self.posts.push(Post { key, repeat, act });
    }

    /// Nothing of it waits any more.
    fn settle(&mut self, k: usize, told_now: bool) {
        let now = self.now;
        if let Some(told) = self.book.told.get_mut(k) {
            told.waits_since = None;
            if told_now {
                told.told_at = Some(now);
            }
        }
    }

    fn count(&mut self, cause: &str) {
        let entry = self.book.causes.entry(cause.to_owned()).or_insert(Cause {
            letters: 0,
            last_at: self.now,
        });
        entry.letters = entry.letters.saturating_add(1);
        entry.last_at = self.now;
    }

    /// The condition at the root of a story: what it follows from, and so on.
    fn root<'b>(&'b self, told: &'b Told) -> &'b Told {
        let mut root = told;
        // A chain is short; of one that bites its tail any link will do.
        for _ in 0..FURTHEST {
            let parent = root.under.as_ref();
            let Some(next) = parent.and_then(|key| self.book.get(key)) else {
                break;
            };
            root = next;
        }
        root
    }

    /// Conditions that go on, by story: when a letter last told of one of them, and who they are, the latest first.
    fn stories(&self) -> Vec<Story> {
        let mut out: Vec<Story> = Vec::new();
        let told = self.book.told.iter().enumerate();
        for (k, told) in told.filter(|(_, t)| t.goes_on && !t.over && t.waits_since.is_none()) {
            let Some(last) = told.told_at else { continue };
            let root = self.root(told);
            let tires = after(told.raised_at, self.settings.tire);
            match out.iter_mut().find(|s| s.root == root.key) {
                Some(story) => {
                    story.last = story.last.max(last);
                    story.tires = story.tires.max(tires);
                    story.members.push(k);
                }
                None => out.push(Story {
                    root: root.key.clone(),
                    raised_at: root.raised_at,
                    last,
                    tires,
                    members: vec![k],
                }),
            }
        }
        for story in &mut out {
            let raised = |k: &usize| self.book.told.get(*k).map(|t| t.raised_at);
            story.members.sort_by_key(|k| std::cmp::Reverse(raised(k)));
        }
        out.sort_by_key(|s| s.raised_at);
        out
    }

    /// Conditions that go on: a whole story in one letter, led by what came last; several stories together where they are due.
    fn remind(&mut self) {
        if self.ended {
            return;
        }
        let remind = self.settings.remind;
        let mut stories = self.stories();
        stories.retain(|s| after(s.last, remind) < s.tires);
        let Some(first) = stories.iter().map(|s| after(s.last, remind)).min() else {
            return;
        };
        if first > self.now {
            return self.due.push(first);
        }
        // Those that would be due in a moment go with it.
        let until = after(self.now, self.settings.gather);
        for later in stories.iter().map(|s| after(s.last, remind)) {
            self.due.extend((later > until).then_some(later));
        }
        stories.retain(|s| after(s.last, remind) <= until);
        let key = stories.first().map(|s| s.root.clone()).unwrap_or_default();
        let mut keys = Vec::new();
        for k in stories.iter().flat_map(|s| &s.members) {
            self.settle(*k, true);
            keys.extend(self.book.told.get(*k).map(|t| t.key.clone()));
        }
        let repeat = self.book.next_repeat(&key);
        let act = Act::Remind { keys };
        self.posts.push(Post { key, repeat, act });
        self.due.push(after(self.now, remind));
    }
}

/// What goes on and belongs together: a condition and what followed from it.
struct Story {
    /// Key of the thread.
    root: String,
    raised_at: Timestamp,
    /// The last letter about any of it.
    last: Timestamp,
    /// From then on it is no longer repeated.
    tires: Timestamp,
    /// The latest first.
    members: Vec<usize>,
}

#[cfg(test)]
mod tests;
