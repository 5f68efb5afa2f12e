//! What happened in the night, by time, and what is worth noting beside it.

use std::collections::HashMap;

use jiff::tz::TimeZone;

use super::{WIDTH, more};
use crate::night::alarm::Alert;
use crate::night::queue::{Queue, Slot};
use crate::reading::Evaluation;
use crate::report::words::{clock, cut, positions, wrap};
use crate::runlist::Kind;
use crate::text::{fixed, one_line};

/// So many alerts are listed.
const ALERTS: usize = 60;

/// Alerts by time: those told at once with their message, the others counted by check.
pub(super) fn write(queue: &Queue, zone: &TimeZone) -> String {
    let mut all: Vec<&Alert> = queue.alerts().in_order();
    all.sort_by_key(|a| a.raised_at);
    let now = together(all.iter().copied().filter(|a| a.now));
    let mut out = String::new();
    for alerts in now.iter().take(ALERTS) {
        let Some(first) = alerts.first() else {
            continue;
        };
        wrap(
            &mut out,
            &format!("  {}  ", clock(first.raised_at, zone)),
            &line(first, alerts, zone),
            WIDTH,
        );
    }
    more(&mut out, now.len(), ALERTS, "alerts.csv");
    for (check, places) in quiet(&all) {
        wrap(
            &mut out,
            "         ",
            &format!("{check} at {}", positions(&places)),
            WIDTH,
        );
    }
    near_blanks(&mut out, queue);
    out
}

/// Alerts of one check at one place and moment: what several analytes share is one line.
fn together<'a>(alerts: impl Iterator<Item = &'a Alert>) -> Vec<Vec<&'a Alert>> {
    let mut out: Vec<Vec<&Alert>> = Vec::new();
    let same = |a: &Alert, b: &Alert| {
        (a.raised_at, &a.check, a.position, a.cleared_at)
            == (b.raised_at, &b.check, b.position, b.cleared_at)
    };
    for alert in alerts {
        match out
            .iter_mut()
            .find(|g| g.first().is_some_and(|f| same(f, alert)))
        {
            Some(group) => group.push(alert),
            None => out.push(vec![alert]),
        }
    }
    out
}

fn line(alert: &Alert, all: &[&Alert], zone: &TimeZone) -> String {
    let place = alert
        .position
        .map(|p| format!(" at {p} {}", cut(&alert.name, 30)))
        .unwrap_or_default();
    let over = alert
        .cleared_at
        .map(|at| format!(" (over at {})", clock(at, zone)))
        .unwrap_or_default();
    format!(
        "{}{}: {}{over}",
        alert.check,
        place.trim_end(),
        what(alert, all)
    )
}

/// The message of one alert; of several the analytes with what was measured, and the limit once.
fn what(alert: &Alert, all: &[&Alert]) -> String {
    let figures: Option<Vec<String>> = all
        .iter()
        .map(|a| {
            Some(format!(
                "{} {}",
                one_line(&a.analyte),
                figure(a.measured?, &a.limit)
            ))
        })
        .collect();
    match figures {
        Some(figures) if all.len() > 1 && all.iter().all(|a| a.limit == alert.limit) => {
            let limit = if alert.limit.is_empty() {
                String::new()
            } else {
                format!("; limit {}", alert.limit)
            };
            format!("{}{limit} {}", figures.join(", "), alert.unit)
                .trim_end()
                .to_owned()
        }
        _ => one_line(
            &all.iter()
                .map(|a| a.message.as_str())
                .collect::<Vec<_>>()
                .join("; "),
        ),
    }
}

/// To a tenth, or to as many decimals as keep it on its side of each limit: an R² of 0.9908 against 0.995 is not 1.0.
fn figure(measured: f64, limit: &str) -> String {
    let limits: Vec<f64> = limit
        .split(|c: char| !c.is_ascii_digit() && c != '.')
        .filter_map(|l| l.parse().ok())
        .collect();
    let honest = |text: &String| {
        let shown: f64 = text.parse().unwrap_or(measured);
        let side = |l: &f64| shown.abs().total_cmp(l) == measured.abs().total_cmp(l);
        limits.iter().all(side)
    };
    let mut texts = (1..=6).map(|decimals| fixed(measured, decimals));
    texts.find(honest).unwrap_or_else(|| fixed(measured, 1))
}

/// Checks told in the summary only and still failing, with the positions at which they do.
fn quiet<'a>(all: &[&'a Alert]) -> Vec<(&'a str, Vec<u64>)> {
    let mut out: Vec<(&str, Vec<u64>)> = Vec::new();
    for alert in all.iter().filter(|a| !a.now && a.cleared_at.is_none()) {
        let place = match out.iter().position(|(c, _)| *c == alert.check) {
            Some(k) => k,
            None => {
                out.push((&alert.check, Vec::new()));
                out.len() - 1
            }
        };
        if let Some((_, places)) = out.get_mut(place) {
            places.extend(alert.position);
        }
    }
    for (_, places) in &mut out {
        places.sort_unstable();
        places.dedup();
    }
    out
}

/// A failed blank changes no verdict: that samples ran near it is for the reader to judge.
fn near_blanks(out: &mut String, queue: &Queue) {
    for (k, slot) in queue
        .slots()
        .iter()
        .enumerate()
        .filter(|(_, s)| s.plan.kind == Kind::Blank && s.is_rerun())
    {
        let near: Vec<u64> = queue
            .samples_near_blank(k)
            .into_iter()
            .filter_map(|j| queue.slots().get(j))
            .map(|s| s.plan.position)
            .collect();
        if !near.is_empty() {
            let what = if slot.missing { "missing" } else { "failed" };
            let text = format!(
                "samples that ran near the {what} blank at {}: {}",
                slot.plan.position,
                positions(&near)
            );
            wrap(out, "         ", &text, WIDTH);
        }
    }
}

/// Peaks whose area counts as biased, in words.
fn doubtful(queue: &Queue, slot: &Slot) -> Vec<String> {
    let reading = match slot.landing.as_ref().map(|l| &l.evaluation) {
        Some(Evaluation::Read(reading)) if slot.plan.kind != Kind::Blank => reading,
        _ => return Vec::new(),
    };
    let pairs = queue.method().analytes.iter().zip(&reading.analytes);
    let words = pairs.filter_map(|(a, f)| {
        Some(format!(
            "{}: area in doubt, {}",
            one_line(&a.name),
            one_line(f.as_ref()?.doubtful.as_ref()?)
        ))
    });
    words.collect()
}

/// Revisions, how the list was read, traces that stop early, corrected volumes.
pub(super) fn notes(queue: &Queue) -> String {
    let mut all: Vec<String> = queue.notes.iter().map(|n| one_line(n)).collect();
    // Of what landed several times the ledger gives the last alone, and so does this.
    let landed = queue.slots().iter().filter_map(|s| s.landing.as_ref());
    all.extend(landed.filter(|l| l.revision > 1).map(|l| {
        let (file, revision) = (one_line(&l.file_name), l.revision);
        format!(
            "{file} landed again with other content (revision {revision}); its last content counts"
        )
    }));
    let unreadable = |s: &&Slot| {
        s.plan.kind == Kind::Conditioning
            && s.landing
                .as_ref()
                .is_some_and(|l| matches!(l.evaluation, Evaluation::Unreadable(_)))
    };
    all.extend(queue.slots().iter().filter(unreadable).map(|s| {
        format!(
            "the conditioning injection at {} is no usable trace",
            s.plan.position
        )
    }));
    let of_slots = queue.slots().iter().flat_map(|s| {
        let said = s.assessment.notes.iter().map(|n| one_line(n));
        said.chain(doubtful(queue, s))
            .map(move |note| (note, s.plan.position))
    });
    // The same note at many injections is one line.
    let mut gathered: Vec<(String, Vec<u64>)> = Vec::new();
    let mut index: HashMap<String, usize> = HashMap::new();
    for (note, position) in of_slots {
        match index.get(&note).and_then(|k| gathered.get_mut(*k)) {
            Some((_, places)) => places.push(position),
            None => {
                index.insert(note.clone(), gathered.len());
                gathered.push((note, vec![position]));
            }
        }
    }
    all.extend(
        gathered
            .into_iter()
            .map(|(note, places)| format!("{note} (at {})", positions(&places))),
    );
    let mut out = String::new();
    for note in all.iter().take(ALERTS) {
        wrap(&mut out, "  - ", note, WIDTH);
    }
    if all.len() > ALERTS {
        out.push_str(&format!("  .. and {} more\n", all.len() - ALERTS));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::figure;

    #[test]
    fn a_figure_stays_on_its_side_of_the_limit() {
        for (measured, limit, shown) in [
            (0.9908, "0.995", "0.99"),
            (0.994_96, "0.995", "0.99"),
            (0.995_04, "0.995", "1.0"),
            (79.94, "90-110", "79.9"),
            (110.04, "90-110", "110.04"),
            (-5.02, "5", "-5.02"),
            (-19.9, "5", "-19.9"),
            (3.26, "", "3.3"),
        ] {
            assert_eq!(figure(measured, limit), shown, "{measured} {limit}");
        }
    }
}
