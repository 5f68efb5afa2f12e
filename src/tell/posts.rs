//! What the policy decides becomes a letter.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::page::{Item, Page, Section};
use super::policy::{Act, Book, Post, Settings, Told};
use super::{
    Message, advice, body, cases, cleared, html, is_trace, letter, of_condition, of_trace, place,
};
use crate::check::Check;
use crate::night::alarm::Alert;
use crate::night::queue::{Queue, Slot};
use crate::post::age::duration;
use crate::post::{Audience, Letter};
use crate::report::summary;
use crate::report::words::{clock, cut, day_and_time};
use crate::runlist::Kind;
use crate::text::{count, one_line, significant};

/// Longest subject, characters.
const LONGEST: usize = 70;
/// So many failures are named in one letter; the rest is counted.
const LISTED: usize = 40;

/// The letter of a decision about a queue.
pub fn letter_of(
    station: &str,
    queue: &Queue,
    post: &Post,
    book: &Book,
    now: Timestamp,
    settings: &Settings,
    zone: &TimeZone,
) -> Letter {
    let told = |key: &String| book.get(key);
    let (kind, mut out) = match &post.act {
        Act::Tell { key, under } => {
            let message = told(key).and_then(|t| message_of(queue, t, zone));
            let mut out = match &message {
                Some(message) => letter(station, Some(queue), message, Audience::Now),
                None => collected(station, queue, told(key).into_iter().collect(), None, zone),
            };
            if post.repeat > 0 {
                out.put_first("Told before; this is how it stands now.");
            }
            if let Some(parent) = under.as_ref().and_then(told) {
                let cut_out = told(key).is_some_and(|t| may_have_cut_out(parent, t));
                let why = if cut_out { CUT_OUT } else { "" };
                out.put_first(&format!("{}{why}", follows_from(parent, zone)));
            }
            ("alert", out)
        }
        Act::Over { key } => {
            let message = told(key).and_then(|t| over_of(queue, t, zone));
            match message {
                Some(message) => (
                    "over",
                    letter(station, Some(queue), &message, Audience::Now),
                ),
                None => {
                    let all = told(key).into_iter().collect();
                    ("over", collected(station, queue, all, None, zone))
                }
            }
        }
        Act::Remind { keys } => {
            let all: Vec<&Told> = keys.iter().filter_map(told).collect();
            let message = all.first().and_then(|t| message_of(queue, t, zone));
            let mut out = match &message {
                Some(message) => letter(station, Some(queue), message, Audience::Now),
                None => collected(station, queue, all.clone(), None, zone),
            };
            let goes_on = |t: &Told| duration(settings.told_s(now.duration_since(t.raised_at)));
            remind(&mut out, queue, &all, &goes_on, zone);
            ("reminder", out)
        }
        Act::Digest { keys, under } => {
            let all: Vec<&Told> = keys.iter().filter_map(told).collect();
            let parent = under.as_ref().and_then(told);
            ("digest", collected(station, queue, all, parent, zone))
        }
    };
    post.key.clone_into(&mut out.key);
    out.repeat = post.repeat;
    finish(kind, out)
}

/// The letter of a decision about a run list that cannot be used, or can be used again.
pub fn letter_of_list(
    station: &str,
    queue: &str,
    alert: &Alert,
    post: &Post,
    now: Timestamp,
    settings: &Settings,
    zone: &TimeZone,
) -> Letter {
    let (kind, message) = match &post.act {
        Act::Over { .. } => {
            let mut over = alert.clone();
            over.cleared_at = Some(now);
            ("over", cleared(queue, &[&over], zone))
        }
        Act::Remind { .. } => ("reminder", None),
        _ => ("alert", None),
    };
    let message = message.unwrap_or_else(|| of_condition(queue, &[alert], zone));
    let mut out = letter(station, None, &message, Audience::Now);
    queue.clone_into(&mut out.queue);
    post.key.clone_into(&mut out.key);
    out.repeat = post.repeat;
    if kind == "reminder" {
        let goes_on = duration(settings.told_s(now.duration_since(alert.raised_at)));
        out.subject = cut(&format!("still, {goes_on}: {}", out.subject), LONGEST);
        out.put_first(&format!("This goes on for {goes_on}."));
    }
    finish(kind, out)
}

/// The summary of a queue as a letter: the whole one when it has ended, else the one so far.
pub fn summary_letter(
    station: &str,
    queue: &Queue,
    key: &str,
    repeat: u32,
    now: Timestamp,
    zone: &TimeZone,
) -> Letter {
    let text = summary::text(queue, zone);
    let headline = summary::headline(queue, &summary::tally::Tally::of(queue));
    let kind = if queue.is_ended() {
        "queue-ended"
    } else {
        "summary-so-far"
    };
    let subject = cut(&headline, LONGEST);
    let out = Letter {
        key: key.to_owned(),
        repeat,
        station: station.to_owned(),
        queue: queue.name.clone(),
        audience: Audience::Summary,
        html: html::of_text(&subject, &text),
        attachments: super::rerun_list(queue).into_iter().collect(),
        raised_at: now,
        payload: serde_json::json!({
            "format": super::letter::FORMAT,
            "key": key,
            "station": station,
            "queue": queue.name,
            "subject": subject,
            "raised_at": now.to_string(),
            "cleared_at": null,
            "checks": [],
            "affected": [],
            "alerts": [],
            "text": text,
        }),
        subject,
        text,
    };
    finish(kind, out)
}

/// What only the letter knows goes into its payload.
pub(super) fn finish(kind: &str, mut letter: Letter) -> Letter {
    let audience = match letter.audience {
        Audience::Now => "now",
        Audience::Summary => "summary",
    };
    if let Some(payload) = letter.payload.as_object_mut() {
        payload.insert("kind".to_owned(), kind.into());
        payload.insert("key".to_owned(), letter.key.clone().into());
        payload.insert("repeat".to_owned(), letter.repeat.into());
        payload.insert("audience".to_owned(), audience.into());
        payload.insert("queue".to_owned(), letter.queue.clone().into());
        payload.insert("subject".to_owned(), letter.subject.clone().into());
        payload.insert("text".to_owned(), letter.text.clone().into());
    }
    letter
}

const CUT_OUT: &str = " A pump that meets its pressure limit stops by itself.";

/// The pressure climbed before, and now the pump or the queue stands still.
fn may_have_cut_out(parent: &Told, told: &Told) -> bool {
    use Check::{LateTrace, PressureHigh, PressureLow, PressureRise};
    matches!(
        Check::parse(&parent.check),
        Some(PressureHigh | PressureRise)
    ) && matches!(Check::parse(&told.check), Some(PressureLow | LateTrace))
}

fn follows_from(parent: &Told, zone: &TimeZone) -> String {
    format!(
        "May be a consequence of what was told at {}: {}.",
        clock(parent.raised_at, zone),
        one_line(&parent.subject)
    )
}

fn remind(
    letter: &mut Letter,
    queue: &Queue,
    all: &[&Told],
    goes_on: &dyn Fn(&Told) -> String,
    zone: &TimeZone,
) {
    let Some(first) = all.first() else { return };
    letter.subject = cut(
        &format!("still, {}: {}", goes_on(first), first.subject),
        LONGEST,
    );
    let others: Vec<String> = all
        .iter()
        .skip(1)
        .map(|t| format!("{} (for {})", one_line(&t.subject), goes_on(t)))
        .collect();
    if !others.is_empty() {
        letter.put_first(&format!("Also going on: {}.", others.join("; ")));
    }
    // The text below is hours old: what the pressure stands at is not.
    let of_pressure = |t: &&Told| t.check.starts_with("pressure-");
    if let Some(last) = queue.pressure.as_ref().and_then(|p| p.last)
        && all.iter().any(of_pressure)
    {
        letter.put_first(&format!(
            "The pressure stood at {} MPa at {}.",
            significant(last.mpa, 3),
            clock(last.at, zone)
        ));
    }
    letter.put_first(&format!(
        "This goes on for {}, since {}. What follows is how it was told first.",
        goes_on(first),
        day_and_time(first.raised_at, zone)
    ));
}

/// The message of what fails now; `None` where it no longer does.
fn message_of(queue: &Queue, told: &Told, zone: &TimeZone) -> Option<Message> {
    let mut alerts: Vec<&Alert> = queue
        .alerts()
        .open()
        .filter(|a| a.now && place(a) == told.place)
        .collect();
    cases::sort(queue, &mut alerts);
    let first = alerts.first()?;
    let slot = place(first).strip_prefix("slot:").map(|s| queue.slot_of(s));
    Some(match slot {
        Some(slot) => of_trace(queue, slot?, &alerts, zone),
        None => of_condition(&queue.name, &alerts, zone),
    })
}

/// The message that it is over.
fn over_of(queue: &Queue, told: &Told, zone: &TimeZone) -> Option<Message> {
    let all = queue.alerts().in_order();
    let ended = all.into_iter().filter(|a| {
        a.now && a.cleared_at.is_some() && a.raised_at >= told.raised_at && place(a) == told.place
    });
    let mut alerts: Vec<&Alert> = ended.collect();
    cases::sort(queue, &mut alerts);
    cleared(&queue.name, &alerts, zone)
}

/// Several in one letter.
fn collected(
    station: &str,
    queue: &Queue,
    all: Vec<&Told>,
    parent: Option<&Told>,
    zone: &TimeZone,
) -> Letter {
    let alerts: Vec<&Alert> = queue
        .alerts()
        .in_order()
        .into_iter()
        .filter(|a| {
            a.now
                && all
                    .iter()
                    .any(|t| t.place == place(a) && t.raised_at <= a.raised_at)
        })
        .collect();
    let page = Page {
        subject: collected_subject(queue, &all, &alerts, parent),
        place: format!(
            "Queue {}: {} since {}; each has a file of its own in the alerts folder.",
            one_line(&queue.name),
            count(all.len(), "further message"),
            all.iter()
                .map(|t| t.raised_at)
                .min()
                .map(|at| day_and_time(at, zone))
                .unwrap_or_default()
        ),
        sections: Vec::new(),
    };
    let mut page = page;
    if let Some(parent) = parent {
        page.add(Section::of("told before", [follows_from(parent, zone)]));
    }
    if let Some((worst, slot)) = worst(queue, &alerts) {
        page.add(Section::of("do first", [do_first(slot, &worst)]));
        let hints = advice::look_first(queue, slot).into_iter();
        let hints = hints.map(|h| format!("At {}: {h}", slot.plan.position));
        page.add(Section::of("look at", hints));
    }
    page.add(Section::of("the rerun", [super::rerun_needs(queue)]));
    let item = |t: &&Told| Item {
        label: clock(t.raised_at, zone),
        text: format!(
            "{}{}",
            one_line(&t.subject),
            if t.over { " (over by now)" } else { "" }
        ),
    };
    let more = (all.len() > LISTED).then(|| Item {
        label: String::new(),
        text: format!("and {} more, each in its file", all.len() - LISTED),
    });
    page.add(Section {
        title: "what failed".to_owned(),
        items: all.iter().take(LISTED).map(item).chain(more).collect(),
        rows: Vec::new(),
    });
    let message = Message::of(&queue.name, String::new(), &page, &alerts);
    letter(station, Some(queue), &message, Audience::Now)
}

/// What still fails, what spoils most first, and the injection where that is.
fn worst<'a>(queue: &'a Queue, alerts: &[&'a Alert]) -> Option<(Vec<&'a Alert>, &'a Slot)> {
    let open = alerts.iter().copied().filter(|a| a.cleared_at.is_none());
    let mut open: Vec<&Alert> = open.collect();
    cases::sort(queue, &mut open);
    let stem = place(open.first()?).strip_prefix("slot:")?;
    let slot = queue.slot_of(stem)?;
    Some((open, slot))
}

fn do_first(slot: &Slot, open: &[&Alert]) -> String {
    let check = open.first().and_then(|a| Check::parse(&a.check));
    let spoils = matches!(
        check,
        Some(Check::Recovery | Check::NoPeak | Check::Saturated)
    );
    let mut places: Vec<&str> = open
        .iter()
        .filter(|a| Check::parse(&a.check) == check)
        .map(|a| place(a))
        .collect();
    places.dedup();
    if spoils && slot.plan.kind == Kind::Standard && places.len() > 1 {
        return "Standards fail one after the other: if the queue still runs, halt it before more vials are spent. The samples \
between them must be injected again."
            .to_owned();
    }
    body::do_first(slot, open).to_owned()
}

/// `19 more: recovery at 2-20 of 24 (crocks)`.
fn collected_subject(
    queue: &Queue,
    all: &[&Told],
    alerts: &[&Alert],
    parent: Option<&Told>,
) -> String {
    let mut checks: Vec<&str> = all.iter().map(|t| t.check.as_str()).collect();
    checks.sort_unstable();
    checks.dedup();
    let mut at: Vec<u64> = alerts
        .iter()
        .filter(|a| is_trace(place(a)))
        .filter_map(|a| a.position)
        .collect();
    at.sort_unstable();
    at.dedup();
    let head = match parent {
        Some(parent) => format!("after {}: ", parent.check),
        None => format!("{} more: ", all.len()),
    };
    let place = if at.is_empty() {
        format!(" ({})", cut(&queue.name, 30))
    } else {
        let at = cut(&crate::report::words::positions(&at), 24);
        format!(" at {at} of {}", queue.slots().len())
    };
    cut(&format!("{head}{}{place}", checks.join(", ")), LONGEST)
}
