//! Conditions: what goes on while a queue runs (pressure, eluent, waste) and ends again. No injection stands for them
//! and none changes its verdict.

use jiff::Timestamp;

use super::alarm::Alert;
use super::queue::Queue;
use crate::check::{Check, Told};
use crate::runlist::Kind;

/// What is wrong now.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Condition {
    /// Position of the injection that ran when it was seen, where one is known.
    pub position: Option<u64>,
    /// Name of that injection.
    pub name: String,
    /// What was measured or reckoned.
    pub measured: Option<f64>,
    /// Against which limit.
    pub limit: String,
    /// Unit of both.
    pub unit: String,
    /// Positions of the injections that it touches.
    pub affected: Vec<u64>,
    /// One sentence, without a final stop.
    pub message: String,
}

/// Key of the one alert that a check raises for a queue as a whole.
pub fn key(check: Check) -> String {
    format!("{check}|queue|")
}

impl Queue {
    /// Says what is known of a condition now: `Some` raises its alert once, `None` clears it. The next call to
    /// [`Queue::judge`] hands the change on. An alert that is open stays as it was raised.
    pub fn set_condition(&mut self, check: Check, condition: Option<Condition>, now: Timestamp) {
        let key = key(check);
        match condition {
            None => {
                if let Some(change) = self.clear(&key, now) {
                    self.pending_alerts().extend(change);
                }
            }
            Some(condition) => {
                let alert = Alert {
                    key,
                    raised_at: now,
                    cleared_at: None,
                    now: check.told(Kind::Sample) == Told::Now,
                    check: check.name().to_owned(),
                    position: condition.position,
                    name: condition.name,
                    trace: String::new(),
                    analyte: String::new(),
                    measured: condition.measured,
                    limit: condition.limit,
                    unit: condition.unit,
                    affected: condition.affected,
                    message: condition.message,
                };
                if let Some(change) = self.raise(&alert) {
                    self.pending_alerts().extend(change);
                }
            }
        }
    }

    /// True while the alert of this condition is open.
    pub fn has_condition(&self, check: Check) -> bool {
        self.alerts().is_open(&key(check))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, start};

    #[test]
    fn a_condition_is_raised_once_and_cleared_once() {
        let mut night = Night::new("PsP");
        night.good(1).judged();
        let queue = night.queue();
        let wrong = || {
            Some(Condition {
                measured: Some(19.0),
                message: "19 MPa".to_owned(),
                ..Condition::default()
            })
        };
        queue.set_condition(Check::PressureHigh, wrong(), start());
        queue.set_condition(Check::PressureHigh, wrong(), start());
        let changes = queue.judge(start());
        assert_eq!(changes.alerts.raised.len(), 1);
        assert_eq!(changes.alerts.raised[0].key, "pressure-high|queue|");
        assert!(changes.alerts.raised[0].now && queue.has_condition(Check::PressureHigh));
        queue.set_condition(Check::PressureHigh, None, start());
        queue.set_condition(Check::PressureHigh, None, start());
        assert_eq!(queue.judge(start()).alerts.cleared.len(), 1);
        assert!(queue.judge(start()).alerts.is_empty());
    }
}
