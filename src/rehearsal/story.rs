//! How a simulated night should end: what must be made again, and what must have been told.

use super::night::Night;
use super::scenario::Scenario;

/// An injection that must be made again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rerun {
    /// Its position.
    pub position: u64,
    /// The check's name, as the sheet's `reasons` have it.
    pub reason: &'static str,
    /// The acid whose row it stands on; `None`: all of them, or at least one of a standard's.
    pub analyte: Option<&'static str>,
}

/// How a night should end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Story {
    /// What must be made again, by position.
    pub reruns: Vec<Rerun>,
    /// Names of the checks that should have been told, now or in the summary.
    pub told: Vec<&'static str>,
}

impl Night {
    /// How the night should end.
    pub fn expected_story(&self) -> Story {
        let rerun = |positions: &[u64], reason, analyte| {
            positions
                .iter()
                .map(|&position| Rerun {
                    position,
                    reason,
                    analyte,
                })
                .collect::<Vec<_>>()
        };
        let (mut reruns, told) = match self.scenario {
            Scenario::Calm => (vec![], vec![]),
            Scenario::DriftingStandard | Scenario::RerunJoins | Scenario::MailDown => (
                [
                    rerun(&[16, 17, 18, 20, 21, 22], "bracket-failed", None),
                    rerun(&[19, 23], "recovery", None),
                ]
                .concat(),
                vec!["standard-drift", "recovery"],
            ),
            Scenario::Clogging => (
                rerun(&[20, 21, 22, 23, 24], "missing-trace", None),
                vec![
                    "pressure-rise",
                    "pressure-high",
                    "retention-shift",
                    "peak-shape",
                    "pressure-low",
                    "late-trace",
                    "missing-trace",
                ],
            ),
            Scenario::AirBubble => (
                rerun(&[13, 24], "air-bubble", None),
                vec!["air-bubble", "pressure-ripple"],
            ),
            Scenario::Stalled => (
                [
                    rerun(&[16, 17], "bracket-failed", None),
                    rerun(&[18, 19, 20, 21, 22, 23, 24], "missing-trace", None),
                ]
                .concat(),
                vec!["late-trace", "missing-trace"],
            ),
            Scenario::OverRange => (
                [
                    rerun(&[16, 17, 18], "above-range", Some("lactic acid")),
                    rerun(&[20, 21, 22], "below-range", Some("citric acid")),
                ]
                .concat(),
                vec!["above-range", "below-range"],
            ),
            Scenario::OwnCalibrators => (vec![], vec!["calibration"]),
        };
        reruns.sort_by_key(|r| r.position);
        Story { reruns, told }
    }
}

#[cfg(test)]
mod tests {
    use super::super::chemistry::ACIDS;
    use super::*;

    #[test]
    fn what_must_be_made_again_is_told_by_position() {
        for scenario in Scenario::all() {
            let night = Night::build(scenario, 1);
            let story = night.expected_story();
            assert!(story.reruns.is_sorted_by_key(|r| r.position));
            assert!(story.reruns.is_empty() || !story.told.is_empty());
            assert_eq!(story.told.is_empty(), scenario == Scenario::Calm);
            let never_came: Vec<u64> = story
                .reruns
                .iter()
                .filter(|r| r.reason == "missing-trace")
                .map(|r| r.position)
                .collect();
            assert_eq!(
                never_came,
                (night.last_landing() + 1..=24).collect::<Vec<_>>()
            );
        }
    }

    /// The story of the drifting night agrees with the areas that its standards really have.
    #[test]
    fn the_standards_fail_where_the_story_says() {
        for seed in 0..20 {
            let night = Night::build(Scenario::DriftingStandard, seed);
            let worst = |position: usize| {
                let peaks = night.chromatograms[position - 1].peaks.iter();
                let recovery = peaks.filter_map(|p| {
                    let acid = ACIDS.iter().find(|a| a.name == p.name)?;
                    Some(100.0 * p.area_mau_s / acid.response_mau_s / 5.0)
                });
                recovery.fold(f64::INFINITY, f64::min)
            };
            for passing in [7, 11, 15] {
                assert!(
                    worst(passing) > 91.0,
                    "seed {seed}, {passing}: {}",
                    worst(passing)
                );
            }
            for failing in [19, 23] {
                assert!(
                    worst(failing) < 89.5,
                    "seed {seed}, {failing}: {}",
                    worst(failing)
                );
            }
        }
    }
}
