//! The 24 injections: a blank, five calibrators, then standards that bracket three replicates per crock and day, and a
//! blank at the end.

use super::QUEUE;
use super::chemistry::{Brine, CALIBRATORS, DILUTION, STANDARD};
use super::scenario::Scenario;
use crate::runlist::{Injection, Kind};

/// Injected volume, µL.
pub(super) const INJECTION_UL: f64 = 10.0;

/// Replicates for each crock and day.
const REPLICATES: u64 = 3;

/// The queue for these brines. Where the scenario is about calibrators they come behind the first samples.
pub(super) fn injections(brines: &[Brine], scenario: Scenario) -> Vec<Injection> {
    let late = scenario == Scenario::OwnCalibrators;
    let mut queue = Vec::new();
    push(&mut queue, Kind::Blank, "eluent", "", 1);
    if !late {
        calibrators(&mut queue);
    }
    let standard_vial = 7;
    let mut vial = standard_vial;
    push(
        &mut queue,
        Kind::Standard,
        STANDARD.0,
        STANDARD.0,
        standard_vial,
    );
    for (k, brine) in brines.iter().enumerate() {
        let name = format!("{} day {:.0}", brine.crock, brine.time_h / 24.0);
        for replicate in 1..=REPLICATES {
            vial += 1;
            push(&mut queue, Kind::Sample, &name, "", vial);
            if let Some(sample) = queue.last_mut() {
                sample.dilution = DILUTION;
                brine.crock.clone_into(&mut sample.series);
                sample.time_h = Some(brine.time_h);
                sample.replicate = replicate.to_string();
            }
        }
        push(
            &mut queue,
            Kind::Standard,
            STANDARD.0,
            STANDARD.0,
            standard_vial,
        );
        if late && k == 0 {
            calibrators(&mut queue);
        }
    }
    push(&mut queue, Kind::Blank, "eluent", "", 1);
    queue
}

/// Every level once.
fn calibrators(queue: &mut Vec<Injection>) {
    for (vial, (level, _)) in (2..).zip(CALIBRATORS) {
        push(queue, Kind::Calibrator, level, level, vial);
    }
}

/// Appends one injection at the next position.
fn push(queue: &mut Vec<Injection>, kind: Kind, name: &str, level: &str, vial: u64) {
    let position = queue.last().map_or(1, |last| last.position + 1);
    queue.push(Injection {
        position,
        tray: "1".to_owned(),
        vial: vial.to_string(),
        kind,
        name: name.to_owned(),
        stem: format!("{QUEUE}-{position:02}"),
        volume_ul: Some(INJECTION_UL),
        dilution: 1.0,
        level: level.to_owned(),
        series: String::new(),
        time_h: None,
        replicate: String::new(),
        extra: Vec::new(),
    });
}

#[cfg(test)]
mod tests {
    use super::super::chemistry::brines;
    use super::*;

    #[test]
    fn the_queue_is_bracketed_and_numbered() {
        let queue = injections(&brines(Scenario::Calm), Scenario::Calm);
        let letters: String = queue
            .iter()
            .filter_map(|i| i.kind.word().chars().next().map(|c| (i, c)))
            .map(|(_, c)| c)
            .collect();
        // "s" is sample and standard alike; the levels tell them apart below.
        assert_eq!(letters, "bcccccsssssssssssssssssb");
        assert!(queue.iter().map(|i| i.position).eq(1..=24));
        let standards: Vec<u64> = queue
            .iter()
            .filter(|i| i.kind == Kind::Standard)
            .map(|i| i.position)
            .collect();
        assert_eq!(standards, [7, 11, 15, 19, 23]);
        let samples = queue.iter().filter(|i| i.kind == Kind::Sample);
        assert!(
            samples
                .clone()
                .all(|i| i.dilution == 10.0 && i.level.is_empty() && i.time_h.is_some())
        );
        assert_eq!(samples.count(), 12);
    }

    #[test]
    fn late_calibrators_come_between_two_brackets() {
        let queue = injections(&brines(Scenario::Calm), Scenario::OwnCalibrators);
        assert!(queue.iter().map(|i| i.position).eq(1..=24));
        let at = |kind| -> Vec<u64> {
            let of = queue.iter().filter(|i| i.kind == kind);
            of.map(|i| i.position).collect()
        };
        assert_eq!(at(Kind::Standard), [2, 6, 15, 19, 23]);
        assert_eq!(at(Kind::Calibrator), [7, 8, 9, 10, 11]);
        assert_eq!(at(Kind::Sample).len(), 12);
    }
}
