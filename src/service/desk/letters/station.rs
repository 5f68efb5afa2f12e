//! Letters about the station as a whole: run lists that cannot be used, a time in which nobody watched, letters that were lost.

use jiff::Timestamp;

use super::super::{Desk, DeskError};
use super::{STATION, book_of};
use crate::ledger::{Gap, Ledger, LedgerError, Told};
use crate::night::alarm::Alert;
use crate::post::{Audience, Letter};
use crate::tell;
use crate::tell::policy::{Book, Cause, Now, Told as ToldOf, decide};

/// Under this cause the station's book has the last message about a time in which nobody watched.
const UNWATCHED: &str = "unwatched";

impl Desk {
    /// Run lists that cannot be used.
    pub(super) fn post_lists(
        &mut self,
        ledger: &mut Ledger,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let Some(postbox) = &mut self.postbox else {
            return Ok(());
        };
        // What the ledger knows of lists is asked for once, then only while there is something to say.
        let quiet = |b: &Book| b.told.is_empty();
        if self.bad_lists.is_empty() && postbox.books.get(STATION).is_some_and(quiet) {
            postbox.due.remove(STATION);
            return Ok(());
        }
        for (queue, alert) in &self.bad_lists {
            let kept = (queue.clone(), alert.clone());
            postbox.lists.insert(alert.key.clone(), kept);
        }
        let cases: Vec<tell::policy::Case> = self
            .bad_lists
            .iter()
            .filter(|(_, alert)| alert.now)
            .map(|(queue, alert)| tell::case_of_list(queue, alert))
            .collect();
        let complete = postbox.complete;
        let before = book_of(postbox, ledger, &self.station.name, STATION)?.clone();
        let state = Now {
            cases: &cases,
            complete,
            ended: false,
            at: now,
        };
        let decided = decide(&before, state, &postbox.settings);
        match decided.next {
            Some(next) => postbox.due.insert(STATION.to_owned(), next),
            None => postbox.due.remove(STATION),
        };
        if decided.book == before {
            return Ok(());
        }
        let letter = |post: &tell::policy::Post| {
            let told = decided.book.get(&post.key)?;
            let known = postbox.lists.get(&told.place).cloned();
            let (queue, alert) = &known.unwrap_or_else(|| list_of(told));
            Some(tell::letter_of_list(
                &self.station.name,
                queue,
                alert,
                post,
                now,
                &postbox.settings,
                &self.zone,
            ))
        };
        let letters: Vec<Letter> = decided.posts.iter().filter_map(letter).collect();
        let told = Told {
            letters: &letters,
            carriers: &postbox.carriers,
            book: Some(&decided.book),
            ..Told::default()
        };
        ledger.keep_told(&self.station.name, STATION, &told, now)?;
        // What is known of a list is needed for as long as the book has it.
        let book = &decided.book;
        postbox
            .lists
            .retain(|place, _| book.told.iter().any(|t| t.place == *place));
        self.know(STATION, Some(decided.book));
        self.posted(&letters);
        Ok(())
    }

    /// Since when people know that a list has this very mistake.
    pub(in crate::service::desk) fn list_told_since(
        &mut self,
        ledger: &Ledger,
        queue: &str,
        alert: &Alert,
    ) -> Result<Option<Timestamp>, LedgerError> {
        let Some(postbox) = &mut self.postbox else {
            return Ok(None);
        };
        let case = tell::case_of_list(queue, alert);
        let book = book_of(postbox, ledger, &self.station.name, STATION)?;
        let same = book.told.iter().find(|t| {
            !t.over && t.place == case.place && case.keys.iter().all(|k| t.alerts.contains(k))
        });
        Ok(same.map(|t| t.raised_at))
    }

    /// True where the last message about an unwatched time is not from just before: a program that crashes again and
    /// again tells of it as often as of anything that goes on.
    ///
    /// # Errors
    /// When the ledger cannot be read.
    pub fn may_tell_gap(&mut self, ledger: &Ledger, now: Timestamp) -> Result<bool, DeskError> {
        let Some(postbox) = &mut self.postbox else {
            return Ok(true);
        };
        let remind = postbox.settings.remind;
        let book = book_of(postbox, ledger, &self.station.name, STATION)?;
        let last = book.causes.get(UNWATCHED).map(|c| c.last_at);
        Ok(last.is_none_or(|l| now.duration_since(l).abs() >= remind))
    }

    /// Tells of a time in which nobody watched: a file, and a letter where letters are sent. `last`: no other station
    /// has to tell of it still.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn tell_gap(
        &mut self,
        ledger: &mut Ledger,
        gap: Gap,
        happened: &tell::Happened,
        last: bool,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let message = tell::unwatched(&self.station.name, gap.from, gap.to, happened, &self.zone);
        self.write_message(ledger, &message, now)?;
        let (mut letters, mut kept) = (Vec::new(), None);
        if let Some(postbox) = &mut self.postbox {
            let mut book = book_of(postbox, ledger, &self.station.name, STATION)?.clone();
            let cause = Cause {
                letters: 1,
                last_at: now,
            };
            book.causes.insert(UNWATCHED.to_owned(), cause);
            kept = Some(book);
            let mut letter = tell::letter(&self.station.name, None, &message, Audience::Now);
            if let Some(payload) = letter.payload.as_object_mut() {
                payload.insert("kind".to_owned(), "unwatched".into());
                payload.insert("repeat".to_owned(), 0.into());
                payload.insert("audience".to_owned(), "now".into());
            }
            letters.push(letter);
        }
        let told = Told {
            letters: &letters,
            carriers: self.carriers(),
            book: kept.as_ref(),
            gap_told: last,
            ..Told::default()
        };
        ledger.keep_told(&self.station.name, STATION, &told, now)?;
        self.know(STATION, kept);
        self.posted(&letters);
        Ok(())
    }

    /// A letter did not arrive and is not tried again: a file says so.
    ///
    /// # Errors
    /// When the ledger cannot be written.
    pub fn tell_lost(
        &mut self,
        ledger: &mut Ledger,
        carrier: &str,
        letter: &Letter,
        why: &str,
        now: Timestamp,
    ) -> Result<(), DeskError> {
        let message = tell::undelivered(carrier, letter, why, now, &self.zone);
        self.write_message(ledger, &message, now)
    }
}

/// A list of which people were told before this start, and of which only that is known.
fn list_of(told: &ToldOf) -> (String, Alert) {
    let queue = told
        .place
        .rsplit_once("list:")
        .map_or("", |(_, q)| q.trim_end_matches('|'));
    let alert = Alert {
        key: told.place.clone(),
        raised_at: told.raised_at,
        cleared_at: None,
        now: true,
        check: told.check.clone(),
        position: None,
        name: String::new(),
        trace: String::new(),
        analyte: String::new(),
        measured: None,
        limit: String::new(),
        unit: String::new(),
        affected: Vec::new(),
        message: "the run list could not be used".to_owned(),
    };
    (queue.to_owned(), alert)
}
