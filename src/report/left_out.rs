//! What a mean leaves out, and why; and what stands in its place.

use super::words;
use crate::night::Verdict;
use crate::night::join::{Kin, Member};
use crate::night::queue::{Queue, Row, Slot, Standing};
use crate::text::one_line;

/// `sample 3 (position 3): bracket-failed, replaced by its repeat in crocks-rerun (position 2); sample 5 (position 5): …`.
/// `averaged`: what enters the mean. Empty where nothing is left out.
pub fn words(queue: &Queue, group: usize, analyte: usize, averaged: &[Standing<'_>]) -> String {
    let samples = queue.samples_of(group);
    let mut out: Vec<(usize, String)> = Vec::new();
    for sample in &samples {
        let stands = queue.standing(sample, analyte);
        let counts = stands.is_some_and(|s| averaged.contains(&s));
        for &k in sample {
            let itself = stands.is_some_and(|s| s.slot == k && s.repeat.is_none());
            if let Some(slot) = queue.slots().get(k).filter(|_| !(itself && counts)) {
                out.push((k, of_slot(queue, slot, k, analyte, stands, counts)));
            }
        }
    }
    out.sort_by_key(|(k, _)| *k);
    let all: Vec<String> = out.into_iter().map(|(_, text)| text).collect();
    all.join("; ")
}

fn of_slot(
    queue: &Queue,
    slot: &Slot,
    k: usize,
    analyte: usize,
    stands: Option<Standing<'_>>,
    counts: bool,
) -> String {
    let why = match slot.rows.get(analyte) {
        Some(row) if slot.is_settled() => causes(slot, row, analyte),
        _ => "not in yet".to_owned(),
    };
    let mut text = format!("{}: {why}", named(slot));
    let repeats = queue.kin_of(&slot.plan.stem).iter().filter(|k| k.is_repeat);
    let mut told = false;
    for kin in repeats {
        let chosen = stands.is_some_and(|s| is(queue, s, &kin.member));
        told |= chosen;
        text.push_str(&of_repeat(queue, kin, analyte, chosen, counts));
    }
    // The sample was injected more than once in this queue, and this injection is not the one that counts.
    if let Some(other) = stands.filter(|s| !told && (s.slot != k || s.repeat.is_some())) {
        text.push_str(", the same sample stands at ");
        text.push_str(&place_of(queue, other));
    }
    text
}

/// The standing result is that of this member of the family.
fn is(queue: &Queue, standing: Standing<'_>, member: &Member) -> bool {
    match standing.repeat {
        Some(repeat) => repeat == member,
        None => queue
            .slots()
            .get(standing.slot)
            .is_some_and(|s| member.queue == queue.name && member.stem == s.plan.stem),
    }
}

fn of_repeat(queue: &Queue, kin: &Kin, analyte: usize, chosen: bool, counts: bool) -> String {
    let where_ = place(queue, &kin.member);
    let outcome = queue
        .method()
        .analytes
        .get(analyte)
        .and_then(|a| kin.member.outcome(&a.name, &a.unit));
    let why = match outcome {
        None => "no result".to_owned(),
        Some(o) => {
            let mut words: Vec<&str> = o.reasons.iter().map(String::as_str).collect();
            if o.verdict == Verdict::Provisional {
                words.insert(0, o.verdict.word());
            }
            match (words.is_empty(), o.concentration) {
                (false, _) => words.join(" "),
                (true, None) => "no concentration".to_owned(),
                (true, Some(_)) => o.verdict.word().to_owned(),
            }
        }
    };
    match (chosen, counts) {
        (true, true) => format!(", replaced by its repeat{where_}"),
        (true, false) => format!(", replaced by its repeat{where_}: {}", one_line(&why)),
        (false, _) => format!(", its repeat{where_}: {}", one_line(&why)),
    }
}

/// ` in crocks-rerun (position 2)`; in the same queue ` (position 9)`.
pub(super) fn place(queue: &Queue, member: &Member) -> String {
    if member.queue == queue.name {
        format!(" (position {})", member.position)
    } else {
        let name = words::cut(&member.queue, 60);
        format!(" in {name} (position {})", member.position)
    }
}

/// Where a result was measured: `position 2 of crocks-rerun`.
pub fn place_of(queue: &Queue, standing: Standing<'_>) -> String {
    match standing.repeat {
        Some(m) if m.queue != queue.name => {
            format!("position {} of {}", m.position, words::cut(&m.queue, 60))
        }
        Some(m) => format!("position {}", m.position),
        None => {
            let slot = queue.slots().get(standing.slot);
            format!("position {}", slot.map_or(0, |s| s.plan.position))
        }
    }
}

/// `sample 4 (position 4)`.
pub fn named(slot: &Slot) -> String {
    let plan = &slot.plan;
    let name = if plan.name.is_empty() {
        &plan.stem
    } else {
        &plan.name
    };
    format!("{} (position {})", one_line(name), plan.position)
}

/// The reasons that keep a result out; what only stands beside it is no reason.
fn causes(slot: &Slot, row: &Row, analyte: usize) -> String {
    let mut words: Vec<&str> = row.causes().map(|r| r.word()).collect();
    if row.verdict == Some(Verdict::Provisional) {
        words.insert(0, Verdict::Provisional.word());
    }
    let line = slot.assessment.lines.get(analyte);
    match (
        words.is_empty(),
        line.is_some_and(|l| l.concentration.is_some()),
    ) {
        (false, _) => words.join(" "),
        // It is as good as the one that counts.
        (true, true) => row.verdict.map_or("", Verdict::word).to_owned(),
        (true, false) => "no concentration".to_owned(),
    }
}
