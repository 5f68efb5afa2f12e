//! What was planned, in a few lines.

use crate::method::plan::{Plan, ReplicateOrder};
use crate::plan::Planned;
use crate::plan::sheet::Sheet;
use crate::plan::vials::{Content, Vial};
use crate::runlist::Kind;
use crate::text::{count, one_line};

/// The last two lines of every plan.
pub(super) const CAUTIONS: [&str; 2] = [
    "caution: acids, solvents and waste by their safety data sheets and the rules of your laboratory, which come before this plan; \
     the waste container must take the whole queue",
    "caution: the pump never without eluent; the instrument's own pressure cut-offs set, high and low, so that it stops before it \
     pumps air; vials that were pierced hours ago capped anew or prepared anew",
];

/// The plan in short.
pub(super) fn lines(
    sheet: &Sheet,
    rules: &Plan,
    planned: &Planned,
    seed: Option<u64>,
) -> Vec<String> {
    let mut out = vec![
        format!(
            "{}: {}{}",
            one_line(&sheet.path.to_string_lossy()),
            count(planned.samples, "sample"),
            replicates(rules)
        ),
        injections(planned),
        checkpoints(rules, planned),
    ];
    if let Some(seed) = seed {
        out.push(format!(
            "samples in random order within their brackets, seed {seed}"
        ));
    }
    out.push(vials(planned));
    out
}

fn replicates(rules: &Plan) -> String {
    match (rules.replicates, rules.replicate_order) {
        (1, _) => String::new(),
        (n, ReplicateOrder::Sequence) => format!(", {n} replicates of each one after another"),
        (n, ReplicateOrder::Spread) => format!(", {n} replicates of each, spread over the queue"),
    }
}

fn injections(planned: &Planned) -> String {
    let all = &planned.list.injections;
    const ORDER: [Kind; 5] = [
        Kind::Conditioning,
        Kind::Blank,
        Kind::Calibrator,
        Kind::Standard,
        Kind::Sample,
    ];
    let of = |kind: Kind| {
        let n = all.iter().filter(|i| i.kind == kind).count();
        (n > 0).then(|| format!("{n} {}", kind.word()))
    };
    let kinds: Vec<String> = ORDER.into_iter().filter_map(of).collect();
    format!("{}: {}", count(all.len(), "injection"), kinds.join(", "))
}

fn checkpoints(rules: &Plan, planned: &Planned) -> String {
    let levels: Vec<String> = planned.rotation.iter().map(|l| one_line(l)).collect();
    match levels.as_slice() {
        [] => "no standards".to_owned(),
        many => format!(
            "standards after every {} and at the end: {}{}",
            count(
                usize::try_from(rules.samples_between).unwrap_or(usize::MAX),
                "sample injection"
            ),
            many.join(", "),
            if many.len() > 1 { " in turn" } else { "" }
        ),
    }
}

/// Where the vials stand: of blanks and levels each, of samples the first and the last.
fn vials(planned: &Planned) -> String {
    let at = |v: &Vial| format!("{}:{}", one_line(&v.tray), one_line(&v.vial));
    let mut told = Vec::new();
    let mut samples: Vec<String> = Vec::new();
    for (content, vials) in &planned.vials {
        let places: Vec<String> = vials.iter().map(at).collect();
        match content {
            Content::Blank => told.push(format!("blank {}", span(&places))),
            Content::Level(level) => told.push(format!("{} {}", one_line(level), span(&places))),
            Content::Sample(_) => samples.extend(places),
        }
    }
    told.push(format!("samples {}", ends(&samples)));
    let all: usize = planned.vials.iter().map(|(_, v)| v.len()).sum();
    format!("{} (tray:place): {}", count(all, "vial"), told.join(", "))
}

/// A few places one by one, many by their first and last.
fn span(vials: &[String]) -> String {
    match vials {
        [] => String::new(),
        [first, .., last] if vials.len() > 4 => {
            format!("{first} to {last}, {} in all", vials.len())
        }
        few => few.join(" "),
    }
}

fn ends(vials: &[String]) -> String {
    match vials {
        [first, .., last] if first != last => format!("{first} to {last}"),
        [first, ..] => first.clone(),
        [] => String::new(),
    }
}
