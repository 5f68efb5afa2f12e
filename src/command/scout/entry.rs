//! A proposal as TOML, with its reasons in comments.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::path::Path;

use crate::method::{Limits, Method};
use crate::quant::calibration::write::quoted;
use crate::quant::scout::{Because, Neighbour, Proposal};
use crate::report::words::wrap;
use crate::text::{count, fixed, one_line, significant};
use crate::trace::Trace;

/// Longest line, characters.
const WIDTH: usize = 100;
/// Room for the word before a comment.
const LABEL: usize = 12;
/// From this signal-to-noise ratio on a symmetry is judged, as in a standard.
const SYMMETRY_NEEDS: f64 = 100.0;
/// So many peaks beside the compound's own are named.
const OTHERS: usize = 6;
/// Where nothing is known: the unit that a laboratory of this kind would most often take.
const UNIT: &str = "mmol/L";

/// Where a proposal comes from.
pub(super) struct Source<'a> {
    /// The trace's file name.
    pub(super) file: Cow<'a, str>,
    pub(super) trace: &'a Trace,
    /// First and last time, min.
    pub(super) span_min: [f64; 2],
    /// The method it is held against, with its file.
    pub(super) method: Option<(&'a Path, &'a Method)>,
    /// Why there is none although one could be expected.
    pub(super) note: Option<&'a str>,
}

impl Source<'_> {
    fn analyte_name(&self, index: usize) -> String {
        let analyte = self.method.and_then(|(_, m)| m.analytes.get(index));
        analyte.map(|a| one_line(&a.name)).unwrap_or_default()
    }
}

/// The entry, ready to be pasted into a method.
pub(super) fn entry(p: &Proposal, name: &str, source: &Source, warnings: &[String]) -> String {
    let mut out = String::new();
    let [from, to] = source.span_min;
    let head = format!(
        "Proposed from one injection, {}: {}, {} to {} min. Look at every value before you use it.",
        one_line(&source.file),
        count(source.trace.time_s.len(), "sample"),
        fixed(from, 2),
        fixed(to, 2)
    );
    comment(&mut out, "", &head);
    for (label, text) in reasons(p, source) {
        comment(&mut out, label, &text);
    }
    for warning in warnings {
        comment(&mut out, "WARNING", warning);
    }
    let known = p
        .known
        .and_then(|k| source.method.and_then(|(_, m)| m.analytes.get(k)));
    let unit = known.map_or(UNIT, |a| a.unit.as_str());
    let mass = known.and_then(|a| a.molar_mass_g_mol);
    let decimals = if p.retention_min < 2.0 { 3 } else { 2 };
    let _ = writeln!(
        out,
        "[[analyte]]\nname = {}\nretention_min = {}\nwindow_min = {}",
        quoted(name),
        fixed(p.retention_min, decimals),
        fixed(p.window.half_min, 2)
    );
    let said = if known.is_some() {
        ""
    } else {
        "            # a placeholder: the unit of your standards"
    };
    let _ = writeln!(out, "unit = {}{said}", quoted(unit));
    let _ = match mass {
        Some(mass) => writeln!(out, "molar_mass_g_mol = {}", significant(mass, 9)),
        None => writeln!(
            out,
            "#molar_mass_g_mol =          # needed only where mmol/L and g/L are to be converted"
        ),
    };
    out
}

/// `# label      text`, wrapped; without a label from the margin on.
fn comment(out: &mut String, label: &str, text: &str) {
    let first = match label {
        "" => String::new(),
        label => format!("{label:<LABEL$}"),
    };
    let mut lines = String::new();
    wrap(&mut lines, &first, &one_line(text), WIDTH - 2);
    for line in lines.lines() {
        let _ = writeln!(out, "# {line}");
    }
}

/// What each value rests on.
fn reasons(p: &Proposal, source: &Source) -> Vec<(&'static str, String)> {
    let mut out = vec![
        (
            "retention",
            format!(
                "apex at {} min; signal-to-noise ratio {}",
                fixed(p.retention_min, 3),
                significant(p.signal_to_noise.round(), 4)
            ),
        ),
        ("window", window(p, source)),
        (
            "plates",
            format!(
                "about {} to expect: width at half height {} s",
                significant(p.plates, 3),
                significant(60.0 * p.width_half_min, 4)
            ),
        ),
        (
            "symmetry",
            p.symmetry.map_or_else(
                || "not to be told: a neighbour hides a flank at 5 % of the height".to_owned(),
                |s| format!("{} to expect, at 5 % of the height", fixed(s, 2)),
            ),
        ),
        ("purity", purity(p)),
        (
            "wavelength",
            "not proposed: the trace holds one signal and says nothing of other wavelengths"
                .to_owned(),
        ),
    ];
    out.push(("compared", compared(p, source)));
    out
}

fn window(p: &Proposal, source: &Source) -> String {
    let half = fixed(p.window.half_min, 2);
    let why = match p.window.because {
        Because::Width => "the peak's width at half height to each side".to_owned(),
        Because::Shift(percent) => format!(
            "one and a half times the shift that is allowed ({} %, {})",
            significant(percent, 3),
            if source.method.is_some() {
                "the method's limit"
            } else {
                "the usual limit"
            }
        ),
        Because::Analyte(k) => format!("no more, for {} stands near", source.analyte_name(k)),
        Because::Peak(at) => format!("no more, for a peak at {} min stands near", fixed(at, 2)),
    };
    format!("± {half} min: {why}")
}

fn purity(p: &Proposal) -> String {
    if p.others.is_empty() {
        return "the only peak that counts".to_owned();
    }
    let other = |at: f64, percent: f64| format!("{} min ({} %)", fixed(at, 2), fixed(percent, 1));
    let mut named: Vec<String> = p
        .others
        .iter()
        .take(OTHERS)
        .map(|o| other(o.apex_min, o.area_percent))
        .collect();
    if p.others.len() > OTHERS {
        named.push(format!("{} more", p.others.len() - OTHERS));
    }
    format!(
        "{} % of the area of all peaks; further ones at {}: the front, or impurities",
        fixed(p.area_percent, 1),
        named.join(", ")
    )
}

fn compared(p: &Proposal, source: &Source) -> String {
    let Some((path, method)) = source.method else {
        let why = source.note.map(|n| format!(" ({n})")).unwrap_or_default();
        return format!("with no method{why}: name one with --against");
    };
    let others = method.analytes.len() - usize::from(p.known.is_some());
    let mut text = format!(
        "with {}, {}",
        path.display(),
        count(others, "other analyte")
    );
    if p.neighbours.is_empty() && others > 0 {
        text.push_str(": apart from all of them");
    }
    if let Some(known) = p.known.and_then(|k| method.analytes.get(k)) {
        let _ = write!(
            text,
            "; {} stands there already, at {} ± {} min: put this in its place, not beside it",
            one_line(&known.name),
            fixed(known.retention_min, 2),
            fixed(known.window_min, 2)
        );
    }
    text
}

/// What a person must see before the entry is used.
pub(super) fn warnings(p: &Proposal, source: &Source) -> Vec<String> {
    let usual = Limits::default();
    let limits = source.method.map_or(&usual, |(_, m)| &m.limits);
    let mut out: Vec<String> = p
        .neighbours
        .iter()
        .filter_map(|n| neighbour(p, n, source, limits))
        .collect();
    if p.touches {
        out.push(
            "it touches another peak: a flank is not its own; inject the compound alone".to_owned(),
        );
    }
    if p.plates < limits.plates_min {
        out.push(format!(
            "{} plates, below the limit of {}: standards of it would fail the check peak-shape",
            fixed(p.plates, 0),
            significant(limits.plates_min, 6)
        ));
    }
    let symmetry = p.symmetry.filter(|_| p.signal_to_noise >= SYMMETRY_NEEDS);
    if let Some(s) = symmetry.filter(|s| *s > limits.tailing_max) {
        out.push(format!(
            "symmetry {}, above the limit of {}: standards of it would fail the check peak-shape; less of the compound may help",
            fixed(s, 2),
            significant(limits.tailing_max, 3)
        ));
    }
    let run = source.method.map(|(_, m)| m.conditions.run_time_min);
    if let Some(run) = run.filter(|run| p.retention_min + p.window.half_min > *run) {
        out.push(format!(
            "the method's run is over at {} min, before the window is: raise run_time_min",
            significant(run, 5)
        ));
    }
    out
}

fn neighbour(p: &Proposal, n: &Neighbour, source: &Source, limits: &Limits) -> Option<String> {
    let analyte = source.method?.1.analytes.get(n.analyte)?;
    let name = one_line(&analyte.name);
    let resolution = format!(
        "expected resolution {} with plates as here, limit {}",
        fixed(n.resolution, 2),
        significant(limits.resolution_min, 3)
    );
    let (at, its) = (fixed(p.retention_min, 2), fixed(analyte.retention_min, 2));
    Some(if n.inside {
        format!(
            "{at} min lies inside the window of {name} ({its} ± {} min): the same compound, or one that this separation does not \
part from it; {resolution}",
            fixed(analyte.window_min, 2)
        )
    } else if n.resolution < limits.resolution_min {
        format!("overlaps {name} ({its} min): {resolution}")
    } else {
        format!(
            "its window overlaps that of {name} ({its} ± {} min): a peak in both serves the nearer; {resolution}",
            fixed(analyte.window_min, 2)
        )
    })
}
