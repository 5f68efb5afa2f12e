//! What was injected again, where, and what it gave.

use super::{LONGEST_LIST, WIDTH, more};
use crate::night::Verdict;
use crate::night::join::{Kin, Member, Outcome, can_join};
use crate::night::queue::{Queue, Slot};
use crate::report::words::{cut, table};
use crate::runlist::Kind;
use crate::text::{one_line, significant};

/// Digits of concentrations.
const DIGITS: usize = 4;

/// One line for each repeat and analyte that failed before; then what this queue repeats of others.
pub(super) fn write(queue: &Queue) -> String {
    let slots = || queue.slots().iter().filter(|s| can_join(s.plan.kind));
    let rows: Vec<Vec<String>> = slots().flat_map(|s| of_slot(queue, s)).collect();
    let mut out = String::new();
    if !rows.is_empty() {
        let shown = rows.get(..LONGEST_LIST).unwrap_or(&rows);
        table(
            &mut out,
            "  ",
            &[
                ">at",
                "name",
                "analyte",
                "repeat in",
                ">at",
                ">result",
                "95 %",
                "unit",
                "verdict",
                "why",
            ],
            shown,
            WIDTH,
        );
        more(&mut out, rows.len(), LONGEST_LIST, "time-course.csv");
    }
    let samples = slots().filter(|s| s.plan.kind == Kind::Sample);
    let origins: Vec<String> = samples.filter_map(|s| repeated(queue, s)).collect();
    for line in origins.iter().take(LONGEST_LIST) {
        out.push_str(line);
    }
    more(&mut out, origins.len(), LONGEST_LIST, "the run list");
    out
}

fn of_slot(queue: &Queue, slot: &Slot) -> Vec<Vec<String>> {
    let failed = |a: usize| {
        let verdict = slot.rows.get(a).and_then(|r| r.verdict);
        slot.plan.kind == Kind::Sample && verdict != Some(Verdict::Accepted)
    };
    let analytes = || queue.method().analytes.iter().enumerate();
    let repeats = queue.kin_of(&slot.plan.stem).iter().filter(|k| k.is_repeat);
    let mut out: Vec<Vec<String>> = repeats
        .flat_map(|k| {
            analytes()
                .filter(|(a, _)| failed(*a))
                .filter_map(|(_, analyte)| {
                    let outcome = k.member.outcome(&analyte.name, &analyte.unit)?;
                    Some(line(queue, slot, &k.member, outcome))
                })
        })
        .collect();
    // Position and name once.
    for row in out.iter_mut().skip(1) {
        for cell in row.iter_mut().take(2) {
            cell.clear();
        }
    }
    out
}

fn line(queue: &Queue, slot: &Slot, repeat: &Member, o: &Outcome) -> Vec<String> {
    let number = |x: Option<f64>| x.map(|x| significant(x, DIGITS));
    let ends = number(o.low_95).zip(number(o.high_95));
    vec![
        slot.plan.position.to_string(),
        cut(&slot.plan.name, 18),
        cut(&o.analyte, 12),
        if repeat.queue == queue.name {
            "this queue".to_owned()
        } else {
            cut(&repeat.queue, 16)
        },
        repeat.position.to_string(),
        number(o.concentration).unwrap_or_default(),
        ends.map(|(low, high)| format!("{low} to {high}"))
            .unwrap_or_default(),
        cut(&o.unit, 7),
        o.verdict.word().to_owned(),
        one_line(&o.reasons.join(" ")),
    ]
}

/// `  3 crock A day 7 repeats position 16 of crocks`, where the original stands in another queue.
fn repeated(queue: &Queue, slot: &Slot) -> Option<String> {
    let elsewhere = |k: &&Kin| k.is_original && k.member.queue != queue.name;
    let kin = queue.kin_of(&slot.plan.stem).iter().find(elsewhere)?;
    Some(format!(
        "  {:>3} {} repeats position {} of {}\n",
        slot.plan.position,
        cut(&slot.plan.name, 40),
        kin.member.position,
        cut(&kin.member.queue, 40)
    ))
}
