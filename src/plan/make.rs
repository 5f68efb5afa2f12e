//! A sheet and the rules of a method become a run list.

use std::collections::{HashMap, HashSet};

use crate::config::error::{FileError, quoted};
use crate::method::plan::Plan;
use crate::method::{Degree, Method};
use crate::runlist::file::MAX_ROWS;
use crate::runlist::{Kind, RunList};
use crate::text::count;

use super::arrange::{self, Frame, Turn};
use super::sample::{self, Samples};
use super::sheet::Sheet;
use super::template::Template;
use super::vials::{Content, Rack, Vial};
use super::write::Writer;

/// What is asked for beside the rules.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// The queue's name, for `{queue}`.
    pub queue: String,
    /// The day of its start, for `{date}`.
    pub date: String,
    /// Seed of a random order within brackets; `None`: the order of the sheet.
    pub seed: Option<u64>,
}

/// A plan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Planned {
    /// The run list; no lines.
    pub list: RunList,
    /// What was read as meant, and what is worth a look before the queue is run.
    pub notes: Vec<String>,
    /// How many samples there are.
    pub samples: usize,
    /// What stands in the trays, in the order in which it is placed.
    pub vials: Vec<(Content, Vec<Vial>)>,
    /// The standards' levels in turn.
    pub rotation: Vec<String>,
}

/// One injection before it has a position, a vial and a name.
#[derive(Debug, Clone)]
pub(super) struct Step {
    pub(super) kind: Kind,
    pub(super) content: Content,
    /// From 1; 0 for what is no sample.
    pub(super) replicate: u64,
    pub(super) shutdown: bool,
}

/// The injections of a sheet by these rules.
///
/// # Errors
/// A column that the rules ask for is missing, a cell holds what it cannot, two files or samples are the same, more vials are
/// needed than there are places, more injections than a run list takes.
pub fn make(
    sheet: &Sheet,
    method: &Method,
    rules: &Plan,
    request: &Request,
) -> Result<Planned, FileError> {
    let samples = sample::read(sheet, rules)?;
    check_fields(sheet, rules)?;
    check_replicates(sheet, &samples, rules)?;
    let rotation = rules.rotation(&method.levels);
    let steps = steps(&samples, rules, &rotation, request.seed, sheet)?;
    let contents = contents(&steps, rules, &rotation);
    let mut rack = Rack::fill(
        &contents,
        rules.injections_per_vial,
        rules.tray.as_ref(),
        sheet,
        &samples,
    )?;
    let mut planned = Planned {
        notes: sheet.notes.clone(),
        samples: samples.all.len(),
        vials: rack.of(&contents),
        rotation,
        ..Planned::default()
    };
    planned.notes.extend(samples.notes.iter().cloned());
    let mut writer = Writer::new(sheet, &samples, rules, request, method, steps.len());
    for (position, step) in (1_u64..).zip(&steps) {
        let injection = writer.injection(position, step, &mut rack)?;
        planned.list.injections.push(injection);
    }
    planned.list.extra.clone_from(&samples.extra);
    planned.notes.extend(writer.into_notes());
    if planned.rotation.is_empty() {
        planned.notes.push(
            "the method has no level: no standard is placed, and without one no result is more than provisional".to_owned(),
        );
    }
    planned.notes.extend(too_few_calibrators(method, rules));
    Ok(planned)
}

/// Calibrators too few to be fitted: one more than the curve has coefficients, at as many levels as it has.
fn too_few_calibrators(method: &Method, rules: &Plan) -> Option<String> {
    let (curve, powers) = match method.fit.degree {
        Degree::Straight => ("a line", 2),
        Degree::Quadratic => ("a quadratic curve", 3),
    };
    let coefficients = powers - u64::from(method.fit.through_zero);
    let points: u64 = rules.calibrators.iter().map(|(_, n)| n).sum();
    let levels: HashSet<&str> = rules.calibrators.iter().map(|(l, _)| l.as_str()).collect();
    let enough = points > coefficients && levels.len() as u64 >= coefficients;
    (points > 0 && !enough).then(|| {
        format!(
            "the calibrators make no calibration of their own: {curve} needs {} of them at {}",
            coefficients + 1,
            count(usize::try_from(coefficients).unwrap_or(usize::MAX), "level")
        )
    })
}

/// The columns that the templates name are there.
fn check_fields(sheet: &Sheet, rules: &Plan) -> Result<(), FileError> {
    let check = |what: &str, option: &str, template: &Template, known: &dyn Fn(&str) -> bool| {
        template.fields().filter(|f| !known(f)).try_for_each(|f| {
            let what = format!("{what} {} (option {option})", quoted(template.text()));
            sheet.need(f, &what).map(|_| ())
        })
    };
    check("the name", "--name", &rules.name, &|f| {
        is_own(f) || is_fallback(f)
    })?;
    check("the file name", "--file-name", &rules.file, &|f| {
        is_own(f) || is_fallback(f) || f == "name"
    })?;
    let other = |f: &&str| !(is_own(f) || is_fallback(f) || *f == "name");
    match rules.other_file.fields().find(other) {
        None => Ok(()),
        Some(field) => Err(FileError::whole(
            &sheet.path,
            format!(
                "found {{{field}}} in the file name {} of blanks and standards, expected {{queue}}, {{position}}, {{date}}, \
                 {{kind}}, {{name}}, {{tray}} or {{vial}}: columns of the sheet are for samples",
                quoted(rules.other_file.text())
            ),
        )),
    }
}

/// Fields that always mean the plan's own values.
fn is_own(field: &str) -> bool {
    matches!(field, "queue" | "position" | "kind" | "tray" | "vial")
}

/// Fields that mean the plan's values where the sheet has no such column.
fn is_fallback(field: &str) -> bool {
    matches!(field, "date" | "replicate")
}

/// A sheet with a row for each replicate is not multiplied once more.
fn check_replicates(sheet: &Sheet, samples: &Samples, rules: &Plan) -> Result<(), FileError> {
    let given = samples.all.iter().find(|s| !s.replicate.is_empty());
    let (Some(column), Some(first)) = (samples.replicate_column, given) else {
        return Ok(());
    };
    match sheet.rows.get(first.row) {
        Some(row) if rules.replicates > 1 => Err(sheet.found(
            row,
            column,
            &format!(
                "an empty cell: each sample is injected {} times by the plan",
                rules.replicates
            ),
        )),
        _ => Ok(()),
    }
}

/// Every injection in its order.
fn steps(
    samples: &Samples,
    rules: &Plan,
    rotation: &[String],
    seed: Option<u64>,
    sheet: &Sheet,
) -> Result<Vec<Step>, FileError> {
    let total = (samples.all.len() as u64).saturating_mul(rules.replicates);
    if total > MAX_ROWS as u64 {
        return Err(too_long(sheet, total));
    }
    let step = |kind, content| Step {
        kind,
        content,
        replicate: 0,
        shutdown: false,
    };
    let of_level = |kind, level: &String| step(kind, Content::Level(level.clone()));
    let blank = || step(Kind::Blank, Content::Blank);
    let woken = match &rules.conditioning_level {
        Some(level) => of_level(Kind::Conditioning, level),
        None => step(Kind::Conditioning, Content::Blank),
    };
    let calibrators = rules
        .calibrators
        .iter()
        .flat_map(|(level, times)| (0..*times).map(|_| of_level(Kind::Calibrator, level)));
    let frame = Frame {
        conditioning: (0..rules.conditioning).map(|_| woken.clone()).collect(),
        blank_first: rules.blank_first.then(blank),
        calibrators: calibrators.collect(),
        blank_last: rules.blank_last.then(blank),
        shutdown: rules.shutdown.then(|| Step {
            shutdown: true,
            ..step(Kind::Conditioning, Content::Blank)
        }),
    };
    let size = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
    let turns = arrange::turns(samples.all.len(), rules.replicates, rules.replicate_order);
    let mut parts = arrange::parts(&turns, size(rules.samples_between));
    if let Some(seed) = seed {
        arrange::shuffle(&mut parts, seed);
    }
    let injected = |t: Turn| Step {
        replicate: t.replicate + 1,
        ..step(Kind::Sample, Content::Sample(t.sample))
    };
    let parts = parts
        .into_iter()
        .map(|part| part.into_iter().map(injected).collect());
    let steps = arrange::enclose(frame, parts, |k| {
        let levels = arrange::turn_of(rotation, size(rules.standards_per_checkpoint), k);
        let standard = |l| of_level(Kind::Standard, l);
        levels.iter().map(standard).collect()
    });
    if steps.len() > MAX_ROWS {
        return Err(too_long(sheet, steps.len() as u64));
    }
    Ok(steps)
}

fn too_long(sheet: &Sheet, injections: u64) -> FileError {
    FileError::whole(
        &sheet.path,
        format!("found {injections} injections to be planned, expected at most {MAX_ROWS}"),
    )
}

/// What stands in the trays, in the order in which it is placed, with the injections of each.
fn contents(steps: &[Step], rules: &Plan, rotation: &[String]) -> Vec<(Content, u64)> {
    let mut injections: HashMap<&Content, u64> = HashMap::new();
    for step in steps {
        *injections.entry(&step.content).or_insert(0) += 1;
    }
    let levels = rotation
        .iter()
        .chain(rules.calibrators.iter().map(|(l, _)| l))
        .chain(&rules.conditioning_level);
    let mut order: Vec<Content> = vec![Content::Blank];
    for level in levels {
        let content = Content::Level(level.clone());
        if !order.contains(&content) {
            order.push(content);
        }
    }
    let samples = injections.keys().filter_map(|c| match c {
        Content::Sample(s) => Some(*s),
        _ => None,
    });
    let last = samples.max().map_or(0, |s| s + 1);
    order.extend((0..last).map(Content::Sample));
    order
        .into_iter()
        .filter_map(|content| {
            let n = injections.get(&content).copied()?;
            Some((content, n))
        })
        .collect()
}
