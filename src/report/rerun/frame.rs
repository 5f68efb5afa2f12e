//! What stands around the samples of a rerun list: by the rules of the method's plan, with vials, levels and spacing as the queue
//! itself had them.

use crate::method::Plan;
use crate::night::queue::Queue;
use crate::plan::{SHUTDOWN, arrange};
use crate::runlist::{Injection, Kind};

/// Calibrators and samples that must be repeated, with conditioning, blanks and checkpoints around them.
pub(super) fn around(
    queue: &Queue,
    calibrators: Vec<Injection>,
    samples: Vec<Repeat>,
) -> Vec<Injection> {
    let rules = &queue.method().plan;
    let plans = || queue.slots().iter().map(|s| &s.plan);
    let first_blank = plans().find(|p| p.kind == Kind::Blank);
    let blank = first_blank
        .cloned()
        .unwrap_or_else(|| plain(Kind::Blank, "blank", ""));
    let frame = arrange::Frame {
        conditioning: conditioning(queue, rules, &blank),
        blank_first: (rules.blank_first || starts_with_blank(queue)).then(|| blank.clone()),
        calibrators,
        blank_last: last_blank(queue, rules, blank.clone()),
        shutdown: shutdown(queue, rules, &blank),
    };
    let parts = parts(queue, rules, samples);
    arrange::enclose(frame, parts, |k| checkpoint(queue, rules, k))
}

/// One row of a sample that must be repeated: the index of its slot, and the injection.
pub(super) type Repeat = (usize, Injection);

/// As the queue had them before anything else, or as many as the rules want.
fn conditioning(queue: &Queue, rules: &Plan, blank: &Injection) -> Vec<Injection> {
    let own: Vec<Injection> = queue
        .slots()
        .iter()
        .map(|s| &s.plan)
        .take_while(|p| p.kind == Kind::Conditioning)
        .cloned()
        .collect();
    if !own.is_empty() {
        return own;
    }
    let of_level = rules.conditioning_level.as_ref().map(|level| {
        let known = queue.slots().iter().find(|s| s.plan.level == *level);
        let vial = known.map(|s| s.plan.clone());
        vial.unwrap_or_else(|| plain(Kind::Conditioning, "", level))
    });
    let woken = Injection {
        kind: Kind::Conditioning,
        name: Kind::Conditioning.word().to_owned(),
        stem: Kind::Conditioning.word().to_owned(),
        ..of_level.unwrap_or_else(|| blank.clone())
    };
    (0..rules.conditioning).map(|_| woken.clone()).collect()
}

/// A blank comes before the queue's first standard, calibrator or sample.
fn starts_with_blank(queue: &Queue) -> bool {
    let kinds = || queue.slots().iter().map(|s| s.plan.kind);
    kinds().find(|k| *k != Kind::Conditioning) == Some(Kind::Blank)
}

/// The blank that ends the queue; the first one where it is drawn from the same vial, so that one vial has one name.
fn last_blank(queue: &Queue, rules: &Plan, first: Injection) -> Option<Injection> {
    let mut plans = queue.slots().iter().map(|s| &s.plan);
    match plans.rfind(|p| p.kind != Kind::Conditioning) {
        Some(last) if last.kind == Kind::Blank => Some(if alike(last, &first) {
            first
        } else {
            last.clone()
        }),
        _ => rules.blank_last.then_some(first),
    }
}

/// What the queue went to rest with, or what the rules want.
fn shutdown(queue: &Queue, rules: &Plan, blank: &Injection) -> Option<Injection> {
    let last = queue.slots().last().map(|s| &s.plan);
    match last {
        Some(last) if last.kind == Kind::Conditioning => Some(last.clone()),
        _ => rules.shutdown.then(|| Injection {
            kind: Kind::Conditioning,
            name: SHUTDOWN.to_owned(),
            stem: SHUTDOWN.to_owned(),
            ..blank.clone()
        }),
    }
}

/// Drawn from the same vial.
fn alike(a: &Injection, b: &Injection) -> bool {
    a.tray == b.tray && a.vial == b.vial && a.level == b.level && a.name == b.name
}

/// The standards of the k-th checkpoint: those of the queue's k-th, and from its second again where the list is longer. Of
/// checkpoints drawn from the same vials the first lends its names.
fn checkpoint(queue: &Queue, rules: &Plan, k: usize) -> Vec<Injection> {
    let checkpoints = queue.checkpoints();
    let own = match checkpoints.len() {
        0 => return made_up(queue, rules, k),
        1 => 0,
        n if k < n => k,
        n => 1 + (k - n) % (n - 1),
    };
    let members = |c: usize| checkpoints.get(c).map_or(&[][..], |c| &c.members);
    let plan = |slot: &usize| queue.slots().get(*slot).map(|s| &s.plan);
    let same = |c: &usize| {
        let pairs = members(*c).iter().zip(members(own));
        let mut pairs = pairs.filter_map(|(a, b)| plan(a).zip(plan(b)));
        members(*c).len() == members(own).len() && pairs.all(|(a, b)| alike(a, b))
    };
    let lender = (1..own).find(same).unwrap_or(own);
    members(lender).iter().filter_map(plan).cloned().collect()
}

/// A queue that had no standard gets those of the rules: without, its repeat could not be trusted either.
fn made_up(queue: &Queue, rules: &Plan, k: usize) -> Vec<Injection> {
    let rotation = rules.rotation(&queue.method().levels);
    let per_checkpoint = usize::try_from(rules.standards_per_checkpoint).unwrap_or(1);
    arrange::turn_of(&rotation, per_checkpoint, k)
        .iter()
        .map(|level| plain(Kind::Standard, "standard", level))
        .collect()
}

/// Samples between checkpoints: after as many as the queue had at most, else as the rules want. Where not one sample of the
/// queue stands, its own brackets come again.
fn parts(queue: &Queue, rules: &Plan, samples: Vec<Repeat>) -> Vec<Vec<Injection>> {
    let of_rules = usize::try_from(rules.samples_between).unwrap_or(usize::MAX);
    let most = spacing(queue).unwrap_or(of_rules);
    let all = queue
        .slots()
        .iter()
        .filter(|s| s.plan.kind == Kind::Sample)
        .count();
    let mut slots: Vec<usize> = samples.iter().map(|(slot, _)| *slot).collect();
    slots.dedup();
    let brackets: Vec<Vec<Injection>> = if slots.len() == all {
        let mut brackets: Vec<(usize, Vec<Injection>)> = Vec::new();
        for (slot, injection) in samples {
            let checkpoints = queue.checkpoints();
            let bracket =
                checkpoints.partition_point(|c| c.members.first().is_some_and(|m| *m < slot));
            match brackets.last_mut() {
                Some((last, part)) if *last == bracket => part.push(injection),
                _ => brackets.push((bracket, vec![injection])),
            }
        }
        brackets.into_iter().map(|(_, part)| part).collect()
    } else {
        vec![
            samples
                .into_iter()
                .map(|(_, injection)| injection)
                .collect(),
        ]
    };
    brackets
        .iter()
        .flat_map(|b| arrange::parts(b, most))
        .collect()
}

/// The largest number of samples between two checkpoints.
fn spacing(queue: &Queue) -> Option<usize> {
    let ends = queue
        .checkpoints()
        .windows(2)
        .filter_map(|pair| match pair {
            [a, b] => Some((*a.members.last()?, *b.members.first()?)),
            _ => None,
        });
    let samples = |(from, to): (usize, usize)| {
        let between = queue.slots().iter().take(to).skip(from + 1);
        between.filter(|s| s.plan.kind == Kind::Sample).count()
    };
    ends.map(samples).max().filter(|n| *n > 0)
}

/// An injection of which no vial is known: the person who runs the list fills it in.
fn plain(kind: Kind, name: &str, level: &str) -> Injection {
    Injection {
        position: 0,
        tray: String::new(),
        vial: String::new(),
        kind,
        name: name.to_owned(),
        stem: name.to_owned(),
        volume_ul: None,
        dilution: 1.0,
        level: level.to_owned(),
        series: String::new(),
        time_h: None,
        replicate: String::new(),
        extra: Vec::new(),
    }
}
