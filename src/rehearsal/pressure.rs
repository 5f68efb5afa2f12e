//! The pump's log: one reading each simulated minute, appended all night.

use super::export::{Action, Deed, Pace};
use super::fault::{log_until, pressure_mpa, ripple_mpa};
use super::night::Night;
use super::random::{Purpose, Random};
use super::settings::PRESSURE_FILE;

/// Readings of the pressure log in one cycle: one each simulated minute.
const READINGS_PER_CYCLE: u32 = 22;
/// Readings that are written at once.
const READINGS_PER_WRITE: usize = 2;
/// Standard deviation of a pressure reading, MPa.
const PRESSURE_SD_MPA: f64 = 0.02;

/// The growing pressure log.
pub(super) fn pressure_log(night: &Night, pace: &Pace) -> Vec<Action> {
    let file = || PRESSURE_FILE.to_owned();
    let mut random = Random::stream(night.seed, 0, Purpose::Pressure);
    let header = Deed::Write {
        file: file(),
        bytes: b"time,pressure_mpa\n".to_vec(),
    };
    let mut actions = vec![Action {
        at_s: 0.0,
        deed: header,
        event: None,
    }];
    let last = (log_until(night.scenario) * f64::from(READINGS_PER_CYCLE)) as u32;
    let readings: Vec<(f64, String)> = (0..=last)
        .map(|k| {
            let cycles = f64::from(k) / f64::from(READINGS_PER_CYCLE);
            let mean = pressure_mpa(night.scenario, cycles) + ripple_mpa(night.scenario, cycles);
            let reading = (mean + PRESSURE_SD_MPA * random.normal()).max(0.0);
            (cycles, format!("{},{reading:.3}\n", pace.log_time(cycles)))
        })
        .collect();
    for batch in readings.chunks(READINGS_PER_WRITE) {
        let cycles = batch.last().map_or(0.0, |(cycles, _)| *cycles);
        let bytes = batch.iter().flat_map(|(_, line)| line.bytes()).collect();
        actions.push(Action {
            at_s: pace.at_s(cycles),
            deed: Deed::Append {
                file: file(),
                bytes,
            },
            event: None,
        });
    }
    actions
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::super::Scenario;
    use super::*;

    #[test]
    fn the_pressure_log_is_times_and_numbers_and_goes_on_after_a_stop() {
        for (scenario, lines) in [
            (Scenario::Calm, 24 * 22 + 1),
            (Scenario::Stalled, 21 * 22 + 1),
        ] {
            let pace = Pace::new(1.25, "2026-11-25T18:00:00Z".parse().unwrap());
            let mut log = String::new();
            for action in pressure_log(&Night::build(scenario, 1), &pace) {
                match action.deed {
                    Deed::Write { bytes, .. } | Deed::Append { bytes, .. } => {
                        log += std::str::from_utf8(&bytes).unwrap()
                    }
                    Deed::Rename { .. } => panic!("a log is never renamed"),
                }
            }
            let mut rows = log.lines();
            assert_eq!(rows.next(), Some("time,pressure_mpa"));
            let mut last = Timestamp::MIN;
            let mut count = 0;
            for row in rows {
                let (time, pressure) = row.split_once(',').unwrap();
                let time: Timestamp = time.parse().unwrap();
                assert!(time > last);
                last = time;
                assert!((3.0..6.0).contains(&pressure.parse::<f64>().unwrap()));
                count += 1;
            }
            assert_eq!(count, lines);
        }
    }

    #[test]
    fn the_log_can_show_the_simulated_night() {
        let mut pace = Pace::new(1.25, "2026-11-25T18:00:00Z".parse().unwrap());
        pace.log_seconds_per_cycle = 1320.0;
        let actions = pressure_log(&Night::build(Scenario::Calm, 1), &pace);
        let Some(Deed::Append { bytes, .. }) = actions.last().map(|a| &a.deed) else {
            panic!("no reading")
        };
        // 24 injections of 22 min after six in the evening.
        assert!(
            bytes.starts_with(b"2026-11-26T02:48:00.000Z,"),
            "{}",
            String::from_utf8_lossy(bytes)
        );
    }
}
