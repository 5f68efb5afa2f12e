//! The pressure of one queue, reading by reading.

use jiff::Timestamp;

use super::Reading;
use super::cycle::{BINS, Bins, Phase, Point, middle};
use super::digest::{Digest, Gather, Scale};
use super::fall::{Fall, Standing};
use super::forecast::{Forecast, forecast};
use super::limits::{self, Guard, Side};
use super::pulse::Pulse;
use super::ripple::{self, Ripple};
pub use super::terms::{Change, Finding, Plan, Terms};
use super::words;
use crate::check::Check;
use crate::night::pace::Pace;

/// Points in a row that must forecast the same before it is told: more than the half cycle in which a step looks like a slope.
const AGREE: u32 = 7;
/// Points in a row without a forecast after which it is withdrawn: a cycle.
const DISAGREE: u32 = BINS as u32;
/// So far ahead a queue without a list is looked at, h: a night.
const NIGHT_H: f64 = 12.0;
/// A low pressure counts from this part of the first cycle on: the pump is started before the first injection.
const STARTED: f64 = 0.25;
/// Readings that come out of order by more than this mean that the clock was set back, min.
const SET_BACK_MIN: f64 = 10.0;

/// A fall that may be the pump's shutdown: told only when it is none.
#[derive(Debug, Clone)]
struct Held {
    since_s: f64,
    finding: Finding,
}

/// Whether a forecast is told.
#[derive(Debug, Clone, Copy, Default)]
struct Rise {
    active: bool,
    agree: u32,
    disagree: u32,
}

/// The pressure of one queue.
#[derive(Debug, Clone)]
pub struct Course {
    terms: Terms,
    plan: Plan,
    scale: Scale,
    pace: Pace,
    phase: Phase,
    bins: Bins,
    /// Points of one cycle: one where each reading stands for a whole injection.
    per_cycle: i64,
    high: Option<Guard>,
    low: Option<Guard>,
    fall: Fall,
    held: Option<Held>,
    low_told: bool,
    seen_up: bool,
    rise: Rise,
    ripple: Ripple,
    pulse: Pulse,
    gather: Gather,
    last: Option<usize>,
    last_landing_s: Option<f64>,
    last_s: f64,
}

impl Course {
    /// A course that counts from `start`: the first landing less a cycle. Until a trace has landed only the upper limit is judged.
    pub fn new(terms: Terms, plan: Plan, start: Timestamp) -> Course {
        let minute_s = 60.0 * terms.time_scale;
        let guard = |side, limit: Option<f64>| limit.map(|l| Guard::new(side, l, minute_s));
        Course {
            scale: Scale { start, minute_s },
            pace: Pace::new(terms.cycle_s, terms.late_s),
            phase: Phase::default(),
            bins: Bins::default(),
            per_cycle: BINS,
            high: guard(Side::Above, terms.max_mpa),
            low: guard(Side::Below, terms.min_mpa),
            fall: Fall::default(),
            held: None,
            low_told: false,
            seen_up: false,
            rise: Rise::default(),
            ripple: Ripple::default(),
            pulse: Pulse::default(),
            gather: Gather::default(),
            last: None,
            last_landing_s: None,
            last_s: f64::NEG_INFINITY,
            terms,
            plan,
        }
    }

    /// From when on it counts.
    pub fn start(&self) -> Timestamp {
        self.scale.start
    }

    /// The plan, which a list may change.
    pub fn set_plan(&mut self, plan: Plan) {
        self.plan = plan;
    }

    /// A trace of this place in the plan landed, its file being written at `at`.
    pub fn landed(&mut self, at: Timestamp, index: usize) -> Vec<Change> {
        let at_s = self.seconds(at);
        self.pace.landed(at);
        self.phase.landed(at_s, self.pace.cycle_s());
        self.last = Some(self.last.map_or(index, |l| l.max(index)));
        self.last_landing_s = Some(self.last_landing_s.map_or(at_s, |l| l.max(at_s)));
        let Some(held) = self.held.take() else {
            return Vec::new();
        };
        let standing = self.standing(at_s);
        if standing.refutes_shutdown(held.since_s, at_s) {
            return vec![self.tell_low(at, held.finding)];
        }
        if standing.remaining != Some(0) {
            self.held = Some(held);
        }
        Vec::new()
    }

    /// A reading, in the order of time; what it changed.
    pub fn add(&mut self, reading: Reading) -> Vec<Change> {
        let at_s = self.seconds(reading.at);
        if at_s < self.last_s {
            if self.last_s - at_s < SET_BACK_MIN * self.scale.minute_s {
                return Vec::new();
            }
            self.bins.forget();
        }
        if self.is_done(at_s) {
            return Vec::new();
        }
        self.last_s = at_s;
        let cycle_s = self.pace.cycle_s();
        let place = self.phase.place(at_s, cycle_s);
        let mut out = Vec::new();
        self.judge_high(&reading, at_s, self.pulse.up_mpa(place), &mut out);
        if self.last_landing_s.is_none() {
            return out;
        }
        if reading.whole {
            self.per_cycle = 1;
        }
        self.judge_low(&reading, at_s, self.pulse.down_mpa(place), &mut out);
        self.gather.count();
        if let Some(point) = self.bins.add(place, at_s, reading.mpa) {
            self.point(&point, cycle_s, reading.at, &mut out);
        }
        if !reading.whole {
            self.judge_ripple(place, &reading, &mut out);
        }
        out
    }

    /// The queue has ended at `at`: a forecast has nothing ahead of it any more.
    pub fn end(&mut self, at: Timestamp) -> Vec<Change> {
        self.held = None;
        let met = self.high.is_some_and(|g| g.is_active());
        if self.rise.active && !met && !self.low_told {
            self.rise = Rise::default();
            return vec![over(at, Check::PressureRise)];
        }
        Vec::new()
    }

    /// What is wrong now, whatever was told.
    pub fn is_open(&self, check: Check) -> bool {
        match check {
            Check::PressureHigh => self.high.is_some_and(|g| g.is_active()),
            Check::PressureLow => self.low_told,
            Check::PressureRise => self.rise.active,
            Check::PressureRipple => self.ripple.is_active(),
            _ => false,
        }
    }

    /// The pressure so far in a few numbers.
    pub fn digest(&self) -> Option<Digest> {
        let open = self.bins.open().filter(|_| !self.is_down());
        self.gather.digest(open, self.scale)
    }

    fn seconds(&self, at: Timestamp) -> f64 {
        at.duration_since(self.scale.start).as_secs_f64()
    }

    /// The last listed injection has landed: what the pump does now is no matter of this queue.
    fn is_done(&self, at_s: f64) -> bool {
        self.remaining() == Some(0) && self.last_landing_s.is_some_and(|l| at_s > l)
    }

    fn remaining(&self) -> Option<usize> {
        let next = self.last.map_or(0, |l| l + 1);
        self.plan
            .listed
            .then(|| self.plan.injections.len().saturating_sub(next))
    }

    fn standing(&self, at_s: f64) -> Standing {
        Standing {
            last_s: self.last_landing_s.unwrap_or(at_s),
            cycle_s: self.pace.cycle_s(),
            remaining: self.remaining(),
        }
    }

    /// The injection that runs, where a list names it.
    fn running(&self) -> Option<(u64, String)> {
        let next = self.last.map_or(0, |l| l + 1);
        self.plan.injections.get(next).cloned()
    }

    fn finding(&self, measured_mpa: f64, limit_mpa: f64, message: String) -> Finding {
        let running = self.running();
        Finding {
            affected: running.iter().map(|(p, _)| *p).collect(),
            running,
            measured_mpa,
            limit_mpa,
            message,
        }
    }

    fn judge_high(&mut self, reading: &Reading, at_s: f64, pulse: f64, out: &mut Vec<Change>) {
        let down = self.is_down();
        let Some(guard) = &mut self.high else { return };
        // While the pump is down a pressure that is no longer high has not got better.
        let excused = guard.is_beyond(reading.mpa) && !guard.is_beyond(reading.mpa - pulse)
            || guard.is_active() && down;
        let limit = guard.limit();
        match guard.step(at_s, reading.mpa, excused, reading.whole) {
            Some(limits::Change::Passed { since_s }) => {
                let since = self.scale.at(since_s);
                let message = words::beyond(reading, limit, since, Side::Above, &self.terms.zone);
                let finding = self.finding(reading.mpa, limit, message);
                out.push(begun(reading.at, Check::PressureHigh, finding));
            }
            Some(limits::Change::Over) => out.push(over(reading.at, Check::PressureHigh)),
            None => {}
        }
    }

    /// The pressure is down, or seems so.
    fn is_down(&self) -> bool {
        self.fall.is_suspicious() || self.low.is_some_and(|g| g.is_suspicious())
    }

    fn judge_low(&mut self, reading: &Reading, at_s: f64, pulse: f64, out: &mut Vec<Change>) {
        let up = self.low.is_none_or(|g| !g.is_beyond(reading.mpa));
        self.seen_up |= up;
        if !self.seen_up && at_s < STARTED * self.pace.cycle_s() {
            return;
        }
        let usual = self.usual();
        let minute_s = self.scale.minute_s;
        let mut found = None;
        if let Some(guard) = &mut self.low {
            let excused = guard.is_beyond(reading.mpa) && !guard.is_beyond(reading.mpa + pulse);
            let limit = guard.limit();
            let change = guard.step(at_s, reading.mpa, excused, reading.whole);
            if let Some(limits::Change::Passed { since_s }) = change {
                let since = self.scale.at(since_s);
                let message = words::beyond(reading, limit, since, Side::Below, &self.terms.zone);
                found = Some((since_s, self.finding(reading.mpa, limit, message)));
            }
        }
        let pulse_explains = usual.is_some_and(|u| reading.mpa + pulse >= u / 2.0) && pulse > 0.0;
        let change = self
            .fall
            .step(at_s, reading.mpa, usual, pulse_explains, minute_s);
        if let (Some(limits::Change::Passed { since_s }), Some(from), None) =
            (change, self.fall.from_mpa(), &found)
        {
            let since = self.scale.at(since_s);
            let message = words::fallen(reading, from, since, &self.terms.zone);
            found = Some((since_s, self.finding(reading.mpa, from / 2.0, message)));
        }
        self.settle_low(reading.at, at_s, found, out);
    }

    fn settle_low(
        &mut self,
        at: Timestamp,
        at_s: f64,
        found: Option<(f64, Finding)>,
        out: &mut Vec<Change>,
    ) {
        let active = self.low.is_some_and(|g| g.is_active()) || self.fall.is_active();
        if !active {
            self.held = None;
            if std::mem::take(&mut self.low_told) {
                // What came before says nothing of the pressure after it.
                self.bins.forget();
                out.push(over(at, Check::PressureLow));
            }
            return;
        }
        if let Some((since_s, finding)) = found.filter(|_| !self.low_told && self.held.is_none()) {
            if self.standing(at_s).may_be_shutdown(since_s) {
                self.held = Some(Held { since_s, finding });
            } else {
                out.push(self.tell_low(at, finding));
            }
        }
        // The last trace is overdue: no shutdown after it, but a pump that stopped before.
        let late = self.plan.listed
            && self
                .last_landing_s
                .is_some_and(|l| at_s > l + self.pace.cycle_s() + self.terms.late_s);
        if late && let Some(held) = self.held.take() {
            out.push(self.tell_low(at, held.finding));
        }
    }

    fn tell_low(&mut self, at: Timestamp, finding: Finding) -> Change {
        self.low_told = true;
        begun(at, Check::PressureLow, finding)
    }

    /// What the pressure falls from: the last cycle, or what is usual in this queue where that is less, for to come back from a
    /// high pressure is no fall.
    fn usual(&self) -> Option<f64> {
        let points = self.bins.points();
        let last = points.iter().rev().take(self.per_cycle as usize);
        let mut values: Vec<f64> = last.map(|p| p.mpa).collect();
        if (values.len() as i64) < self.per_cycle / 2 {
            return None;
        }
        let last = middle(&mut values)?;
        Some(
            self.gather
                .usual_mpa()
                .map_or(last, |usual| usual.min(last)),
        )
    }

    /// A stretch of the cycle has ended.
    fn point(&mut self, point: &Point, cycle_s: f64, at: Timestamp, out: &mut Vec<Change>) {
        if self.held.is_none() {
            let length_s = cycle_s / self.per_cycle as f64;
            self.gather
                .add(point, length_s, self.terms.normal_mpa, self.scale);
        }
        let points: Vec<Point> = self.bins.points().iter().copied().collect();
        if point.place.bin == BINS - 1 {
            self.pulse = Pulse::learn(&points, point.place.cycle + 1);
        }
        self.judge_rise(&points, cycle_s, at, out);
    }

    fn judge_rise(&mut self, points: &[Point], cycle_s: f64, at: Timestamp, out: &mut Vec<Change>) {
        let Some(guard) = self.high else { return };
        if guard.is_active() || self.is_down() || self.remaining() == Some(0) {
            return;
        }
        let end_s = self.end_s(cycle_s);
        let found = forecast(points, self.per_cycle, guard.limit(), cycle_s, end_s);
        let needed = |n: u32| if self.per_cycle == BINS { n } else { 1 };
        match found {
            Some(found) => {
                self.rise.agree = self.rise.agree.saturating_add(1);
                self.rise.disagree = 0;
                if !self.rise.active && self.rise.agree >= needed(AGREE) {
                    self.rise.active = true;
                    let finding = self.rising(&found, guard.limit(), cycle_s, at);
                    out.push(begun(at, Check::PressureRise, finding));
                }
            }
            None => {
                self.rise.agree = 0;
                self.rise.disagree = self.rise.disagree.saturating_add(1);
                if self.rise.active && self.rise.disagree >= needed(DISAGREE) {
                    self.rise.active = false;
                    out.push(over(at, Check::PressureRise));
                }
            }
        }
    }

    /// When the queue ends, s; without a list a night ahead.
    fn end_s(&self, cycle_s: f64) -> f64 {
        let last = self.last_landing_s.unwrap_or(0.0);
        match self.remaining() {
            Some(n) => last + n as f64 * cycle_s,
            None => self.last_s + NIGHT_H * 60.0 * self.scale.minute_s,
        }
    }

    fn rising(&self, found: &Forecast, limit: f64, cycle_s: f64, at: Timestamp) -> Finding {
        let next = self.last.map_or(0, |l| l + 1);
        let from = self.last_landing_s.unwrap_or(0.0);
        let before = ((found.meets_s - from) / cycle_s).max(0.0) as usize;
        let after = self
            .plan
            .injections
            .iter()
            .skip(next.saturating_add(before));
        let affected: Vec<u64> = after.map(|(p, _)| *p).collect();
        let before_end = self.plan.listed.then_some(affected.len());
        let message = words::rising(found, limit, before_end, self.scale, at, &self.terms.zone);
        Finding {
            affected,
            ..self.finding(found.level_mpa, limit, message)
        }
    }

    fn judge_ripple(
        &mut self,
        place: super::cycle::Place,
        reading: &Reading,
        out: &mut Vec<Change>,
    ) {
        match self.ripple.add(place, reading.mpa) {
            Some(ripple::Change::Began(p)) if !self.is_down() => {
                let finding = self.finding(p.mpa, p.limit_mpa, words::pulsating(&p));
                out.push(begun(reading.at, Check::PressureRipple, finding));
            }
            Some(ripple::Change::Over) => out.push(over(reading.at, Check::PressureRipple)),
            _ => {}
        }
    }
}

fn begun(at: Timestamp, check: Check, finding: Finding) -> Change {
    Change {
        at,
        check,
        finding: Some(finding),
    }
}

fn over(at: Timestamp, check: Check) -> Change {
    Change {
        at,
        check,
        finding: None,
    }
}

#[cfg(test)]
mod tests;
