//! What people read in the morning, word for word. Times and hashes are made the same.

use crate::drifting;
use crate::lab::Lab;
use crate::words::{rounded, settled};

#[test]
fn the_drifting_night() {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    let read =
        |name: &str| settled(&std::fs::read_to_string(lab.results("crocks").join(name)).unwrap());
    insta::assert_snapshot!("sheet", rounded(&read("sheet.csv")));
    insta::assert_snapshot!("rerun", read("rerun.csv"));
    insta::assert_snapshot!("alerts", rounded(&read("alerts.csv")));
    let version = format!("runsitter {}", env!("CARGO_PKG_VERSION"));
    insta::assert_snapshot!(
        "summary",
        read("summary.txt").replace(&version, "runsitter VERSION")
    );
    let messages = lab.messages();
    insta::assert_snapshot!(
        "message",
        settled(messages.values().next().expect("a message"))
    );
}
