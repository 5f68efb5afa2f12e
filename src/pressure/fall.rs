//! A sudden fall: leak, air, an empty bottle, a pump that has stopped. And the shutdown at a queue's end, which is none.

use super::limits::{Change, Guard, Side};

/// Fallen: below so much of the usual pressure (house rule: half of it).
const FALLEN: f64 = 0.5;
/// Up: above so much of it.
const UP: f64 = 0.8;
/// From up to fallen within so long is sudden, min (house rule).
const SUDDEN_MIN: f64 = 15.0;
/// A shutdown begins when so much of the last run has passed: it ends with it.
const RUN_DONE: f64 = 0.9;
/// Without a list any landing may have been the last: a shutdown begins within so much of a cycle after it.
const AFTER_LANDING: f64 = 0.15;

/// Watches for a sudden fall.
#[derive(Debug, Clone, Default)]
pub struct Fall {
    last_up_s: Option<f64>,
    guard: Option<(Guard, f64)>,
}

impl Fall {
    /// The pressure has fallen and has not come back.
    pub fn is_active(&self) -> bool {
        self.guard.is_some_and(|(g, _)| g.is_active())
    }

    /// It looks as though it fell.
    pub fn is_suspicious(&self) -> bool {
        self.guard.is_some()
    }

    /// The usual pressure from which it fell, MPa.
    pub fn from_mpa(&self) -> Option<f64> {
        self.guard.map(|(_, usual)| usual)
    }

    /// A reading; `usual_mpa`: what the last cycle stood at.
    pub fn step(
        &mut self,
        at_s: f64,
        mpa: f64,
        usual_mpa: Option<f64>,
        excused: bool,
        minute_s: f64,
    ) -> Option<Change> {
        if let Some((guard, usual)) = &mut self.guard {
            if !guard.is_active() && mpa >= UP * *usual {
                self.guard = None;
                self.last_up_s = Some(at_s);
                return None;
            }
            let change = guard.step(at_s, mpa, excused, false);
            if change == Some(Change::Over) {
                self.guard = None;
                self.last_up_s = Some(at_s);
            }
            return change;
        }
        let usual = usual_mpa?;
        if mpa >= UP * usual {
            self.last_up_s = Some(at_s);
        }
        let sudden = self
            .last_up_s
            .is_some_and(|up| at_s - up <= SUDDEN_MIN * minute_s);
        if mpa < FALLEN * usual && sudden {
            let mut guard = Guard::new(Side::Below, FALLEN * usual, minute_s).until(UP * usual);
            let change = guard.step(at_s, mpa, excused, false);
            self.guard = Some((guard, usual));
            return change;
        }
        None
    }
}

/// Where a queue stands when its pressure falls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// When the last trace landed, s.
    pub last_s: f64,
    /// The cycle time, s.
    pub cycle_s: f64,
    /// Injections that have not landed; `None`: no list says.
    pub remaining: Option<usize>,
}

impl Standing {
    /// A fall that began then may be the pump's shutdown after the last injection.
    pub fn may_be_shutdown(&self, since_s: f64) -> bool {
        let run_done = since_s >= self.last_s + RUN_DONE * self.cycle_s;
        match self.remaining {
            Some(0) => true,
            Some(1) => run_done,
            Some(_) => false,
            None => run_done || since_s <= self.last_s + AFTER_LANDING * self.cycle_s,
        }
    }

    /// A trace that lands at `at_s`, after a fall that began at `since_s`, shows that the fall was no shutdown: its injection
    /// was run with the pump down.
    pub fn refutes_shutdown(&self, since_s: f64, at_s: f64) -> bool {
        match self.remaining {
            Some(0) => false,
            Some(_) => true,
            None => at_s > since_s + (1.0 - RUN_DONE + AFTER_LANDING) * self.cycle_s,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(readings: impl IntoIterator<Item = (f64, f64)>) -> Vec<(f64, Change)> {
        let mut fall = Fall::default();
        let step = |(s, mpa)| Some((s, fall.step(s, mpa, Some(4.0), false, 60.0)?));
        readings.into_iter().filter_map(step).collect()
    }

    #[test]
    fn half_is_the_line_and_a_slow_way_down_is_none() {
        let minute = |k: u32| f64::from(k) * 60.0;
        let sudden = |to: f64| (0..10).map(move |k| (minute(k), if k < 3 { 4.0 } else { to }));
        assert_eq!(run(sudden(2.01)), []);
        assert_eq!(
            run(sudden(1.99)),
            [(240.0, Change::Passed { since_s: 180.0 })]
        );
        let slow = (0..60).map(|k| (minute(k), 4.0 - 0.05 * f64::from(k)));
        assert_eq!(run(slow), []);
        // Back above 80 % of the usual for a minute.
        let back = (0..20).map(|k| {
            (
                minute(k),
                match k {
                    3..8 => 1.0,
                    8..12 => 3.1,
                    _ => 4.0,
                },
            )
        });
        assert_eq!(run(back)[1], (780.0, Change::Over));
    }

    #[test]
    fn a_shutdown_comes_after_the_last_run() {
        let standing = |remaining| Standing {
            last_s: 10_000.0,
            cycle_s: 1200.0,
            remaining,
        };
        let may = |remaining, after: f64| standing(remaining).may_be_shutdown(10_000.0 + after);
        assert!(may(Some(0), 5.0) && may(Some(1), 1100.0));
        assert!(!may(Some(1), 600.0) && !may(Some(2), 1190.0));
        assert!(may(None, 100.0) && may(None, 1100.0) && !may(None, 600.0));
        assert!(standing(None).refutes_shutdown(10_100.0, 11_200.0));
        assert!(!standing(None).refutes_shutdown(11_150.0, 11_200.0));
        assert!(
            standing(Some(1)).refutes_shutdown(0.0, 0.0)
                && !standing(Some(0)).refutes_shutdown(0.0, 9e9)
        );
    }
}
