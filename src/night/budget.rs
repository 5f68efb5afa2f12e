//! `eluent-short` and `waste-full` of a queue.
//!
//! Twice judged: by the plan alone, when a run list is taken up, so that it is told before the first injection; and by the
//! pace that the night shows, whenever time passes, once something has landed. Every queue begins with full bottles and an
//! empty waste container: whether two queues in a row share a bottle cannot be known. A queue without a list has no known
//! end, and is not judged.

use jiff::{SignedDuration, Timestamp};

use super::condition::{Condition, key};
use super::queue::Queue;
use crate::budget::{self, Container, Course, Outlook, Shortfall};
use crate::check::Check;
use crate::text::{fixed, one_line, significant};

const CHECKS: [Check; 2] = [Check::EluentShort, Check::WasteFull];
/// The alert of a list of which nothing ever landed is over after so long: it was not run, h.
const NEVER_RUN_H: f64 = 72.0;

impl Queue {
    /// Judges the plan of a run list that is taken up. What has begun already is judged by its pace, as time passes: here
    /// it can only be raised.
    pub fn plan_budget(&mut self, now: Timestamp) {
        if !self.listed || self.is_ended() || self.is_over(now) {
            return;
        }
        let list: Vec<_> = self.slots().iter().map(|s| s.plan.clone()).collect();
        let budget = budget::reckon(&list, self.method());
        for check in CHECKS {
            let short = budget
                .shortfalls()
                .iter()
                .filter(|s| s.check == Some(check))
                .min_by(|a, b| {
                    a.at_min
                        .unwrap_or(f64::MAX)
                        .total_cmp(&b.at_min.unwrap_or(f64::MAX))
                });
            match short {
                Some(short) => self.set_condition(check, Some(planned(short)), now),
                None if !self.has_begun() => self.set_condition(check, None, now),
                None => {}
            }
        }
    }

    /// The same for a list that came back from the ledger: only where nothing was ever told of it, as when the program was
    /// killed between taking it up and telling.
    pub fn plan_budget_again(&mut self, now: Timestamp) {
        let told = |alert: &super::alarm::Alert| CHECKS.iter().any(|c| alert.key == key(*c));
        if !self.has_begun() && !self.alerts().in_order().into_iter().any(told) {
            self.plan_budget(now);
        }
    }

    /// Lets time pass for bottles and waste.
    pub(super) fn watch_budget(&mut self, now: Timestamp) {
        if !self.has_begun() {
            if self.never_run_at().is_some_and(|t| t <= now) {
                self.clear_budget(now);
            }
            return;
        }
        let Some(course) = self.course().filter(|_| self.listed && !self.is_ended()) else {
            return;
        };
        let relisted = self.take_relisted();
        for check in CHECKS {
            let worst = self.worst(check, &course);
            let Some((container, outlook)) = worst else {
                continue;
            };
            let open = self.has_condition(check);
            if !open && outlook.is_short(now) {
                let condition = self.overrun(container.name.clone(), check, &outlook, now);
                self.set_condition(check, Some(condition), now);
            } else if open && !outlook.is_short(now) {
                // A pace that wavers about the limit raises nothing anew each time.
                let spare_ml = outlook.may_ml - outlook.needed_at_ml(now);
                if relisted || spare_ml >= outlook.each_ml {
                    self.set_condition(check, None, now);
                }
            }
        }
    }

    /// The queue is over: what it needed is known.
    pub(super) fn clear_budget(&mut self, now: Timestamp) {
        for check in CHECKS {
            self.set_condition(check, None, now);
        }
    }

    /// The next time at which [`Queue::watch_budget`] has something to do by itself.
    pub(super) fn budget_deadline(&self) -> Option<Timestamp> {
        if !self.has_begun() {
            return self.never_run_at();
        }
        let course = self.course().filter(|_| self.listed && !self.is_ended())?;
        CHECKS
            .into_iter()
            .filter(|check| !self.has_condition(*check))
            .filter_map(|check| self.worst(check, &course)?.1.short_at)
            .min()
    }

    fn never_run_at(&self) -> Option<Timestamp> {
        let seconds = NEVER_RUN_H * 3600.0 * self.time_scale();
        let raised = |check| {
            let key = key(check);
            let open = self.alerts().open().find(|a| a.key == key)?;
            open.raised_at
                .checked_add(SignedDuration::try_from_secs_f64(seconds).ok()?)
                .ok()
        };
        CHECKS.into_iter().filter_map(raised).max()
    }

    /// The container of this check that is short first.
    fn worst(&self, check: Check, course: &Course) -> Option<(&Container, Outlook)> {
        self.containers()
            .iter()
            .filter(|c| c.check == check)
            .filter_map(|c| Some((c, budget::outlook(c, course)?)))
            .min_by_key(|(_, o)| o.short_at.unwrap_or(Timestamp::MAX))
    }

    fn overrun(&self, name: String, check: Check, outlook: &Outlook, now: Timestamp) -> Condition {
        let (needed_ml, may_ml) = (outlook.needed_at_ml(now), outlook.may_ml);
        let longer_min = outlook.behind_min + outlook.overdue_min(now);
        let last = self.slots().iter().rposition(|s| s.landing.is_some());
        let first_late = last.map_or(0, |k| k + 1) + outlook.fitting(now);
        let late: Vec<u64> = self
            .slots()
            .iter()
            .skip(first_late)
            .map(|s| s.plan.position)
            .collect();
        let (needed, may) = budget::told_apart(needed_ml, may_ml);
        let what = match check {
            Check::WasteFull => {
                format!("{needed} mL of waste come together until the end and {may} mL are free")
            }
            _ => format!(
                "{needed} mL of {:?} are needed until the end and {may} mL may be drawn",
                one_line(&name)
            ),
        };
        let longer = match longer_min {
            m if m < 1.0 => String::new(),
            m => format!("the queue runs {} min longer than planned: ", fixed(m, 0)),
        };
        let whom = match late.first() {
            Some(position) => format!(", used up before the end of position {position}"),
            None => ", used up after the last run".to_owned(),
        };
        Condition {
            position: None,
            name: String::new(),
            measured: Some(needed_ml),
            limit: significant(may_ml, 6),
            unit: "mL".to_owned(),
            affected: late,
            message: format!("{longer}{what}{whom}"),
        }
    }
}

fn planned(short: &Shortfall) -> Condition {
    Condition {
        measured: Some(short.needed),
        limit: significant(short.may, 6),
        unit: short.unit.to_owned(),
        affected: short.affected.clone(),
        message: short.message.clone(),
        ..Condition::default()
    }
}

#[cfg(test)]
mod tests;
