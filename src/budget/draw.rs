//! How fast one container is drawn from, or filled, while a queue runs.
//!
//! A run's volume is the integral of flow times share over the run. Flow and share go in straight lines between the pairs
//! of their programs, so that their product is a parabola between two neighbouring times; Simpson's rule is exact for it.

use crate::method::{Method, Phase, Program};

/// Volume against time from the start of the queue: conditioning, so many equal cycles, flushing, and then the pump goes
/// on. Times in min, volumes in mL.
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    segments: Vec<Segment>,
    run_min: f64,
    run_ml: f64,
    /// Comes with each injection at once.
    wash_ml: f64,
    overhead_min: f64,
    before: Steady,
    /// Between runs, and while the queue stands still.
    between_ml_min: f64,
    after: Steady,
    /// When everything is over and nobody stops the pump.
    hold_ml_min: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Steady {
    min: f64,
    ml_min: f64,
}

impl Steady {
    fn ml(self) -> f64 {
        self.min * self.ml_min
    }
}

/// A stretch of a run in which flow and share go in straight lines.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Segment {
    from_min: f64,
    to_min: f64,
    flow: [f64; 2],
    share: [f64; 2],
}

impl Segment {
    /// Volume from its start until a time inside it.
    fn ml(&self, until_min: f64) -> f64 {
        let length = self.to_min - self.from_min;
        let t = until_min.clamp(self.from_min, self.to_min) - self.from_min;
        if t <= 0.0 {
            return 0.0;
        }
        let at = |ends: [f64; 2], t: f64| ends[0] + (ends[1] - ends[0]) * t / length;
        let rate = |t: f64| at(self.flow, t) * at(self.share, t);
        t / 6.0 * (rate(0.0) + 4.0 * rate(t / 2.0) + rate(t))
    }
}

/// The share of a container, 0 to 1, in the three times of a queue.
pub(super) struct Share<'a> {
    pub(super) program: &'a Program,
    pub(super) before: f64,
    pub(super) after: f64,
}

impl Draw {
    /// What a method pumps; `None` where it gives no flow. `wash_ml` comes with each injection on top.
    pub(super) fn of(method: &Method, share: &Share<'_>, wash_ml: f64) -> Option<Draw> {
        let flow = flow(method)?;
        let run_min = method.conditions.run_time_min;
        let segments = segments(&flow, share.program, run_min);
        let between = between_flow_ml_min(method)?;
        let start = share.program.after(0.0) / 100.0;
        let steady = |phase: Option<Phase>, share: f64| Steady {
            min: phase.map_or(0.0, |p| p.minutes),
            ml_min: phase.map_or(0.0, |p| p.flow_ml_min) * share,
        };
        let after = steady(method.pumping.after, share.after);
        Some(Draw {
            run_ml: segments.iter().map(|s| s.ml(s.to_min)).sum(),
            segments,
            run_min,
            wash_ml,
            overhead_min: method.conditions.overhead_min,
            before: steady(method.pumping.before, share.before),
            between_ml_min: between * start,
            hold_ml_min: match method.pumping.after {
                Some(_) => after.ml_min,
                None => between * start,
            },
            after,
        })
    }

    /// One cycle: run, overhead, needle wash.
    pub fn cycle_ml(&self) -> f64 {
        self.wash_ml + self.run_ml + self.overhead_min * self.between_ml_min
    }

    /// While nothing runs, mL/min.
    pub fn between_ml_min(&self) -> f64 {
        self.between_ml_min
    }

    /// From the start until so many cycles are over.
    pub fn after_cycles_ml(&self, cycles: usize) -> f64 {
        self.before.ml() + cycles as f64 * self.cycle_ml()
    }

    /// A whole queue of so many injections.
    pub fn whole_ml(&self, injections: usize) -> f64 {
        self.after_cycles_ml(injections) + self.after.ml()
    }

    /// Until so many minutes after the start of a queue of so many injections.
    pub fn used_ml(&self, injections: usize, at_min: f64) -> f64 {
        let mut t = at_min.max(0.0);
        if t <= self.before.min {
            return t * self.before.ml_min;
        }
        t -= self.before.min;
        let cycle_min = self.run_min + self.overhead_min;
        let whole = (t / cycle_min).floor();
        if whole < injections as f64 {
            let inside = self.inside_ml(t - whole * cycle_min);
            return self.before.ml() + whole * self.cycle_ml() + inside;
        }
        t -= injections as f64 * cycle_min;
        let runs_ml = self.before.ml() + injections as f64 * self.cycle_ml();
        if t <= self.after.min {
            return runs_ml + t * self.after.ml_min;
        }
        runs_ml + self.after.ml() + (t - self.after.min) * self.hold_ml_min
    }

    /// So many minutes after an injection.
    fn inside_ml(&self, at_min: f64) -> f64 {
        let run: f64 = self.segments.iter().map(|s| s.ml(at_min)).sum();
        let rest = (at_min - self.run_min).max(0.0) * self.between_ml_min;
        self.wash_ml + run + rest
    }

    /// When so much has been used, min after the start, with the pump going on after the queue; `None`: never.
    pub fn time_of_min(&self, injections: usize, volume_ml: f64) -> Option<f64> {
        if volume_ml <= 0.0 {
            return Some(0.0);
        }
        if volume_ml <= self.before.ml() {
            return Some(volume_ml / self.before.ml_min);
        }
        let cycle_min = self.run_min + self.overhead_min;
        let in_runs = volume_ml - self.before.ml();
        let runs = injections as f64;
        if in_runs <= runs * self.cycle_ml() {
            let whole = (in_runs / self.cycle_ml()).floor().min(runs - 1.0);
            let inside = self.time_inside_min(in_runs - whole * self.cycle_ml());
            return Some(self.before.min + whole * cycle_min + inside);
        }
        let behind_min = self.before.min + runs * cycle_min;
        let behind_ml = in_runs - runs * self.cycle_ml();
        if behind_ml <= self.after.ml() {
            return Some(behind_min + behind_ml / self.after.ml_min);
        }
        let held_ml = behind_ml - self.after.ml();
        (self.hold_ml_min > 0.0).then(|| behind_min + self.after.min + held_ml / self.hold_ml_min)
    }

    /// When so much of one cycle has been used: halved until no double lies between.
    fn time_inside_min(&self, volume_ml: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.run_min + self.overhead_min);
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if self.inside_ml(middle) < volume_ml {
                low = middle;
            } else {
                high = middle;
            }
        }
        high
    }
}

/// The flow of a run, mL/min: the program, or the constant flow.
pub(super) fn flow(method: &Method) -> Option<Program> {
    let program = method.pumping.flow_program.clone();
    program.or_else(|| method.conditions.flow_ml_min.map(Program::constant))
}

/// The flow between runs, mL/min: given, or that at which a run starts.
pub(super) fn between_flow_ml_min(method: &Method) -> Option<f64> {
    let given = method.pumping.between_flow_ml_min;
    given.or_else(|| flow(method).map(|f| f.after(0.0)))
}

fn segments(flow: &Program, share: &Program, run_min: f64) -> Vec<Segment> {
    let mut times: Vec<f64> = flow
        .times_min()
        .chain(share.times_min())
        .filter(|t| *t > 0.0 && *t < run_min)
        .chain([0.0, run_min])
        .collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let ends = |p: &Program, from, to| [p.after(from), p.until(to)];
    let pair = |w: &[f64]| match w {
        [from, to] => Some(Segment {
            from_min: *from,
            to_min: *to,
            flow: ends(flow, *from, *to),
            share: ends(share, *from, *to).map(|percent| percent / 100.0),
        }),
        _ => None,
    };
    times.windows(2).filter_map(pair).collect()
}
