//! Letters that are refused for good: the alert folder says so, whatever has happened to their station.

use crate::hook::{Hook, Mood};
use crate::outbox::{good, lab, low, rows};

/// The station has another name since: the word goes to the first one.
#[test]
fn a_refusal_for_good_is_told_though_its_station_is_gone() {
    let hook = Hook::new(Mood::Gone);
    let lab = lab(&hook);
    lab.list("crocks", &rows(3));
    let mut daemon = lab.watch();
    good(&lab, 1);
    low(&lab, 3);
    daemon.wait_until("the letter waits", || {
        lab.watch_log().contains("a letter could not be sent now")
    });
    daemon.stop();
    let config = std::fs::read_to_string(lab.root().join("runsitter.toml")).unwrap();
    lab.write("runsitter.toml", &config.replace("\"acids\"", "\"other\""));
    hook.set(Mood::Status(404));
    let mut daemon = lab.watch();
    let alerts = lab.root().join("results/other/alerts");
    let told = || {
        let files = std::fs::read_dir(&alerts).into_iter().flatten().flatten();
        files
            .filter(|f| {
                let name = f.file_name();
                name.to_string_lossy().starts_with("not-sent-webhook-")
                    && std::fs::read_to_string(f.path()).is_ok_and(|t| t.contains("station acids"))
            })
            .count()
    };
    daemon.wait_until("the folder of the first station says so", || told() > 0);
    daemon.stop();
}
