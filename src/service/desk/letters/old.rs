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
/// Everything in it lay there when the station was watched for the first time, and was long past by then. What came while
/// the daemon was away, or lands while it watches, is news whatever its file's time says: a machine rests over a weekend, and
/// an instrument's clock may be wrong. `list_modified`: the time of the run list's file, which counts until something has
/// landed.
pub(super) fn is_quiet(
    postbox: &Postbox,
    book: &Book,
    queue: &Queue,
    list_modified: Option<Timestamp>,
    now: Timestamp,
) -> bool {
    let was_there = |at: Timestamp| postbox.complete.is_none_or(|c| at <= c);
    let first = postbox.first_start && postbox.complete.is_none();
    if !book.told.is_empty() || !(book.quiet || first) {
        return false;
    }
    if !queue.has_begun() {
        return list_modified.map_or(book.quiet, |m| is_past(m, now));
    }
    let landings = queue.slots().iter().filter_map(|s| s.landing.as_ref());
    let mut landings = landings.peekable();
    landings.peek().is_some()
        && landings.all(|l| is_past(l.modified, l.landed_at) && was_there(l.landed_at))
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
