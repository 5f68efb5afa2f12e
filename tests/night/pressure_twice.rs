//! The pressure of a night that was watched, and of the same files processed in the morning: the same words and the same
//! times. What the pressure raised is held byte for byte, for its times are the log's own; in the sheet and the summary the
//! times at which traces landed are those of the watching or of the morning, and are left out.

use crate::calm;
use crate::lab::Lab;
use crate::pressure::{append, laboratory, rows};
use crate::runlist::Row;
use crate::words::without_times;

/// Injections of the night, and its length in minutes.
const N: usize = 14;
const END: u32 = 23 * 14 + 1;
/// The log goes on after the queue.
const TAIL: u32 = 60;

type Mpa = fn(u32) -> f64;

fn list() -> Vec<Row> {
    [calm::rows(), calm::rows()].concat()
}

fn export(lab: &Lab, position: usize) {
    let content = match (position - 1) % 7 + 1 {
        1 | 7 => crate::chromatogram::trace(),
        2 | 6 => crate::chromatogram::both(5.0),
        n => crate::chromatogram::trace()
            .lactic(8.0 + 0.1 * n as f64)
            .acetic(2.0),
    };
    lab.export(&format!("crocks-{position:02}"), &content);
}

/// Log and traces grow side by side; at some positions the daemon is killed and started again.
fn watched(mpa: Mpa, kills: &[usize]) -> Lab {
    let lab = laboratory("MPa").station("poll_s = 0.2");
    lab.list("crocks", &list());
    append(&lab, "time,pressure_mpa\n");
    let mut daemon = lab.watch();
    let mut logged = 0;
    for position in 1..=N {
        let until = 23 * u32::try_from(position).unwrap() + 1;
        append(&lab, &rows(logged, until, mpa));
        logged = until;
        export(&lab, position);
        daemon.wait_until("the trace is in the sheet", || {
            lab.sheet("crocks").rows.len() == 2 * position
        });
        if kills.contains(&position) {
            daemon.signal("KILL");
            daemon = lab.watch();
        }
    }
    append(&lab, &rows(END, END + TAIL, mpa));
    daemon.wait_until("the summary is there", || !lab.summary("crocks").is_empty());
    daemon.stop();
    lab
}

fn processed(mpa: Mpa) -> Lab {
    let lab = laboratory("MPa").station("poll_s = 0.2");
    lab.list("crocks", &list());
    (1..=N).for_each(|position| export(&lab, position));
    append(&lab, "time,pressure_mpa\n");
    append(&lab, &rows(0, END + TAIL, mpa));
    lab.process();
    lab
}

/// Every result by its name. Only watching can tell that nobody watched.
fn results(lab: &Lab) -> Vec<(String, String)> {
    let all = lab.files("results").into_iter().map(|(path, (bytes, _))| {
        let name = path.to_string_lossy().into_owned();
        let text = String::from_utf8(bytes).unwrap();
        let landed = name.ends_with("sheet.csv") || name.ends_with("summary.txt");
        (name, if landed { without_times(&text) } else { text })
    });
    all.filter(|(name, _)| !name.contains("/unwatched-"))
        .collect()
}

#[track_caller]
fn same(mpa: Mpa, kills: &[usize], told: &[&str]) {
    let (watched, processed) = (watched(mpa, kills), processed(mpa));
    let checks: Vec<String> = processed
        .alerts("crocks")
        .column("check")
        .iter()
        .map(|c| (*c).to_owned())
        .collect();
    assert_eq!(checks, told);
    let (of_watch, of_process) = (results(&watched), results(&processed));
    let names = |all: &[(String, String)]| -> Vec<String> {
        all.iter().map(|(name, _)| name.clone()).collect()
    };
    assert_eq!(names(&of_watch), names(&of_process));
    for ((name, watch), (_, process)) in of_watch.iter().zip(&of_process) {
        assert_eq!(watch, process, "{name}");
    }
    assert!(processed.summary("crocks").contains("\nPRESSURE\n"));
}

#[test]
fn a_pressure_that_passes_its_limit_and_comes_back() {
    let high: Mpa = |m| if (60..90).contains(&m) { 9.5 } else { 4.2 };
    same(high, &[], &["pressure-high"]);
}

#[test]
fn a_clogging_over_kills() {
    // From 19:00 on 1.2 MPa in an hour: 9 MPa at 23:00, 22 minutes before the end.
    let rise: Mpa = |m| 4.2 + 0.02 * (f64::from(m) - 60.0).max(0.0);
    same(
        rise,
        &[3, 4, 5, 6, 8, 10],
        &["pressure-rise", "pressure-high"],
    );
}

#[test]
fn a_shutdown_after_the_end() {
    let shutdown: Mpa = |m| if m < END + 2 { 4.2 } else { 0.0 };
    same(shutdown, &[], &[]);
}
