//! What is told: every failed check becomes an alert that is raised once and cleared when its cause is gone.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::check::Told;

/// One alert, as a row of `alerts.csv`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alert {
    /// What it is about, stable over restarts: check, place and analyte.
    pub key: String,
    /// When it was first seen.
    pub raised_at: Timestamp,
    /// When its cause was gone.
    pub cleared_at: Option<Timestamp>,
    /// True: told at once; false: in the summary only.
    pub now: bool,
    /// Name of the check.
    pub check: String,
    /// Position in the queue, where it concerns one injection.
    pub position: Option<u64>,
    /// Name of the injection.
    pub name: String,
    /// File name of the trace.
    pub trace: String,
    /// Name of the analyte, where it concerns one.
    pub analyte: String,
    /// What was measured.
    pub measured: Option<f64>,
    /// Against which limit.
    pub limit: String,
    /// Unit of both.
    pub unit: String,
    /// Positions of the injections that it touches.
    pub affected: Vec<u64>,
    /// One sentence.
    pub message: String,
}

impl Alert {
    /// When it is told.
    pub fn told(&self) -> Told {
        if self.now { Told::Now } else { Told::Summary }
    }
}

/// The alerts of one queue: open ones by key, ended ones in the order in which they ended.
#[derive(Debug, Clone, Default)]
pub struct Alerts {
    open: std::collections::BTreeMap<String, Alert>,
    ended: Vec<Alert>,
}

/// What changed among the alerts.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AlertChanges {
    /// New ones.
    pub raised: Vec<Alert>,
    /// Ones whose cause is gone.
    pub cleared: Vec<Alert>,
}

impl AlertChanges {
    /// True where nothing changed.
    pub fn is_empty(&self) -> bool {
        self.raised.is_empty() && self.cleared.is_empty()
    }

    /// Adds another's changes behind these.
    pub fn extend(&mut self, other: AlertChanges) {
        self.raised.extend(other.raised);
        self.cleared.extend(other.cleared);
    }
}

impl Alerts {
    /// Alerts as the ledger remembers them.
    pub fn remembered(records: impl IntoIterator<Item = Alert>) -> Alerts {
        let mut out = Alerts::default();
        for alert in records {
            if alert.cleared_at.is_some() {
                out.ended.push(alert);
            } else {
                out.open.insert(alert.key.clone(), alert);
            }
        }
        out
    }

    /// Makes the open alerts of one place equal to `wanted`: those not yet open are raised, those no longer wanted are
    /// cleared, those that go on keep the time at which they were raised.
    pub fn settle(
        &mut self,
        before: &[String],
        wanted: Vec<Alert>,
        now: Timestamp,
    ) -> (Vec<String>, AlertChanges) {
        let mut changes = AlertChanges::default();
        let keys: Vec<String> = wanted.iter().map(|a| a.key.clone()).collect();
        for gone in before.iter().filter(|k| !keys.contains(k)) {
            if let Some(cleared) = self.clear(gone, now) {
                changes.cleared.push(cleared);
            }
        }
        for mut alert in wanted {
            match self.open.get_mut(&alert.key) {
                Some(open) => {
                    alert.raised_at = open.raised_at;
                    *open = alert;
                }
                None => {
                    changes.raised.push(alert.clone());
                    self.open.insert(alert.key.clone(), alert);
                }
            }
        }
        (keys, changes)
    }

    /// Ends an open alert.
    pub fn clear(&mut self, key: &str, now: Timestamp) -> Option<Alert> {
        let mut alert = self.open.remove(key)?;
        alert.cleared_at = Some(now);
        self.ended.push(alert.clone());
        Some(alert)
    }

    /// True while an alert of this key is open.
    pub fn is_open(&self, key: &str) -> bool {
        self.open.contains_key(key)
    }

    /// Those whose cause goes on.
    pub fn open(&self) -> impl Iterator<Item = &Alert> {
        self.open.values()
    }

    /// Keys of open alerts that begin so.
    pub fn open_keys(&self, prefix: &str) -> Vec<String> {
        self.open
            .range(prefix.to_owned()..)
            .take_while(|(k, _)| k.starts_with(prefix))
            .map(|(k, _)| k.clone())
            .collect()
    }

    /// All of them, in the order of `alerts.csv`: by position, then by key and time, conditions of the queue last.
    pub fn in_order(&self) -> Vec<&Alert> {
        let mut all: Vec<&Alert> = self.open.values().chain(&self.ended).collect();
        all.sort_by(|a, b| {
            let place = |x: &Alert| x.position.unwrap_or(u64::MAX);
            place(a)
                .cmp(&place(b))
                .then_with(|| a.key.cmp(&b.key))
                .then(a.raised_at.cmp(&b.raised_at))
        });
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alert(key: &str, s: i64) -> Alert {
        Alert {
            key: key.to_owned(),
            raised_at: Timestamp::from_second(s).unwrap(),
            cleared_at: None,
            now: true,
            check: "recovery".to_owned(),
            position: Some(1),
            name: String::new(),
            trace: String::new(),
            analyte: String::new(),
            measured: None,
            limit: String::new(),
            unit: String::new(),
            affected: vec![],
            message: String::new(),
        }
    }

    #[test]
    fn an_alert_that_goes_on_is_raised_once() {
        let mut all = Alerts::default();
        let at = |s| Timestamp::from_second(s).unwrap();
        let (keys, first) = all.settle(&[], vec![alert("a", 1), alert("b", 1)], at(1));
        assert_eq!(first.raised.len(), 2);
        let (keys, second) = all.settle(&keys, vec![alert("a", 2)], at(2));
        assert_eq!((second.raised.len(), second.cleared.len()), (0, 1));
        assert_eq!(all.open().next().unwrap().raised_at, at(1));
        let (_, third) = all.settle(&keys, vec![], at(3));
        assert_eq!(third.cleared[0].cleared_at, Some(at(3)));
        assert_eq!(all.in_order().len(), 2);
    }
}
