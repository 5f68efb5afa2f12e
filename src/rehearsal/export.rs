//! The timed list of file actions: exports land the way real ones do. A third of them grows in place, chunk by chunk; a
//! third is written under a temporary name and renamed; a third is copied in whole. One trace is exported again later,
//! and the pressure log grows all night.

use jiff::{SignedDuration, Timestamp};

use super::RUN_TIME_MIN;
use super::fault::last_landing;
use super::night::Night;
use super::pressure::pressure_log;

/// Wall-clock time that one injection of 22 min takes by default, s: 24 of them in half a minute.
pub const DEFAULT_SECONDS_PER_CYCLE: f64 = 1.25;

/// How fast a night is played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// Wall-clock time of one injection, s; not finite or negative counts as 0.
    pub seconds_per_cycle: f64,
    /// How far the pressure log's own times move on in one injection, s: `seconds_per_cycle` where the log lives on the
    /// wall clock, 1320 where it shows the night that is simulated.
    pub log_seconds_per_cycle: f64,
    /// The pressure log's first time.
    pub log_start: Timestamp,
}

/// What is done to a file of the export folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Deed {
    /// A file is made, or emptied, and this is written.
    Write {
        /// Name.
        file: String,
        /// Content.
        bytes: Vec<u8>,
    },
    /// This is added at the end of a file.
    Append {
        /// Name.
        file: String,
        /// What is added.
        bytes: Vec<u8>,
    },
    /// A file gets its final name, and replaces what had that name.
    Rename {
        /// Temporary name.
        from: String,
        /// Final name.
        to: String,
    },
}

/// What an action brings about, for a progress bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// The trace of the injection at this position is whole.
    Landed(u64),
    /// The trace at this position was exported once more, with other content.
    ReExported(u64),
}

/// One action and its time.
#[derive(Debug, Clone, PartialEq)]
pub struct Action {
    /// When, s of wall-clock time from the start.
    pub at_s: f64,
    /// What.
    pub deed: Deed,
    /// What it brings about.
    pub event: Option<Event>,
}

/// The night as a list of file actions, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Exporter {
    /// The actions.
    pub actions: Vec<Action>,
}

/// The trace that is exported twice, when (cycles), and by how much its signal differs the second time, mAU.
const RE_EXPORT: (u64, f64, f64) = (9, 12.5, 0.05);
/// Longest pause between two chunks of one file, s: well below any settling time, however slow the night.
const LONGEST_PAUSE_S: f64 = 0.1;
/// Chunks of a file that grows in place.
const CHUNKS: usize = 4;
impl Pace {
    /// The pace with these wall-clock seconds for each injection, the pressure log on the wall clock from `start` on.
    pub fn new(seconds_per_cycle: f64, start: Timestamp) -> Pace {
        Pace {
            seconds_per_cycle,
            log_seconds_per_cycle: seconds_per_cycle,
            log_start: start,
        }
    }

    /// How many times faster than real the night is played: for whatever measures time limits in real minutes.
    /// `None` where nothing is waited for.
    pub fn times_real_speed(&self) -> Option<f64> {
        let cycle_s = self.at_s(1.0);
        (cycle_s > 0.0).then(|| RUN_TIME_MIN * 60.0 / cycle_s)
    }

    /// Wall-clock seconds at this time of the night.
    pub(super) fn at_s(&self, cycles: f64) -> f64 {
        if self.seconds_per_cycle.is_finite() {
            (cycles * self.seconds_per_cycle).max(0.0)
        } else {
            0.0
        }
    }

    /// Between two chunks of one file, s.
    fn pause_s(&self) -> f64 {
        self.at_s(0.08).min(LONGEST_PAUSE_S)
    }

    /// The pressure log's time, RFC 3339 with milliseconds.
    pub(super) fn log_time(&self, cycles: f64) -> String {
        // The conversion saturates, and a time beyond the calendar stays at its end.
        let passed = SignedDuration::from_millis(
            (cycles * self.log_seconds_per_cycle * 1000.0).round() as i64,
        );
        let time = self.log_start.checked_add(passed).unwrap_or(Timestamp::MAX);
        format!("{time:.3}")
    }
}

impl Exporter {
    /// The actions of this night at this pace.
    pub fn new(night: &Night, pace: &Pace) -> Exporter {
        let list = Deed::Write {
            file: Night::run_list_file(),
            bytes: night.run_list_csv().into_bytes(),
        };
        let mut actions = vec![Action {
            at_s: 0.0,
            deed: list,
            event: None,
        }];
        for (injection, chromatogram) in night.injections.iter().zip(&night.chromatograms) {
            let position = injection.position;
            let file = format!("{}.csv", injection.stem);
            if position <= night.last_landing() {
                let landing = pace.at_s(position as f64);
                let text = chromatogram.text(0.0);
                actions.extend(land(
                    position,
                    file.clone(),
                    text,
                    landing,
                    pace,
                    Event::Landed(position),
                ));
            }
            let (again, cycles, offset_mau) = RE_EXPORT;
            if position == again && cycles < f64::from(last_landing(night.scenario)) {
                let text = chromatogram.text(offset_mau);
                actions.extend(renamed(
                    file,
                    text,
                    pace.at_s(cycles),
                    pace,
                    Event::ReExported(again),
                ));
            }
        }
        actions.extend(pressure_log(night, pace));
        // Stable: actions of one file at the same time keep their order.
        actions.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Exporter { actions }
    }

    /// Wall-clock time of the last action, s.
    pub fn duration_s(&self) -> f64 {
        self.actions.last().map_or(0.0, |a| a.at_s)
    }
}

/// One trace in one of the three ways.
pub(super) fn land(
    position: u64,
    file: String,
    text: String,
    at_s: f64,
    pace: &Pace,
    event: Event,
) -> Vec<Action> {
    match position % 3 {
        0 => vec![Action {
            at_s,
            deed: Deed::Write {
                file,
                bytes: text.into_bytes(),
            },
            event: Some(event),
        }],
        1 => growing(file, text, at_s, pace, event),
        _ => renamed(file, text, at_s, pace, event),
    }
}

/// Grows in place; chunks end wherever they end, also in the middle of a number.
fn growing(file: String, text: String, at_s: f64, pace: &Pace, event: Event) -> Vec<Action> {
    let chunk = text.len().div_ceil(CHUNKS).max(1);
    let mut actions: Vec<Action> = Vec::new();
    for bytes in text.as_bytes().chunks(chunk) {
        let (file, bytes) = (file.clone(), bytes.to_vec());
        let deed = if actions.is_empty() {
            Deed::Write { file, bytes }
        } else {
            Deed::Append { file, bytes }
        };
        actions.push(Action {
            at_s,
            deed,
            event: None,
        });
    }
    for (before_end, action) in actions.iter_mut().rev().enumerate() {
        action.at_s = (at_s - before_end as f64 * pace.pause_s()).max(0.0);
    }
    if let Some(last) = actions.last_mut() {
        last.event = Some(event);
    }
    actions
}

/// Written under a temporary name, then renamed.
fn renamed(file: String, text: String, at_s: f64, pace: &Pace, event: Event) -> Vec<Action> {
    let part = format!("{file}.part");
    let earlier = (at_s - pace.pause_s()).max(0.0);
    vec![
        Action {
            at_s: earlier,
            deed: Deed::Write {
                file: part.clone(),
                bytes: text.into_bytes(),
            },
            event: None,
        },
        Action {
            at_s,
            deed: Deed::Rename {
                from: part,
                to: file,
            },
            event: Some(event),
        },
    ]
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::super::Scenario;
    use super::*;

    fn pace() -> Pace {
        Pace::new(
            DEFAULT_SECONDS_PER_CYCLE,
            "2026-11-25T18:00:00Z".parse().unwrap(),
        )
    }

    /// What the folder holds in the end.
    fn folder(exporter: &Exporter) -> BTreeMap<String, Vec<u8>> {
        let mut files = BTreeMap::new();
        for action in &exporter.actions {
            match action.deed.clone() {
                Deed::Write { file, bytes } => drop(files.insert(file, bytes)),
                Deed::Append { file, bytes } => files.get_mut(&file).unwrap().extend(bytes),
                Deed::Rename { from, to } => {
                    let bytes = files.remove(&from).unwrap();
                    files.insert(to, bytes);
                }
            }
        }
        files
    }

    #[test]
    fn every_scenario_lands_what_it_should_in_order_of_time() {
        for scenario in Scenario::all() {
            let night = Night::build(scenario, 1);
            let exporter = Exporter::new(&night, &pace());
            assert!(exporter.actions.is_sorted_by(|a, b| a.at_s <= b.at_s));
            assert!(
                exporter.duration_s() <= 30.0,
                "{scenario}: {} s",
                exporter.duration_s()
            );
            let landed: Vec<u64> = exporter
                .actions
                .iter()
                .filter_map(|a| match a.event {
                    Some(Event::Landed(p)) => Some(p),
                    _ => None,
                })
                .collect();
            assert!(landed.iter().copied().eq(1..=night.last_landing()));
            let files = folder(&exporter);
            assert_eq!(files.len() as u64, night.last_landing() + 2);
            assert_eq!(
                files["crocks-07.csv"],
                night.chromatograms[6].text(0.0).as_bytes()
            );
            assert_eq!(files["crocks.runlist.csv"], night.run_list_csv().as_bytes());
            assert_eq!(exporter, Exporter::new(&Night::build(scenario, 1), &pace()));
        }
    }

    #[test]
    fn one_trace_is_exported_again_with_other_content() {
        let night = Night::build(Scenario::Calm, 1);
        let exporter = Exporter::new(&night, &pace());
        assert_eq!(
            exporter
                .actions
                .iter()
                .filter(|a| a.event == Some(Event::ReExported(9)))
                .count(),
            1
        );
        let final_text = folder(&exporter).remove("crocks-09.csv").unwrap();
        assert_ne!(final_text, night.chromatograms[8].text(0.0).into_bytes());
        assert_eq!(final_text, night.chromatograms[8].text(0.05).into_bytes());
    }

    #[test]
    fn the_three_ways_all_occur_and_never_rest_long() {
        for seconds_per_cycle in [0.0, 0.3, 1.25, 1320.0] {
            let pace = Pace::new(seconds_per_cycle, Timestamp::UNIX_EPOCH);
            let exporter = Exporter::new(&Night::build(Scenario::Calm, 1), &pace);
            let of = |name: &str| -> Vec<&Action> {
                let named = |a: &&Action| match &a.deed {
                    Deed::Write { file, .. } | Deed::Append { file, .. } => file.starts_with(name),
                    Deed::Rename { to, .. } => to.starts_with(name),
                };
                exporter.actions.iter().filter(named).collect()
            };
            assert_eq!(of("crocks-03").len(), 1);
            assert_eq!(of("crocks-04").len(), CHUNKS);
            assert!(matches!(of("crocks-05")[1].deed, Deed::Rename { .. }));
            for pair in of("crocks-04").windows(2) {
                assert!(pair[1].at_s - pair[0].at_s < 0.11);
            }
        }
    }

    #[test]
    fn the_speed_is_real_time_over_wall_time() {
        assert_eq!(pace().times_real_speed(), Some(1056.0));
        assert_eq!(
            Pace::new(0.0, Timestamp::UNIX_EPOCH).times_real_speed(),
            None
        );
    }

    #[test]
    fn a_useless_pace_is_no_panic() {
        for seconds in [f64::NAN, f64::INFINITY, -1.0, 1e300] {
            let pace = Pace::new(seconds, Timestamp::MAX);
            assert!(
                !Exporter::new(&Night::build(Scenario::Calm, 1), &pace)
                    .actions
                    .is_empty()
            );
        }
    }
}
