//! The night's budget: how long a run list takes, what it drinks, what it leaves in the waste and in the vials.
//!
//! Everything starts with full bottles and an empty waste container, as the method says: whether an earlier queue has
//! drunk from the same bottle cannot be known from files. Pure: list and method in, numbers and sentences out.

mod container;
mod draw;
mod lines;
mod outlook;
mod pressure;
mod shutdown;
mod vials;

pub use container::{Container, containers};
pub use draw::Draw;
pub use lines::told_apart;
pub use outlook::{Course, Outlook, outlook};
pub use pressure::{Expected, expected, water_viscosity_mpa_s};
pub use shutdown::Shutdown;
pub use vials::{Vial, vials};

use crate::check::Check;
use crate::method::Method;
use crate::night::bracket;
use crate::runlist::{Injection, Kind};

/// What a run list needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Injections in the list.
    pub injections: usize,
    /// Conditioning before the first injection, min.
    pub before_min: f64,
    /// All runs with what lies between them, min.
    pub runs_min: f64,
    /// Flushing after the last run, min.
    pub after_min: f64,
    /// Each bottle, and the waste last; empty where the method gives no flow.
    pub containers: Vec<Use>,
    /// What is left after each checkpoint.
    pub checkpoints: Vec<AtCheckpoint>,
    /// What is drawn from each vial.
    pub vials: Vec<Vial>,
    /// What a vial is filled with, µL, where the method says.
    pub vial_filled_ul: Option<f64>,
    /// Whether the list ends with a shutdown.
    pub shutdown: Shutdown,
    /// What the pump goes on with when all is over, mL/min, where known.
    pub hold_flow_ml_min: Option<f64>,
    /// The pressure to expect, where the method says enough.
    pub pressure: Option<Expected>,
    shortfalls: Vec<Shortfall>,
}

/// What becomes of one container.
#[derive(Debug, Clone, PartialEq)]
pub struct Use {
    /// The container.
    pub container: Container,
    /// Used until the end, mL.
    pub used_ml: f64,
    /// What is then in the bottle, or free in the waste container, mL; below 0: so much is missing.
    pub left_ml: Option<f64>,
    /// When the reserve is reached (the waste: when it is full), min after the start, with the pump going on after the
    /// queue; `None`: never, or not known.
    pub reserve_at_min: Option<f64>,
    /// When the bottle is empty, min after the start.
    pub dry_at_min: Option<f64>,
}

/// What is left after a checkpoint.
#[derive(Debug, Clone, PartialEq)]
pub struct AtCheckpoint {
    /// Position of its last standard.
    pub position: u64,
    /// End of that standard's run, min after the start.
    pub at_min: f64,
    /// In each bottle, and free in the waste container, mL, in the order of [`Budget::containers`]; below 0: missing.
    pub left_ml: Vec<Option<f64>>,
}

/// What does not last.
#[derive(Debug, Clone, PartialEq)]
pub struct Shortfall {
    /// The check that fails; `None`: a vial, for which there is no check.
    pub check: Option<Check>,
    /// Bottle, waste container or vial.
    pub name: String,
    /// What is needed, in [`Shortfall::unit`].
    pub needed: f64,
    /// What may be used.
    pub may: f64,
    /// `mL` or `µL`.
    pub unit: &'static str,
    /// When it is used up, min after the start.
    pub at_min: Option<f64>,
    /// Positions of the injections that come too late.
    pub affected: Vec<u64>,
    /// One sentence without times of day and without a final stop.
    pub message: String,
}

impl Budget {
    /// From the start of conditioning to the end of flushing, min.
    pub fn duration_min(&self) -> f64 {
        self.before_min + self.runs_min + self.after_min
    }

    /// Eluent or waste does not last until the end: a check that is told at once would fail. A vial that runs dry is
    /// among the shortfalls, but no check.
    pub fn short(&self) -> bool {
        self.shortfalls.iter().any(|s| s.check.is_some())
    }

    /// What does not last: bottles, waste, vials.
    pub fn shortfalls(&self) -> &[Shortfall] {
        &self.shortfalls
    }
}

/// Reckons what a run list needs with a method.
pub fn reckon(list: &[Injection], method: &Method) -> Budget {
    let n = list.len();
    let minutes = |phase: Option<crate::method::Phase>| phase.map_or(0.0, |p| p.minutes);
    let containers: Vec<Use> = containers(method)
        .into_iter()
        .map(|container| used(container, n))
        .collect();
    let mut budget = Budget {
        injections: n,
        before_min: minutes(method.pumping.before),
        runs_min: n as f64 * method.cycle_s() / 60.0,
        after_min: minutes(method.pumping.after),
        checkpoints: Vec::new(),
        vials: vials(list, method),
        vial_filled_ul: method.pumping.vial_filled_ul,
        shutdown: Shutdown::of(list, method),
        hold_flow_ml_min: match method.pumping.after {
            Some(phase) => Some(phase.flow_ml_min),
            None => draw::between_flow_ml_min(method),
        },
        pressure: expected(method),
        containers,
        shortfalls: Vec::new(),
    };
    budget.checkpoints = checkpoints(list, method, &budget);
    budget.shortfalls = budget
        .containers
        .iter()
        .filter_map(|u| short_container(u, list, method))
        .chain(budget.vials.iter().filter_map(|v| short_vial(v, method)))
        .collect();
    budget
}

fn used(container: Container, n: usize) -> Use {
    let used_ml = container.draw.whole_ml(n);
    let when = |volume_ml: Option<f64>| container.draw.time_of_min(n, volume_ml?);
    Use {
        used_ml,
        left_ml: container.start_ml.map(|ml| ml - used_ml),
        reserve_at_min: when(container.may_ml()),
        dry_at_min: when(container.start_ml),
        container,
    }
}

fn checkpoints(list: &[Injection], method: &Method, budget: &Budget) -> Vec<AtCheckpoint> {
    let kind = |k: usize| list.get(k).map(|i| i.kind);
    let all = bracket::checkpoints(
        list.len(),
        |k| kind(k) == Some(Kind::Standard),
        |k| kind(k) == Some(Kind::Sample),
    );
    let at = |checkpoint: &bracket::Checkpoint| {
        let last = *checkpoint.members.last()?;
        let run_min = method.conditions.run_time_min;
        let at_min = budget.before_min + last as f64 * method.cycle_s() / 60.0 + run_min;
        let left = |u: &Use| {
            let used_ml = u.container.draw.used_ml(budget.injections, at_min);
            u.container.start_ml.map(|ml| ml - used_ml)
        };
        Some(AtCheckpoint {
            position: list.get(last)?.position,
            at_min,
            left_ml: budget.containers.iter().map(left).collect(),
        })
    };
    all.iter().filter_map(at).collect()
}

/// Positions of injections whose run is not over at this time.
fn later_than(list: &[Injection], method: &Method, at_min: f64) -> Vec<u64> {
    let before_min = method.pumping.before.map_or(0.0, |p| p.minutes);
    let cycle_min = method.cycle_s() / 60.0;
    let over_min = |k: usize| before_min + k as f64 * cycle_min + method.conditions.run_time_min;
    list.iter()
        .enumerate()
        .filter(|(k, _)| over_min(*k) > at_min)
        .map(|(_, i)| i.position)
        .collect()
}

fn short_container(used: &Use, list: &[Injection], method: &Method) -> Option<Shortfall> {
    let may = used.container.may_ml()?;
    // What an exact fit loses to rounding is no shortfall.
    if list.is_empty() || used.used_ml <= may * (1.0 + 1e-12) {
        return None;
    }
    let affected = used
        .reserve_at_min
        .map(|t| later_than(list, method, t))
        .unwrap_or_default();
    Some(Shortfall {
        check: Some(used.container.check),
        name: used.container.name.clone(),
        needed: used.used_ml,
        may,
        unit: "mL",
        at_min: used.reserve_at_min,
        message: lines::short_container(used, &affected),
        affected,
    })
}

fn short_vial(vial: &Vial, method: &Method) -> Option<Shortfall> {
    let filled_ul = method.pumping.vial_filled_ul?;
    if vial.needed_ul <= filled_ul * (1.0 + 1e-12) {
        return None;
    }
    let mut left = filled_ul - method.pumping.vial_dead_ul;
    let out_of_reach = |draw_ul: &f64| {
        left -= draw_ul;
        left < 0.0
    };
    let drawn = vial.positions.iter().zip(&vial.draws_ul);
    let late: Vec<bool> = drawn.map(|(_, ul)| ul).map(out_of_reach).collect();
    let affected: Vec<u64> = vial
        .positions
        .iter()
        .zip(late)
        .filter(|(_, late)| *late)
        .map(|(position, _)| *position)
        .collect();
    Some(Shortfall {
        check: None,
        name: lines::place(vial),
        needed: vial.needed_ul,
        may: filled_ul,
        unit: "µL",
        at_min: None,
        message: lines::short_vial(vial, filled_ul),
        affected,
    })
}

#[cfg(test)]
mod tests;
