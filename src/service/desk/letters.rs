//! Letters: what the policy decides is queued with the records that raised it.

mod station;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::{Desk, DeskError, Event};
use crate::config;
use crate::ledger::{Ledger, LedgerError, Told};
use crate::night::alarm::{Alert, AlertChanges};
use crate::night::queue::Queue;
use crate::outside;
use crate::post::{Audience, Letter};
use crate::report::whole::WriteError;
use crate::tell;
use crate::tell::daily;
use crate::tell::policy::{Book, Now, Settings, decide};

/// Under this name the station itself has its book: run lists that cannot be used.
const STATION: &str = "";

/// What a desk needs to send letters.
pub(super) struct Postbox {
    /// Names of the carriers; none in a rehearsal that only shows what would be sent.
    carriers: Vec<String>,
    settings: Settings,
    /// Local time of day of the summary so far.
    summary_at: Option<(u8, u8)>,
    /// What was told, by queue; taken from the ledger at first sight.
    books: BTreeMap<String, Book>,
    /// When a queue must be asked again.
    due: BTreeMap<String, Timestamp>,
    /// Lists that could not be used when they were told of: the text of their end needs them.
    lists: BTreeMap<String, (String, Alert)>,
    /// Everything that lay there at the start has been taken.
    complete: bool,
}

impl Desk {
    /// From now on letters are queued for these carriers. Without this the desk writes files alone.
    pub fn post_by(&mut self, carriers: Vec<String>, alert: &config::Alert, time_scale: f64) {
        self.postbox = Some(Postbox {
            carriers,
            settings: Settings::new(alert.remind_min, time_scale),
            summary_at: alert.summary_at,
            books: BTreeMap::new(),
            due: BTreeMap::new(),
            lists: BTreeMap::new(),
            complete: false,
        });
    }

    /// Everything that lay in the folder at the start has been taken: what is not known to go on is over.
    pub fn is_complete(&mut self) {
        if let Some(postbox) = self.postbox.as_mut().filter(|p| !p.complete) {
            postbox.complete = true;
            postbox.due.insert(STATION.to_owned(), Timestamp::MIN);
        }
    }

    /// When a letter may be due though nothing happens.
    pub(super) fn next_letter(&self) -> Option<Timestamp> {
        let postbox = self.postbox.as_ref()?;
        let now = outside::wall();
        let summary = postbox.summary_at.and_then(|at| {
            let running = self.night.queues().values().filter(|q| is_running(q));
            running
                .filter_map(|q| {
                    let book = postbox.books.get(&q.name)?;
                    daily::next(began(q)?, book.summary_on, at, now, &self.zone)
                })
                .min()
        });
        let known = |name: &String| name.is_empty() || self.night.queues().contains_key(name);
        let due = postbox.due.iter().filter(|(name, _)| known(name));
        due.map(|(_, at)| *at).chain(summary).min()
    }

    /// Keeps what changed in a queue's alerts together with the letters that tell of it.
    pub(super) fn keep_and_post(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        changes: &AlertChanges,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let (letters, book) = if self.must_ask(queue, changes, now) {
            self.letters_of(ledger, queue, now)?
        } else {
            (Vec::new(), None)
        };
        if changes.is_empty() && book.is_none() {
            return Ok(());
        }
        let told = Told {
            changes: changes.clone(),
            letters: &letters,
            carriers: self.carriers(),
            book: book.as_ref(),
            pressure: self.pressure_unkept.get(queue),
            ..Told::default()
        };
        ledger.keep_told(&self.station.name, queue, &told, now)?;
        self.pressure_unkept.remove(queue);
        self.know(queue, book);
        self.posted(&letters);
        Ok(())
    }

    /// Where no alert changed and nothing is due a landing costs no look at what is open.
    fn must_ask(&self, queue: &str, changes: &AlertChanges, now: Timestamp) -> bool {
        let ended = || self.night.queues().get(queue).is_some_and(Queue::is_ended);
        self.postbox.as_ref().is_some_and(|p| {
            !changes.is_empty()
                || !p.books.contains_key(queue)
                || p.due.get(queue).is_some_and(|t| *t <= now || ended())
        })
    }

    fn carriers(&self) -> &[String] {
        self.postbox.as_ref().map_or(&[], |p| &p.carriers)
    }

    fn know(&mut self, queue: &str, book: Option<Book>) {
        if let (Some(postbox), Some(book)) = (&mut self.postbox, book) {
            postbox.books.insert(queue.to_owned(), book);
        }
    }

    fn posted(&mut self, letters: &[Letter]) {
        for letter in letters {
            tracing::info!(
                key = letter.key,
                repeat = letter.repeat,
                "letter: {}",
                letter.subject
            );
            if let Some(listener) = &mut self.listener {
                listener(&Event::Posted(Box::new(letter.clone())));
            }
        }
    }

    /// What a queue's state calls for; no book where nothing changed in it.
    fn letters_of(
        &mut self,
        ledger: &Ledger,
        queue: &str,
        now: Timestamp,
    ) -> Result<(Vec<Letter>, Option<Book>), LedgerError> {
        let Some(postbox) = &mut self.postbox else {
            return Ok((Vec::new(), None));
        };
        let Some(state) = self.night.queues().get(queue) else {
            return Ok((Vec::new(), None));
        };
        let before = book_of(postbox, ledger, &self.station.name, queue)?.clone();
        let cases = tell::cases(state);
        let decided = decide(
            &before,
            Now {
                cases: &cases,
                complete: true,
                ended: state.is_ended(),
                at: now,
            },
            &postbox.settings,
        );
        let letter = |post| {
            tell::letter_of(
                &self.station.name,
                state,
                post,
                &decided.book,
                now,
                &postbox.settings,
                &self.zone,
            )
        };
        let letters: Vec<Letter> = decided.posts.iter().map(letter).collect();
        let changed = before != decided.book;
        match decided.next {
            Some(next) => postbox.due.insert(queue.to_owned(), next),
            None => postbox.due.remove(queue),
        };
        Ok((letters, changed.then_some(decided.book)))
    }

    /// Asks every queue whose time has come, and those that were never asked.
    pub(super) fn post_due(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let Some(postbox) = &self.postbox else {
            return Ok(());
        };
        let due = |name: &String| {
            !postbox.books.contains_key(name) || postbox.due.get(name).is_some_and(|t| *t <= now)
        };
        let names: Vec<String> = self
            .night
            .queues()
            .iter()
            .filter(|(name, q)| (q.has_begun() || postbox.due.contains_key(*name)) && due(name))
            .map(|(name, _)| name.clone())
            .collect();
        for name in names {
            self.keep_and_post(ledger, &name, &AlertChanges::default(), now)?;
        }
        self.post_lists(ledger, now)?;
        self.post_summaries(ledger, now)
    }

    /// A queue that still runs at the time of day that is configured gets its summary so far, once a day.
    fn post_summaries(&mut self, ledger: &mut Ledger, now: Timestamp) -> Result<(), DeskError> {
        let Some(at) = self.postbox.as_ref().and_then(|p| p.summary_at) else {
            return Ok(());
        };
        let running: Vec<String> = self
            .night
            .queues()
            .values()
            .filter(|q| is_running(q))
            .map(|q| q.name.clone())
            .collect();
        for name in running {
            let (Some(postbox), Some(queue)) = (&mut self.postbox, self.night.queues().get(&name))
            else {
                continue;
            };
            let mut book = book_of(postbox, ledger, &self.station.name, &name)?.clone();
            let due =
                began(queue).and_then(|b| daily::due(b, book.summary_on, at, now, &self.zone));
            let Some(day) = due else { continue };
            book.summary_on = Some(day);
            let key = format!("{name}|summary|{day}");
            let repeat = book.next_repeat(&key);
            let letter =
                tell::summary_letter(&self.station.name, queue, &key, repeat, now, &self.zone);
            let told = Told {
                letters: std::slice::from_ref(&letter),
                carriers: &postbox.carriers,
                book: Some(&book),
                ..Told::default()
            };
            ledger.keep_told(&self.station.name, &name, &told, now)?;
            self.know(&name, Some(book));
            self.posted(&[letter]);
        }
        Ok(())
    }

    /// Notes that a queue has ended, with the letter that carries its summary.
    pub(super) fn keep_end(
        &mut self,
        ledger: &mut Ledger,
        queue: &str,
        written: bool,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        if !written {
            self.unended.insert(queue.to_owned());
        }
        let mut letters = Vec::new();
        let mut kept = None;
        if let (Some(postbox), Some(state)) = (&mut self.postbox, self.night.queues().get(queue)) {
            let mut book = book_of(postbox, ledger, &self.station.name, queue)?.clone();
            let key = format!("{queue}|queue-ended");
            let repeat = book.next_repeat(&key);
            letters.push(tell::summary_letter(
                &self.station.name,
                state,
                &key,
                repeat,
                now,
                &self.zone,
            ));
            kept = Some(book);
        }
        let told = Told {
            letters: &letters,
            carriers: self.carriers(),
            book: kept.as_ref(),
            ended_at: written.then_some(now),
            ..Told::default()
        };
        ledger.keep_told(&self.station.name, queue, &told, now)?;
        self.know(queue, kept);
        self.posted(&letters);
        Ok(())
    }

    /// Results that cannot be written are told once, until all of them can be: in a file (written when it can be) and by a
    /// letter, which needs the ledger alone.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn tell_unwritable(
        &mut self,
        ledger: &mut Ledger,
        failed: &[WriteError],
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let Some(error) = failed.first() else {
            self.told_unwritable &= !self.is_well();
            return Ok(());
        };
        if std::mem::replace(&mut self.told_unwritable, true) {
            return Ok(());
        }
        let message = tell::unwritable(&self.station.name, &error.to_string(), now, &self.zone);
        self.tell_trouble(ledger, &message, "unwritable", now)
    }

    /// What lies in the watched folders and has not been readable for a while (how many, and the first of them) is told once,
    /// until all of it can be read.
    ///
    /// # Errors
    /// When the ledger cannot be read or written.
    pub fn tell_unread(
        &mut self,
        ledger: &mut Ledger,
        unread: Option<(usize, String)>,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let Some((count, first)) = unread else {
            self.told_unread = false;
            return Ok(());
        };
        if std::mem::replace(&mut self.told_unread, true) {
            return Ok(());
        }
        let message = tell::unread(&self.station.name, &first, count, now, &self.zone);
        self.tell_trouble(ledger, &message, "unread", now)
    }

    /// Tells of what concerns the station and no queue: in a file, and at once by letter.
    fn tell_trouble(
        &mut self,
        ledger: &mut Ledger,
        message: &tell::Message,
        kind: &str,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        self.write_message(ledger, message, now)?;
        let Some(postbox) = &mut self.postbox else {
            return Ok(());
        };
        let mut book = book_of(postbox, ledger, &self.station.name, STATION)?.clone();
        let mut letter = tell::letter(&self.station.name, None, message, Audience::Now);
        letter.repeat = book.next_repeat(&letter.key);
        if let Some(payload) = letter.payload.as_object_mut() {
            payload.insert("kind".to_owned(), kind.into());
            payload.insert("repeat".to_owned(), letter.repeat.into());
            payload.insert("audience".to_owned(), "now".into());
        }
        let letters = [letter];
        let told = Told {
            letters: &letters,
            carriers: self.carriers(),
            book: Some(&book),
            ..Told::default()
        };
        ledger.keep_told(&self.station.name, STATION, &told, now)?;
        self.know(STATION, Some(book));
        self.posted(&letters);
        Ok(())
    }

    /// A queue that is no longer in memory is not asked any more.
    pub(super) fn forget_letters(&mut self, queue: &str) {
        if let Some(postbox) = &mut self.postbox {
            postbox.books.remove(queue);
            postbox.due.remove(queue);
        }
    }
}

fn is_running(queue: &Queue) -> bool {
    queue.has_begun() && !queue.is_ended()
}

/// When the first trace of a queue landed.
fn began(queue: &Queue) -> Option<Timestamp> {
    let landed = queue.slots().iter().filter_map(|s| s.landing.as_ref());
    landed.map(|l| l.landed_at).min()
}

fn book_of<'p>(
    postbox: &'p mut Postbox,
    ledger: &Ledger,
    station: &str,
    queue: &str,
) -> Result<&'p Book, LedgerError> {
    if !postbox.books.contains_key(queue) {
        let book = ledger.book(station, queue)?;
        postbox.books.insert(queue.to_owned(), book);
    }
    Ok(postbox.books.entry(queue.to_owned()).or_default())
}
