//! What fails now in a queue, as the policy wants to see it.

use super::policy::Case;
use super::{follows, is_trace, key, place, subject};
use crate::check::Check;
use crate::night::alarm::Alert;
use crate::night::queue::Queue;

/// What fails now and is told at once: traces in order of position, then conditions. A run list that cannot be used
/// concerns the station: see [`case_of_list`].
pub fn cases(queue: &Queue) -> Vec<Case> {
    let mut open: Vec<&Alert> = queue
        .alerts()
        .open()
        .filter(|a| a.now && Check::parse(&a.check) != Some(Check::RunList))
        .collect();
    open.sort_by_key(|a| {
        let place = place(a);
        let trace = is_trace(place);
        (!trace, a.position.filter(|_| trace), place)
    });
    open.chunk_by(|a, b| place(a) == place(b))
        .filter_map(|group| case(queue, group))
        .collect()
}

fn case(queue: &Queue, group: &[&Alert]) -> Option<Case> {
    let mut alerts = group.to_vec();
    sort(queue, &mut alerts);
    let first = alerts.first()?;
    let lead = Check::parse(&first.check)?;
    let place = place(first);
    let slot = place.strip_prefix("slot:").and_then(|s| queue.slot_of(s));
    Some(Case {
        place: place.to_owned(),
        key: key(&queue.name, &alerts),
        lead,
        keys: alerts.iter().map(|a| a.key.clone()).collect(),
        raised_at: alerts.iter().map(|a| a.raised_at).min()?,
        goes_on: follows::goes_on(lead),
        subject: match slot {
            Some(slot) => subject::of_trace(queue, slot, &alerts),
            None => subject::of_condition(&queue.name, &alerts),
        },
    })
}

/// Checks by what spoils most, analytes as the method has them.
pub(super) fn sort(queue: &Queue, alerts: &mut [&Alert]) {
    let analytes = &queue.method().analytes;
    let analyte = |a: &Alert| analytes.iter().position(|x| x.name == a.analyte);
    alerts.sort_by_key(|a| (Check::parse(&a.check), analyte(a)));
}

/// A run list that cannot be used. Another mistake in the same list is news.
pub fn case_of_list(queue: &str, alert: &Alert) -> Case {
    Case {
        place: alert.key.clone(),
        key: key(queue, &[alert]),
        lead: Check::RunList,
        keys: vec![format!("{}{}", alert.key, alert.message)],
        raised_at: alert.raised_at,
        goes_on: true,
        subject: subject::of_condition(queue, &[alert]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::condition::Condition;
    use crate::night::fixture::{Night, mid, start};

    #[test]
    fn traces_come_in_order_and_conditions_last() {
        let mut night = Night::new("PsPsP");
        night.land(1, mid(&[0.8, 0.8])).good(2).broken(3).judged();
        let condition = Condition {
            message: "19 MPa".to_owned(),
            ..Condition::default()
        };
        night
            .queue()
            .set_condition(Check::PressureHigh, Some(condition), start());
        night.judged();
        let all = cases(night.queue());
        let places: Vec<&str> = all.iter().map(|c| c.place.as_str()).collect();
        assert_eq!(places, ["slot:t-1", "slot:t-3", "pressure-high"]);
        let leads: Vec<Check> = all.iter().map(|c| c.lead).collect();
        assert_eq!(
            leads,
            [Check::Recovery, Check::UnreadableTrace, Check::PressureHigh]
        );
        assert_eq!(
            all[0].keys.len(),
            2,
            "both analytes, no drift: {:?}",
            all[0].keys
        );
        assert!(all[2].goes_on && !all[0].goes_on);
        assert_eq!(
            all[1].subject,
            "unreadable trace t-3.csv at 3 of 5, 1 sample to rerun"
        );
    }

    #[test]
    fn what_the_summary_tells_is_no_case() {
        let mut night = Night::new("PsP");
        night
            .good(1)
            .land(2, crate::night::fixture::trace(&[Some(40.0), Some(5.0)]))
            .judged();
        assert_eq!(cases(night.queue()), []);
    }
}
