//! How files land while the daemon watches.

use std::fs::{self, File};
use std::io::Write as _;
use std::thread::sleep;
use std::time::Duration;

use crate::chromatogram::{both, trace};
use crate::lab::{Lab, date};
use crate::runlist::{sample, standard};
use crate::table::Table;

fn lab() -> Lab {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab
}

/// Both rows of a position stand in the sheet.
fn landed(lab: &Lab, position: u64) -> bool {
    lab.sheet("crocks")
        .of(position)
        .filter(|r| !r.is_empty("trace"))
        .count()
        == 2
}

/// One row set, no alert, no revision.
fn one_quiet_row_set(lab: &Lab) {
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.of(1).count(), 2, "{sheet:#?}");
    assert_eq!(sheet.verdict(1), "accepted");
    sheet
        .row(1, "lactic acid")
        .close("recovery_percent", 100.0, 1.0);
    assert!(lab.messages().is_empty(), "{:#?}", lab.messages());
    assert!(
        lab.alerts("crocks").rows.is_empty(),
        "{:#?}",
        lab.alerts("crocks")
    );
    assert!(
        !lab.summary("crocks").contains("revision"),
        "{}",
        lab.summary("crocks")
    );
}

#[test]
fn a_file_that_is_copied_in() {
    let lab = lab();
    let source = lab.write("source.csv", &both(5.0).text("1"));
    let mut daemon = lab.watch();
    fs::copy(source, lab.exports().join("crocks-01.csv")).unwrap();
    daemon.wait_until("the copy is in the sheet", || landed(&lab, 1));
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_file_that_is_renamed_when_it_is_whole() {
    let lab = lab();
    let mut daemon = lab.watch();
    let part = lab.write("exports/crocks-01.csv.part", "time_min,signal_mau\n0.0,");
    sleep(Duration::from_millis(400));
    fs::write(&part, both(5.0).text("1")).unwrap();
    fs::rename(part, lab.exports().join("crocks-01.csv")).unwrap();
    daemon.wait_until("the renamed file is in the sheet", || landed(&lab, 1));
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_file_that_grows_in_pieces() {
    let lab = lab().station("settle_s = 0.8");
    let mut daemon = lab.watch();
    let text = both(5.0).text("1");
    let mut file = File::create(lab.exports().join("crocks-01.csv")).unwrap();
    for piece in text.as_bytes().chunks(text.len() / 7) {
        file.write_all(piece).unwrap();
        file.flush().unwrap();
        sleep(Duration::from_millis(120));
        assert!(lab.sheet("crocks").rows.is_empty(), "taken while it grew");
    }
    drop(file);
    daemon.wait_until("the grown file is in the sheet", || landed(&lab, 1));
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_torn_file_that_is_completed_later() {
    let lab = lab();
    let mut daemon = lab.watch();
    let text = both(5.0).text("1");
    // In the middle of a number, well after it has stood still for the settle time.
    let cut = text.len() / 2 - 3;
    let path = lab.write("exports/crocks-01.csv", &text[..cut]);
    sleep(Duration::from_millis(700));
    assert!(lab.sheet("crocks").rows.is_empty(), "half a file was taken");
    File::options()
        .append(true)
        .open(path)
        .unwrap()
        .write_all(&text.as_bytes()[cut..])
        .unwrap();
    daemon.wait_until("the completed file is in the sheet", || landed(&lab, 1));
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_file_that_stays_torn_is_told_and_cleared_when_it_is_whole_after_all() {
    let lab = lab();
    let mut daemon = lab.watch();
    let text = both(5.0).text("1");
    let path = lab.write("exports/crocks-01.csv", &text[..text.len() / 3]);
    daemon.wait_until("the torn file is told", || lab.messages().len() == 1);
    // The message is written before the sheet.
    daemon.wait_until("the sheet says so", || landed(&lab, 1));
    assert_eq!(lab.sheet("crocks").verdict(1), "rerun unreadable-trace");
    fs::write(path, &text).unwrap();
    daemon.wait_until("the whole file is in the sheet", || {
        lab.sheet("crocks").verdict(1) == "accepted"
    });
    daemon.wait_until("the alert is cleared", || {
        lab.messages().keys().any(|n| n.ends_with("-cleared.txt"))
    });
    daemon.stop();
    assert!(
        lab.alerts("crocks")
            .rows
            .iter()
            .all(|a| !a.is_empty("cleared_at"))
    );
}

#[test]
fn garbage_is_told_and_the_night_goes_on() {
    let lab = lab();
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    lab.export_as("exports/crocks-02.csv", "<html>not found</html>\n");
    daemon.wait_until("the garbage is told", || !lab.messages().is_empty());
    lab.export("crocks-03", &both(5.0));
    daemon.wait_until("the next trace is in the sheet", || landed(&lab, 3));
    daemon.stop();
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(2), "rerun unreadable-trace");
    assert_eq!(sheet.verdict(3), "accepted");
    let messages = lab.messages();
    assert_eq!(messages.len(), 1, "{messages:#?}");
    assert!(
        messages.values().all(|m| m.contains("crocks-02.csv")),
        "{messages:#?}"
    );
    assert!(
        lab.exports().join("crocks-02.csv").exists(),
        "the file is kept"
    );
}

#[test]
fn a_re_export_replaces_the_rows() {
    let lab = lab();
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(3.0));
    lab.export("crocks-03", &both(5.0));
    daemon.wait_until("the night is in the sheet", || {
        landed(&lab, 3) && lab.sheet("crocks").verdict(2) == "accepted"
    });
    let before = lab.sheet("crocks");
    before
        .row(2, "lactic acid")
        .close("concentration", 3.0, 1.0);

    lab.export("crocks-02", &trace().lactic(4.0).acetic(3.0));
    let new = |sheet: &Table| sheet.row(2, "lactic acid").number("concentration") > 3.5;
    daemon.wait_until("the new content is in the sheet", || {
        new(&lab.sheet("crocks"))
    });
    daemon.stop();
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.rows.len(), 6);
    sheet.row(2, "lactic acid").close("concentration", 4.0, 1.0);
    assert_ne!(
        sheet.row(2, "lactic acid").text("sha256"),
        before.row(2, "lactic acid").text("sha256")
    );
    assert_eq!(sheet.row(1, "lactic acid"), before.row(1, "lactic acid"));
    let summary = lab.summary("crocks");
    assert!(
        summary.contains("crocks-02.csv") && summary.contains("revision 2"),
        "{summary}"
    );
}

#[test]
fn a_file_that_is_only_touched_changes_nothing() {
    let lab = lab();
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    daemon.wait_until("the trace is in the sheet", || landed(&lab, 1));
    let before = lab.sheet("crocks").rows;
    crate::lab::date(&lab.exports().join("crocks-01.csv"), 9);
    lab.export("crocks-02", &both(3.0));
    daemon.wait_until("the next trace is in the sheet", || landed(&lab, 2));
    daemon.stop();
    assert_eq!(lab.sheet("crocks").rows[..2], before[..]);
    one_quiet_row_set(&lab);
}

#[test]
fn subfolders_that_come_while_it_watches() {
    let lab = lab();
    let mut daemon = lab.watch();
    lab.export_as("exports/2026/monday/crocks-01.csv", &both(5.0).text("1"));
    daemon.wait_until("the trace of the new folder is in the sheet", || {
        landed(&lab, 1)
    });
    lab.export_as("exports/2026/monday/crocks-02.csv", &both(3.0).text("2"));
    daemon.wait_until("the next one as well", || landed(&lab, 2));
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_folder_that_is_polled() {
    let lab = lab().station("poll_s = 0.2");
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    daemon.wait_until("the trace is in the sheet", || landed(&lab, 1));
    lab.export("crocks-02", &both(3.0));
    daemon.wait_until("the next one as well", || landed(&lab, 2));
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_folder_that_is_made_later() {
    let lab = lab();
    fs::remove_dir_all(lab.exports()).unwrap();
    let mut daemon = lab.watch();
    lab.list("crocks", &[standard("mid"), sample("brine")]);
    lab.export("crocks-01", &both(5.0));
    daemon.wait_until("the trace of the late folder is in the sheet", || {
        landed(&lab, 1)
    });
    lab.export("crocks-02", &both(3.0));
    daemon.wait_until("the next one as well", || landed(&lab, 2));
    // What stood in the folder when it came is a backlog, and no sign that the folder gives no events.
    assert!(!daemon.log().contains("polled"), "{}", daemon.log());
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_folder_that_is_removed_and_made_again() {
    let lab = lab();
    let mut daemon = lab.watch();
    lab.export("crocks-01", &both(5.0));
    daemon.wait_until("the trace is in the sheet", || landed(&lab, 1));
    fs::remove_dir_all(lab.exports()).unwrap();
    sleep(Duration::from_millis(300));
    lab.export("crocks-02", &both(3.0));
    lab.export("crocks-03", &both(5.0));
    daemon.wait_until("the traces of the new folder are in the sheet", || {
        landed(&lab, 2) && landed(&lab, 3)
    });
    assert!(!daemon.log().contains("polled"), "{}", daemon.log());
    daemon.stop();
    one_quiet_row_set(&lab);
}

#[test]
fn a_growing_run_of_traces_keeps_the_sheet_whole_at_every_instant() {
    let lab = lab();
    let rows: Vec<_> = (0..12)
        .map(|n| {
            if n % 4 == 0 {
                standard("mid")
            } else {
                sample("brine")
            }
        })
        .collect();
    lab.list("crocks", &rows);
    let mut daemon = lab.watch();
    for k in 1..=12 {
        lab.export(
            &format!("crocks-{k:02}"),
            &both(if k % 4 == 1 { 5.0 } else { 3.0 }),
        );
        sleep(Duration::from_millis(60));
    }
    // Reading a torn row, or one without all its cells, fails in the table.
    daemon.wait_until("all traces are in the sheet", || {
        lab.sheet("crocks").rows.len() == 24
    });
    daemon.stop();
}

#[test]
fn other_content_of_the_same_size_and_time_is_known_by_its_event() {
    let lab = lab().station("settle_s = 0.1");
    let texts = [3.0, 4.0].map(|c| both(c).text("crocks-02"));
    let longest = texts.iter().map(String::len).max().unwrap();
    let [first, again] = texts.map(|t| format!("{t}{}", "\n".repeat(longest - t.len())));
    let lay = |text: &str| {
        let aside = lab.write("aside.tmp", text);
        date(&aside, 2);
        fs::rename(aside, lab.exports().join("crocks-02.csv")).unwrap();
    };
    let sheet = || fs::read_to_string(lab.results("crocks").join("sheet.csv")).unwrap_or_default();
    let mut daemon = lab.watch();
    lay(&first);
    daemon.wait_until("it has landed", || sheet().contains("crocks-02.csv"));
    let before = sheet();
    lay(&again);
    daemon.wait_until("the new content counts", || sheet() != before);
    lab.sheet("crocks")
        .row(2, "lactic acid")
        .close("concentration", 4.0, 1.0);
    daemon.stop();
}
