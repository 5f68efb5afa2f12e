//! The pump's log beside a queue: limits, a forecast, a shutdown, and a file that is replaced under the reader.

use std::fs::{self, File};
use std::io::Write as _;

use crate::calm;
use crate::lab::Lab;

/// 2026-09-21 18:00 UTC, when the nights begin; the first trace lands 23 min later.
const EVENING: i64 = 1_790_013_600;

pub fn laboratory(unit: &str) -> Lab {
    Lab::new()
        .section(&format!(
            "\n[station.pressure]\nfile = \"exports/pressure.csv\"\nunit = \"{unit}\"\n"
        ))
        .method(|m| m + "\n[limits]\npressure_normal_mpa = [3.0, 6.0]\npressure_max_mpa = 9.0\npressure_min_mpa = 1.0\n")
}

fn time(minute: f64) -> String {
    let at = jiff::Timestamp::from_second(EVENING + (minute * 60.0) as i64).unwrap();
    format!("{at:.0}")
}

/// A log with a reading every minute from one minute to another.
pub fn rows(from: u32, to: u32, mpa: impl Fn(u32) -> f64) -> String {
    (from..to)
        .map(|minute| {
            format!(
                "{},{:.3}\n",
                time(f64::from(minute)),
                mpa(minute) + 0.01 * f64::from(minute % 3)
            )
        })
        .collect()
}

pub fn append(lab: &Lab, text: &str) {
    let path = lab.exports().join("pressure.csv");
    let mut file = File::options()
        .append(true)
        .create(true)
        .open(path)
        .unwrap();
    file.write_all(text.as_bytes()).unwrap();
}

/// Rows of `alerts.csv`: check, hour and minute of raising and of clearing.
fn told(lab: &Lab) -> Vec<(String, String, String)> {
    let clock = |text: &str| text.get(11..16).unwrap_or_default().to_owned();
    lab.alerts("crocks")
        .rows
        .iter()
        .filter(|r| r.text("check").starts_with("pressure"))
        .map(|r| {
            (
                r.text("check").to_owned(),
                clock(r.text("raised_at")),
                clock(r.text("cleared_at")),
            )
        })
        .collect()
}

fn row(check: &str, raised: &str, cleared: &str) -> (String, String, String) {
    (check.to_owned(), raised.to_owned(), cleared.to_owned())
}

const HIGH: fn(u32) -> f64 = |m| if (60..90).contains(&m) { 9.5 } else { 4.2 };

#[test]
fn process_judges_the_limits_by_the_logs_own_times() {
    let lab = laboratory("MPa");
    calm::play(&lab);
    lab.write(
        "exports/pressure.csv",
        &format!("time,pressure_mpa\n{}", rows(0, 170, HIGH)),
    );
    let done = lab.process().ends(0);
    assert!(
        done.stdout.contains("7 traces processed"),
        "the log is no trace: {}",
        done.stdout
    );
    // Beyond from 19:00 on; the second reading confirms it, and two readings inside end it.
    assert_eq!(told(&lab), [row("pressure-high", "19:01", "19:31")]);
    assert_eq!(lab.messages().len(), 2, "raised and cleared");
    let sheet = lab.sheet("crocks");
    assert!(
        sheet.column("reasons").iter().all(|r| r.is_empty()),
        "no injection stands for it"
    );
    let alert = &lab.alerts("crocks").rows[0];
    assert_eq!(
        (
            alert.text("position"),
            alert.text("unit"),
            alert.text("limit")
        ),
        ("3", "MPa", "9")
    );
    let before = lab.files("results");
    lab.process().ends(0);
    assert_eq!(lab.files("results"), before, "run twice it changes no byte");
    let summary = lab.summary("crocks");
    assert!(summary.contains("\nPRESSURE\n"), "{summary}");
    assert!(
        summary.contains("above the normal band of 3 to 6 MPa"),
        "{summary}"
    );
    assert!(
        summary.contains("The pressure passed its upper limit."),
        "{summary}"
    );
    // The log is gone in the morning: what is known of it stays.
    fs::remove_file(lab.exports().join("pressure.csv")).unwrap();
    lab.run(&["summary", "crocks"]).ends(0);
    assert_eq!(lab.summary("crocks"), summary);
}

#[test]
fn units_and_times_of_every_kind_say_the_same() {
    type Line = Box<dyn Fn(u32, f64) -> String>;
    let logs: [(&str, Line, &str); 4] = [
        (
            "bar",
            Box::new(|m, p| format!("{};{:.2}\n", time(f64::from(m)), p * 10.0)),
            "time;p\n",
        ),
        (
            "psi",
            Box::new(|m, p| format!("{}\t{:.1}\n", m, p * 145.037_738)),
            "elapsed min\tpressure\n",
        ),
        (
            "kPa",
            Box::new(|m, p| {
                format!(
                    "{};{}\n",
                    m * 60,
                    format!("{:.1}", p * 1000.0).replace('.', ",")
                )
            }),
            "Zeit [s];Druck\n",
        ),
        (
            "MPa",
            Box::new(|m, p| {
                format!(
                    "{},0.6,{p:.3}\n",
                    time(f64::from(m)).replace('T', " ").replace('Z', "")
                )
            }),
            "Time,Flow,Pressure\n",
        ),
    ];
    for (unit, line, header) in logs {
        let lab = laboratory(unit);
        calm::play(&lab);
        let text: String = (0..170).map(|m| line(m, HIGH(m))).collect();
        let path = lab.write("exports/pressure.csv", &format!("{header}{text}"));
        // Elapsed times hang on the time at which the last line was written.
        let at =
            std::time::UNIX_EPOCH + std::time::Duration::from_secs((EVENING + 169 * 60) as u64);
        File::options()
            .write(true)
            .open(path)
            .unwrap()
            .set_modified(at)
            .unwrap();
        lab.process().ends(0);
        assert_eq!(
            told(&lab),
            [row("pressure-high", "19:01", "19:31")],
            "{unit}"
        );
    }
}

#[test]
fn a_pump_that_stops_is_told_and_the_shutdown_is_not() {
    // The last trace is written at 20:41.
    let shutdown = laboratory("MPa");
    calm::play(&shutdown);
    shutdown.write(
        "exports/pressure.csv",
        &format!(
            "time,mpa\n{}",
            rows(0, 200, |m| if m < 160 { 4.2 } else { 0.0 })
        ),
    );
    shutdown.process().ends(0);
    assert_eq!(told(&shutdown), []);
    let stopped = laboratory("MPa");
    calm::play(&stopped);
    stopped.write(
        "exports/pressure.csv",
        &format!(
            "time,mpa\n{}",
            rows(0, 200, |m| if m < 120 { 4.2 } else { 0.0 })
        ),
    );
    stopped.process().ends(1);
    assert_eq!(told(&stopped), [row("pressure-low", "20:01", "")]);
    assert!(stopped.summary("crocks").contains("The pressure fell."));
}

#[test]
fn a_slow_clogging_is_foreseen_with_time_and_injections() {
    let lab = laboratory("MPa");
    let rows_of_list: Vec<_> = (0..4).flat_map(|_| calm::rows()).collect();
    lab.list("crocks", &rows_of_list);
    for k in 0..16 {
        let content = match k % 7 {
            0 | 6 => crate::chromatogram::trace(),
            1 | 5 => crate::chromatogram::both(5.0),
            _ => crate::chromatogram::trace().lactic(8.0).acetic(2.0),
        };
        lab.export(&format!("crocks-{:02}", k + 1), &content);
    }
    // From 20:00 on 0.6 MPa in an hour: 9 MPa at 04:00; 28 injections end at 04:44.
    lab.write(
        "exports/pressure.csv",
        &format!(
            "time,mpa\n{}",
            rows(0, 368, |m| 4.2 + 0.01 * (f64::from(m) - 120.0).max(0.0))
        ),
    );
    lab.process();
    let alerts = lab.alerts("crocks");
    let rise = alerts
        .rows
        .iter()
        .find(|r| r.text("check") == "pressure-rise")
        .unwrap();
    let message = rise.text("message");
    assert!(
        message.contains("injections before the end")
            || message.contains("1 injection before the end"),
        "{message}"
    );
    assert!(message.contains("MPa/h"), "{message}");
    let met: String = message
        .split(" at ")
        .last()
        .unwrap()
        .chars()
        .take(5)
        .collect();
    assert!(("03:40".."04:21").contains(&met.as_str()), "{message}");
    assert!(
        rise.text("raised_at").get(11..16).unwrap() < "22:30",
        "{rise:?}"
    );
}

#[test]
fn one_value_for_each_injection_is_understood() {
    let by_file = laboratory("bar");
    calm::play(&by_file);
    by_file.write(
        "exports/pressure.csv",
        "file,pressure\ncrocks-01.csv,42\ncrocks-02.csv,42\ncrocks-03.csv,95\ncrocks-04.csv,95\ncrocks-05.csv,42\n",
    );
    by_file.process().ends(0);
    assert_eq!(told(&by_file), [row("pressure-high", "19:09", "19:55")]);
    // The same in a column of the run list, without a log.
    let by_list = Lab::new().method(|m| m + "\n[limits]\npressure_max_mpa = 9.0\n");
    calm::play(&by_list);
    let list = crate::runlist::csv("crocks", &calm::rows());
    let with: Vec<String> = list
        .lines()
        .enumerate()
        .map(|(k, line)| match k {
            0 => format!("{line},pressure_bar"),
            3 | 4 => format!("{line},95"),
            _ => format!("{line},42"),
        })
        .collect();
    by_list.raw_list("crocks", &(with.join("\n") + "\n"));
    by_list.process().ends(0);
    assert_eq!(told(&by_list), [row("pressure-high", "19:09", "19:55")]);
}

#[test]
fn a_log_that_cannot_be_used_is_said_once_and_the_night_goes_on() {
    let lab = laboratory("MPa");
    calm::play(&lab);
    lab.write("exports/pressure.csv", "time,flow,level\n2026-09-21T18:00:00Z,1,2\n2026-09-21T18:01:00Z,1,2\n2026-09-21T18:02:00Z,1,2\n");
    let done = lab.process().ends(0);
    assert_eq!(
        done.stderr.matches("named after the pressure").count(),
        1,
        "{}",
        done.stderr
    );
    assert_eq!(lab.sheet("crocks").rows.len(), 14);
}

#[test]
fn the_daemon_reads_on_over_restart_rotation_and_truncation() {
    let lab = laboratory("MPa");
    lab.list("crocks", &calm::rows());
    append(&lab, "time,pressure_mpa\n");
    append(&lab, &rows(0, 46, |_| 4.2));
    let mut daemon = lab.watch();
    (1..=2).for_each(|p| calm::export(&lab, p));
    daemon.wait_until("two traces are in the sheet", || {
        lab.sheet("crocks").rows.len() == 4
    });
    // The log grows; the end of a line comes later than its beginning.
    append(&lab, &rows(46, 52, |_| 4.2));
    let high = rows(52, 56, |_| 9.5);
    let (begin, end) = high.split_at(high.len() - 3);
    append(&lab, begin);
    append(&lab, end);
    daemon.wait_until("the high pressure is told", || {
        lab.messages().keys().any(|n| n.contains("pressure-high"))
    });
    daemon.stop();
    assert_eq!(told(&lab), [row("pressure-high", "18:53", "")]);
    // While nobody watched it went on; nothing is told twice.
    append(&lab, &rows(56, 58, |_| 9.6));
    let mut daemon = lab.watch();
    calm::export(&lab, 3);
    daemon.wait_until("the third trace is in the sheet", || {
        lab.sheet("crocks").rows.len() == 6
    });
    // Rotated: the old file gets another name, a new one begins.
    fs::rename(
        lab.exports().join("pressure.csv"),
        lab.root().join("pressure.1"),
    )
    .unwrap();
    append(&lab, "time,pressure_mpa\n");
    append(&lab, &rows(58, 62, |_| 4.2));
    daemon.wait_until("it is told as over", || {
        told(&lab) == [row("pressure-high", "18:53", "18:59")]
    });
    assert!(lab.messages().keys().any(|n| n.ends_with("-cleared.txt")));
    // Cut short in place and begun anew, in another unit's layout.
    lab.write(
        "exports/pressure.csv",
        &format!(
            "time,pressure_mpa\n{}",
            rows(62, 70, |m| if m < 66 { 4.2 } else { 0.1 })
        ),
    );
    daemon.wait_until("the fall is told", || {
        lab.messages().keys().any(|n| n.contains("pressure-low"))
    });
    daemon.stop();
    assert_eq!(
        told(&lab),
        [
            row("pressure-high", "18:53", "18:59"),
            row("pressure-low", "19:07", "")
        ]
    );
    assert!(!lab.summary("crocks").is_empty());
}

#[test]
fn a_clogging_rehearsal_is_foreseen_and_told_through_to_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let done = crate::lab::run(
        folder.path(),
        &[
            "rehearse",
            "--scenario",
            "clogging",
            "--cycle",
            "1.25",
            "--into",
            "night",
        ],
    )
    .ends(1);
    for check in ["pressure rising", "pressure high", "pressure low"] {
        assert!(done.stdout.contains(check), "{check}: {}", done.stdout);
    }
    let place = |what: &str| done.stdout.find(what).unwrap();
    assert!(place("pressure rising") < place("pressure high"));
    assert!(
        !done.stdout.contains("over: pressure"),
        "a pump that has stopped makes nothing better: {}",
        done.stdout
    );
}

#[test]
fn air_in_the_pump_shows_as_pulsation() {
    let folder = tempfile::tempdir().unwrap();
    let done = crate::lab::run(
        folder.path(),
        &[
            "rehearse",
            "--scenario",
            "air-bubble",
            "--cycle",
            "1.25",
            "--into",
            "night",
        ],
    )
    .ends(1);
    assert!(
        done.stdout.contains("pressure pulsates by"),
        "{}",
        done.stdout
    );
    let calm = crate::lab::run(
        folder.path(),
        &[
            "rehearse",
            "--scenario",
            "calm",
            "--cycle",
            "0.6",
            "--into",
            "calm",
        ],
    )
    .ends(0);
    assert!(
        !calm.stdout.contains("pressure p") && !calm.stdout.contains("pressure r"),
        "{}",
        calm.stdout
    );
}

#[test]
fn check_says_how_the_log_is_read() {
    let lab = laboratory("bar");
    let done = lab.run(&["check"]);
    assert!(
        done.text().contains("pressure.csv: nothing there yet"),
        "{}",
        done.text()
    );
    lab.write(
        "exports/pressure.csv",
        "time,pressure_mpa\n2026-09-21T18:00:00Z,4.2\n",
    );
    let text = lab.run(&["check"]).text();
    assert!(
        text.contains("column 2 'pressure_mpa', bar (configured)"),
        "{text}"
    );
    assert!(text.contains("the header says MPa"), "{text}");
}

/// Nobody may go to bed in the belief that such a log is watched.
#[test]
fn check_is_not_content_with_a_log_whose_unit_nobody_says() {
    let lab = Lab::new().section("\n[station.pressure]\nfile = \"exports/pressure.csv\"\n");
    lab.write(
        "exports/pressure.csv",
        "time,pressure\n2026-09-21T18:00:00Z,40\n2026-09-21T18:00:05Z,41\n2026-09-21T18:00:10Z,41\n",
    );
    let done = lab.run(&["check"]).ends(2);
    assert!(
        done.text().contains("found no unit of the pressure"),
        "{}",
        done.text()
    );
}
