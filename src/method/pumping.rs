//! How eluent is pumped and vials are drawn from: the `[pump]` and `[autosampler]` tables, `[[eluent.bottle]]`, and what
//! the expected pressure needs. The upper ends of the ranges only keep slips of the keyboard out (common practice, no
//! source).

use super::Program;
use crate::config::bounds::Bounds;
use crate::config::error::FileError;
use crate::config::table::{Table, Value};

pub(super) const KEYS: &[&str] = &["flow_program", "between_flow_ml_min", "before", "after"];
pub(super) const BOTTLE_KEYS: &[&str] = &[
    "name",
    "bottle_ml",
    "reserve_ml",
    "share_percent",
    "share_program",
    "before_percent",
    "after_percent",
];
pub(super) const SAMPLER_KEYS: &[&str] = &[
    "vial_filled_ul",
    "vial_dead_ul",
    "draw_extra_ul",
    "needle_wash_ml",
];
const MINUTES: Bounds = Bounds::range(0.0, 1440.0, "min");
const FLOW_ML_MIN: Bounds = Bounds::range(0.0, 100.0, "mL/min");
const PERCENT: Bounds = Bounds::range(0.0, 100.0, "%");
const VIAL_UL: Bounds = Bounds::range(0.0, 1e6, "µL");
/// Shares of all bottles may miss 100 % by so much, %: what rounding to a tenth gives.
const SLACK_PERCENT: f64 = 0.2;

/// What the budget needs beyond the flow and the one bottle.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pumping {
    /// Flow against the time since the injection, mL/min; where given it counts in place of `flow_ml_min`.
    pub flow_program: Option<Program>,
    /// Flow between runs and while the queue stands still, mL/min.
    pub between_flow_ml_min: Option<f64>,
    /// Conditioning of the column before the first injection.
    pub before: Option<Phase>,
    /// Flushing after the last run.
    pub after: Option<Phase>,
    /// The bottles where there are several; empty: the one of `[eluent]`.
    pub bottles: Vec<Bottle>,
    /// What a vial is filled with, µL.
    pub vial_filled_ul: Option<f64>,
    /// What the needle cannot reach, µL.
    pub vial_dead_ul: f64,
    /// What each injection draws beyond its volume, µL.
    pub draw_extra_ul: f64,
    /// What each injection's needle wash brings into the waste, mL.
    pub needle_wash_ml: f64,
    /// Share of the column that is no particle, 0 to 1.
    pub porosity: Option<f64>,
    /// Viscosity of the eluent at the column's temperature, mPa·s; left out: that of water.
    pub viscosity_mpa_s: Option<f64>,
}

/// A time of steady pumping.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Phase {
    /// How long, min.
    pub minutes: f64,
    /// Flow, mL/min.
    pub flow_ml_min: f64,
}

/// One of several bottles.
#[derive(Debug, Clone, PartialEq)]
pub struct Bottle {
    /// What it holds; unique.
    pub name: String,
    /// Filling at the start, mL.
    pub bottle_ml: Option<f64>,
    /// What must stay in it, mL.
    pub reserve_ml: f64,
    /// Share of the flow against the time since the injection, %.
    pub share_percent: Program,
    /// Share while the column is conditioned, %.
    pub before_percent: f64,
    /// Share while the column is flushed, %.
    pub after_percent: f64,
}

/// Reads all of it.
pub(super) fn read(root: &Table<'_>) -> Result<Pumping, FileError> {
    let mut out = Pumping::default();
    if let Some(value) = root.get("pump") {
        pump(&value.table(KEYS)?, &mut out)?;
    }
    if let Some(value) = root.get("eluent") {
        let table = value.table(super::conditions::ELUENT_KEYS)?;
        out.viscosity_mpa_s =
            table.number("viscosity_mpa_s", Bounds::above_zero(1000.0, "mPa·s"))?;
        out.bottles = bottles(&table)?;
    }
    if let Some(value) = root.get("column") {
        let table = value.table(super::conditions::COLUMN_KEYS)?;
        out.porosity = table.number("porosity", Bounds::range(0.1, 0.9, ""))?;
    }
    if let Some(value) = root.get("autosampler") {
        sampler(&value.table(SAMPLER_KEYS)?, &mut out)?;
    }
    Ok(out)
}

fn pump(table: &Table<'_>, out: &mut Pumping) -> Result<(), FileError> {
    out.flow_program = table
        .get("flow_program")
        .map(|v| program(&v, FLOW_ML_MIN, "[min, mL/min]"))
        .transpose()?;
    out.between_flow_ml_min = table.number("between_flow_ml_min", FLOW_ML_MIN)?;
    let phase = |key: &str| table.get(key).map(|v| phase(&v)).transpose();
    out.before = phase("before")?;
    out.after = phase("after")?;
    Ok(())
}

fn sampler(table: &Table<'_>, out: &mut Pumping) -> Result<(), FileError> {
    out.vial_filled_ul = table.number("vial_filled_ul", Bounds::above_zero(1e6, "µL"))?;
    out.vial_dead_ul = table.number_or("vial_dead_ul", VIAL_UL, 0.0)?;
    out.draw_extra_ul = table.number_or("draw_extra_ul", VIAL_UL, 0.0)?;
    out.needle_wash_ml = table.number_or("needle_wash_ml", Bounds::range(0.0, 100.0, "mL"), 0.0)?;
    if let Some(filled) = out.vial_filled_ul
        && out.vial_dead_ul >= filled
    {
        let dead = out.vial_dead_ul;
        let message = format!(
            "found a vial_dead_ul of {dead} in a vial_filled_ul of {filled}, expected less"
        );
        return Err(table.error(&message));
    }
    Ok(())
}

/// Pairs of time and value in brackets.
fn program(value: &Value<'_>, bounds: Bounds, pair: &str) -> Result<Program, FileError> {
    let expected = format!("a list of pairs {pair}, in the order of their times");
    let mut pairs: Vec<[f64; 2]> = Vec::new();
    for item in value.list(&expected)? {
        let [time, number] = two(&item, bounds, pair)?;
        if let Some(earlier) = pairs.last().filter(|p| p[0] > time) {
            let message = format!(
                "found minute {time} behind minute {}, expected rising times",
                earlier[0]
            );
            return Err(item.error(&message));
        }
        pairs.push([time, number]);
    }
    Program::of(pairs).ok_or_else(|| value.found(&expected))
}

fn two(item: &Value<'_>, bounds: Bounds, pair: &str) -> Result<[f64; 2], FileError> {
    let expected = format!("a pair {pair}");
    let values = item.list(&expected)?;
    let [time, number] = values.as_slice() else {
        let n = values.len();
        return Err(item.error(&format!("found a list of {n}, expected {expected}")));
    };
    Ok([time.number(MINUTES)?, number.number(bounds)?])
}

fn phase(value: &Value<'_>) -> Result<Phase, FileError> {
    let [minutes, flow_ml_min] = two(value, FLOW_ML_MIN, "[min, mL/min]")?;
    Ok(Phase {
        minutes,
        flow_ml_min,
    })
}

fn bottles(eluent: &Table<'_>) -> Result<Vec<Bottle>, FileError> {
    let Some(value) = eluent.get("bottle") else {
        return Ok(Vec::new());
    };
    for key in ["bottle_ml", "reserve_ml"] {
        if let Some(one) = eluent.get(key) {
            return Err(one.error("found beside [[eluent.bottle]], expected it in each bottle"));
        }
    }
    let mut out: Vec<Bottle> = Vec::new();
    for item in value.list("one table [[eluent.bottle]] for each bottle")? {
        let bottle = bottle(&item.table(BOTTLE_KEYS)?)?;
        if out.iter().any(|b| b.name == bottle.name) {
            let message = format!("found two bottles named {:?}, expected one", bottle.name);
            return Err(item.error(&message));
        }
        out.push(bottle);
    }
    whole(&out).map_err(|message| value.error(&message))?;
    Ok(out)
}

fn bottle(table: &Table<'_>) -> Result<Bottle, FileError> {
    let steady = table.number("share_percent", PERCENT)?;
    let share_percent = match (steady, table.get("share_program")) {
        (Some(_), Some(both)) => {
            return Err(both.error("found beside share_percent, expected one of the two"));
        }
        (Some(share), None) => Program::constant(share),
        (None, Some(value)) => program(&value, PERCENT, "[min, %]")?,
        (None, None) => return Err(table.error("expected share_percent or share_program")),
    };
    let start = share_percent.after(0.0);
    let out = Bottle {
        name: table
            .need("name", "what the bottle holds")?
            .text("what the bottle holds")?
            .to_owned(),
        bottle_ml: table.number("bottle_ml", Bounds::above_zero(1e6, "mL"))?,
        reserve_ml: table.number_or("reserve_ml", Bounds::range(0.0, 1e6, "mL"), 0.0)?,
        before_percent: table.number_or("before_percent", PERCENT, start)?,
        after_percent: table.number_or("after_percent", PERCENT, start)?,
        share_percent,
    };
    if let Some(bottle) = out.bottle_ml.filter(|b| out.reserve_ml >= *b) {
        let reserve = out.reserve_ml;
        let message =
            format!("found a reserve_ml of {reserve} in a bottle_ml of {bottle}, expected less");
        return Err(table.error(&message));
    }
    Ok(out)
}

/// The shares make 100 % at every moment: at every pair's time, on both sides of it, is enough, as lines join them.
fn whole(bottles: &[Bottle]) -> Result<(), String> {
    let sum = |share: &dyn Fn(&Bottle) -> f64| bottles.iter().map(share).sum::<f64>();
    let times = bottles.iter().flat_map(|b| b.share_percent.times_min());
    let mut sums: Vec<(String, f64)> = vec![
        ("before the queue".to_owned(), sum(&|b| b.before_percent)),
        ("after the queue".to_owned(), sum(&|b| b.after_percent)),
        (
            "in minute 0".to_owned(),
            sum(&|b| b.share_percent.after(0.0)),
        ),
    ];
    for t in times {
        let place = format!("in minute {t}");
        sums.push((place.clone(), sum(&|b| b.share_percent.until(t))));
        sums.push((place, sum(&|b| b.share_percent.after(t))));
    }
    match sums.iter().find(|(_, s)| (s - 100.0).abs() > SLACK_PERCENT) {
        Some((place, s)) => Err(format!(
            "found shares of {} % together {place}, expected 100 %",
            crate::text::significant(*s, 6)
        )),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests;
