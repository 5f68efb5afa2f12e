//! What a method orders where automatic integration errs: keys of an `[[analyte]]`, the `[integration]` table and
//! `[[span]]` tables.

use crate::config::bounds::Bounds;
use crate::config::error::FileError;
use crate::config::table::Table;
use crate::signal::steer::Style;

/// Keys of an analyte that are read here.
pub(super) const ANALYTE_KEYS: [&str; 4] =
    ["baseline", "min_signal_to_noise", "bounds_min", "area"];
pub(super) const KEYS: &[&str] = &["fit"];
pub(super) const SPAN_KEYS: &[&str] = &["from_min", "to_min", "no_peaks", "baseline"];
const STYLES: [(&str, Style); 3] = [
    ("valley", Style::Valley),
    ("drop", Style::Drop),
    ("skim", Style::Skim),
];
const TIME: Bounds = Bounds::range(0.0, 1440.0, "min");
/// More spans than this are no method.
const MOST: usize = 100;

/// Which of an analyte's two areas counts. Both are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Area {
    /// Between bounds, above the baseline, by the trapezoid rule.
    #[default]
    Classical,
    /// That of the exponentially modified Gaussian fitted to its group.
    Fitted,
}

/// What is ordered for one analyte's peak. The default orders nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Steering {
    /// How its baseline is drawn; left out: automatic.
    pub baseline: Option<Style>,
    /// A peak with a smaller signal-to-noise ratio (2H/h) is not taken.
    pub min_signal_to_noise: Option<f64>,
    /// Integrated from here to there, min.
    pub bounds_min: Option<[f64; 2]>,
    /// Which area counts.
    pub area: Area,
}

/// What is ordered for a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// From, min.
    pub from_min: f64,
    /// To, min.
    pub to_min: f64,
    /// No peak is reported here.
    pub no_peaks: bool,
    /// How the baseline of the peaks here is drawn; an analyte's own key goes before.
    pub baseline: Option<Style>,
}

/// What is ordered for whole traces.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Integration {
    /// Every group of peaks is fitted, so that each analyte has both areas.
    pub fit: bool,
    /// By time.
    pub spans: Vec<Span>,
}

/// The steering keys of an analyte's table. Forced bounds must lie around its retention.
pub(super) fn of_analyte(table: &Table<'_>, retention_min: f64) -> Result<Steering, FileError> {
    const AREAS: [(&str, Area); 2] = [("classical", Area::Classical), ("fitted", Area::Fitted)];
    let bounds_min = match table.get("bounds_min") {
        None => None,
        Some(value) => {
            let [from, to] = value.band(TIME)?;
            if retention_min <= from || retention_min >= to {
                return Err(value.error(&format!(
                    "found [{from}, {to}], expected bounds on both sides of the retention_min of {retention_min}"
                )));
            }
            Some([from, to])
        }
    };
    Ok(Steering {
        baseline: style(table)?,
        min_signal_to_noise: table.number("min_signal_to_noise", Bounds::range(0.0, 1e6, ""))?,
        bounds_min,
        area: table
            .get("area")
            .map(|v| v.word(&AREAS))
            .transpose()?
            .unwrap_or_default(),
    })
}

fn style(table: &Table<'_>) -> Result<Option<Style>, FileError> {
    table.get("baseline").map(|v| v.word(&STYLES)).transpose()
}

/// The `[integration]` table and every `[[span]]`.
pub(super) fn read(root: &Table<'_>) -> Result<Integration, FileError> {
    let mut integration = Integration::default();
    if let Some(value) = root.get("integration") {
        let table = value.table(KEYS)?;
        integration.fit = flag(&table, "fit")?;
    }
    let Some(value) = root.get("span") else {
        return Ok(integration);
    };
    let values = value.list("[[span]] in double brackets")?;
    if values.len() > MOST {
        return Err(value.error(&format!(
            "found {}, expected at most {MOST} spans",
            values.len()
        )));
    }
    for value in values {
        integration.spans.push(span(&value.table(SPAN_KEYS)?)?);
    }
    Ok(integration)
}

fn span(table: &Table<'_>) -> Result<Span, FileError> {
    let from_min = table
        .need("from_min", "where the span begins, min")?
        .number(TIME)?;
    let end = table.need("to_min", "where the span ends, min")?;
    let to_min = end.number(TIME)?;
    if to_min <= from_min {
        return Err(end.found(&format!("more than the from_min of {from_min}")));
    }
    let span = Span {
        from_min,
        to_min,
        no_peaks: flag(table, "no_peaks")?,
        baseline: style(table)?,
    };
    if !span.no_peaks && span.baseline.is_none() {
        return Err(
            table.error("found neither no_peaks = true nor a baseline, expected one of them")
        );
    }
    if span.no_peaks && span.baseline.is_some() {
        return Err(table.error("found no_peaks = true and a baseline, expected one of them"));
    }
    Ok(span)
}

fn flag(table: &Table<'_>, key: &str) -> Result<bool, FileError> {
    Ok(table
        .get(key)
        .map(|v| v.flag())
        .transpose()?
        .unwrap_or(false))
}
