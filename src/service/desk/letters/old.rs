//! Queues that were over long before anyone watched: a first start over months of exports is not months of letters.
//!
//! Nothing is lost by it: files, sheet and ledger have all of it, and as soon as something fresh lands in such a queue it is told of like
//! any other.

use jiff::{SignedDuration, Timestamp};

use super::{Desk, Postbox};
use crate::night::queue::Queue;
use crate::tell::policy::Book;

/// Older than this when it was seen first, h: a night and a day.
const LONG_PAST_H: i64 = 36;

/// True where nothing of a queue is sent.
///
/// Everything in it lay there at the desk's start and was long past by then, or is known as such from an earlier start. What
/// lands while the desk watches is news whatever its file's time says: an instrument's clock may be wrong. `list_modified`:
/// the time of the run list's file, which counts until something has landed.
pub(super) fn is_quiet(
    postbox: &Postbox,
    book: &Book,
    queue: &Queue,
    list_modified: Option<Timestamp>,
    now: Timestamp,
) -> bool {
    let was_there = |at: Timestamp| postbox.complete.is_none_or(|c| at <= c);
    let seen_first = |at: Timestamp| book.quiet || at >= postbox.started;
    let told = !book.told.is_empty();
    if told || !(book.quiet || postbox.complete.is_none()) {
        return false;
    }
    if !queue.has_begun() {
        return list_modified.map_or(book.quiet, |m| is_past(m, now));
    }
    let landings = queue.slots().iter().filter_map(|s| s.landing.as_ref());
    let news = |l: &&std::sync::Arc<crate::night::Landing>| {
        !(is_past(l.modified, l.landed_at) && was_there(l.landed_at) && seen_first(l.landed_at))
    };
    let mut some = landings.clone();
    some.next().is_some() && !landings.into_iter().any(|l| news(&l))
}

impl Desk {
    /// True for a file that lay there when this station was watched for the first time, and was long past by then.
    pub(in crate::service::desk) fn is_from_before_the_first_start(
        &self,
        modified: Timestamp,
        now: Timestamp,
    ) -> bool {
        let starting = self.postbox.as_ref().is_some_and(|p| p.complete.is_none());
        self.first_start && starting && is_past(modified, now)
    }
}

fn is_past(written: Timestamp, seen: Timestamp) -> bool {
    seen.duration_since(written) > SignedDuration::from_hours(LONG_PAST_H)
}
