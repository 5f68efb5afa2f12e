//! What is never opened, and what is too large.

use std::process::Command;

use crate::chromatogram::both;
use crate::lab::Lab;
use crate::runlist::{sample, standard};

fn lab() -> Lab {
    let lab = Lab::new().section("[station.trace]\nmax_mb = 1\n");
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-03", &both(5.0));
    lab
}

#[test]
fn a_file_over_the_limit_has_an_error_of_its_own() {
    let lab = lab();
    let long: String = (0..70_000)
        .map(|k| format!("{:.6},{:.4}\n", f64::from(k) / 3000.0, 1.0))
        .collect();
    assert!(long.len() > 1024 * 1024);
    lab.export_as("exports/crocks-02.csv", &long);
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(2), "rerun unreadable-trace");
    assert_eq!(sheet.verdict(3), "accepted");
    let alerts = lab.alerts("crocks");
    let message = alerts.check("unreadable-trace")[0].text("message");
    assert!(
        message.contains("1048576") && message.contains("max_mb"),
        "{message}"
    );
}

#[test]
fn pipes_and_links_are_not_opened() {
    let lab = lab();
    let outside = lab.write("elsewhere/secret.csv", &both(3.0).text("secret"));
    std::os::unix::fs::symlink(outside, lab.exports().join("crocks-02.csv")).unwrap();
    std::os::unix::fs::symlink(lab.root().join("elsewhere"), lab.exports().join("linked")).unwrap();
    assert!(
        Command::new("mkfifo")
            .arg(lab.exports().join("pipe.csv"))
            .status()
            .unwrap()
            .success()
    );
    // Would hang in the pipe, were it opened.
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun missing-trace");
    assert!(!lab.results("unlisted-2026-09-21").exists());

    let pipe = lab.named("exports/pipe.csv");
    let done = lab.run(&["process", &pipe]).ends(3);
    assert!(done.stderr.contains("pipe.csv"), "{}", done.stderr);
    let link = lab.named("exports/crocks-02.csv");
    lab.run(&["process", &link]).ends(3);

    let mut daemon = lab.watch();
    lab.export("later", &both(1.0));
    daemon.wait_until("the daemon goes on", || {
        !lab.sheet("unlisted-2026-09-21").rows.is_empty()
    });
    daemon.stop();
    assert_eq!(
        lab.sheet("unlisted-2026-09-21").column("name"),
        ["later"; 2]
    );
}

#[test]
fn other_files_of_the_folder_are_left_alone() {
    let lab = lab();
    lab.write("exports/crocks-02.raw", "binary");
    lab.write("exports/notes.docx", "notes");
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun missing-trace");
    assert!(!lab.results("unlisted-2026-09-21").exists());
}

#[test]
fn a_trace_that_stops_too_early_is_unreadable_and_a_long_enough_one_is_said() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0).until(14.0));
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun unreadable-trace");
    lab.export("crocks-02", &both(3.0).until(18.0));
    lab.process().ends(0);
    assert_eq!(lab.sheet("crocks").verdict(2), "accepted");
    lab.sheet("crocks")
        .row(2, "acetic acid")
        .close("concentration", 3.0, 1.0);
    assert!(
        lab.summary("crocks").contains("18"),
        "{}",
        lab.summary("crocks")
    );
}

#[test]
fn results_inside_the_watched_folder_are_no_traces() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0));
    let text = std::fs::read_to_string(lab.root().join("runsitter.toml")).unwrap();
    lab.write(
        "runsitter.toml",
        &text.replace("\"results\"", "\"exports/results\""),
    );
    lab.process().ends(0);
    let again = lab.process().ends(0);
    assert!(
        again.stdout.contains("0 traces processed"),
        "{}",
        again.stdout
    );
    let alerts = lab.root().join("exports/results/acids/alerts");
    assert!(!alerts.exists(), "a result was taken for a trace");
}

#[test]
fn an_empty_file_is_unreadable() {
    let lab = lab();
    lab.export_as("exports/crocks-02.csv", "");
    lab.process().ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "rerun unreadable-trace");
}

#[test]
fn a_file_name_that_is_no_text_is_processed_once() {
    use std::os::unix::ffi::OsStrExt as _;
    let lab = Lab::new();
    let name = std::ffi::OsStr::from_bytes(b"crock-\xff.csv");
    let whole = lab.export("whole", &both(3.0));
    std::fs::rename(whole, lab.exports().join(name)).unwrap();
    lab.process().ends(0);
    let first = lab.files("results");
    let done = lab.process().ends(0);
    assert!(
        done.stdout.contains("0 traces processed, 1 known already"),
        "{}",
        done.stdout
    );
    assert!(first == lab.files("results"));
}

#[test]
fn names_of_any_length_get_their_message() {
    let lab = Lab::new();
    let long = "b".repeat(240);
    lab.export_as(&format!("exports/{long}.csv"), "no trace\n");
    lab.process().ends(1);
    assert_eq!(lab.messages().len(), 1);
    assert!(lab.messages().keys().all(|n| n.len() <= 120));
}

#[test]
fn what_happens_behind_a_link_is_not_seen() {
    let lab = Lab::new();
    lab.write("elsewhere/deeper/old.csv", &both(3.0).text("old"));
    let link = |to: &str, name: &str| {
        std::os::unix::fs::symlink(lab.root().join(to), lab.exports().join(name)).unwrap();
    };
    link("elsewhere", "linked");
    link("exports", "loop");
    link("nowhere", "dangling.csv");
    let mut daemon = lab.watch();
    // What an event tells of lies behind the link as well.
    for name in ["elsewhere/new.csv", "elsewhere/deeper/new.csv"] {
        lab.write(name, &both(4.0).text("new"));
    }
    link("elsewhere", "linked-later");
    lab.write("elsewhere/newer.csv", &both(2.0).text("newer"));
    lab.export("good", &both(1.0));
    daemon.wait_until("the good one is there", || lab.all_names().contains("good"));
    std::thread::sleep(std::time::Duration::from_secs(1));
    lab.export("good-too", &both(1.5));
    daemon.wait_until("another good one is there", || {
        lab.all_names().contains("good-too")
    });
    daemon.stop();
    let names: Vec<String> = lab.all_names().into_iter().collect();
    assert_eq!(names, ["good", "good-too"]);
    assert!(lab.messages().keys().all(|m| !m.contains("new")));
}

#[test]
fn folders_are_entered_64_deep_whoever_tells_of_them() {
    let lab = Lab::new();
    let deep = |n: usize| format!("exports/{}", "d/".repeat(n));
    lab.export_as(
        &format!("{}within.csv", deep(64)),
        &both(3.0).text("within"),
    );
    lab.export_as(
        &format!("{}beyond.csv", deep(65)),
        &both(3.1).text("beyond"),
    );
    let mut daemon = lab.watch();
    daemon.wait_until("the deep one is there", || {
        lab.all_names().contains("within")
    });
    lab.export_as(
        &format!("{}beyond-too.csv", deep(70)),
        &both(3.2).text("beyond-too"),
    );
    lab.export_as(
        &format!("{}within-too.csv", deep(64)),
        &both(3.3).text("within-too"),
    );
    daemon.wait_until("another is there", || {
        lab.all_names().contains("within-too")
    });
    daemon.stop();
    let names: Vec<String> = lab.all_names().into_iter().collect();
    assert_eq!(names, ["within", "within-too"]);
}

#[test]
fn devices_and_sockets_in_the_folder_are_not_opened() {
    let lab = lab();
    lab.export("crocks-02", &both(3.0));
    let socket = std::os::unix::net::UnixListener::bind(lab.exports().join("socket.csv")).unwrap();
    socket.set_nonblocking(true).unwrap();
    // Only root may make a device; elsewhere the pipe of another test stands for it.
    let made = Command::new("mknod")
        .arg(lab.exports().join("zero.csv"))
        .args(["c", "1", "5"])
        .status()
        .is_ok_and(|s| s.success());
    println!("a device in the folder: {made}");
    lab.process().ends(0);
    assert!(!lab.results("unlisted-2026-09-21").exists());
    assert!(socket.accept().is_err(), "somebody connected");
}

/// What `process` cannot read is no success, though it is no trace.
#[test]
fn lists_and_logs_that_cannot_be_read_are_no_success() {
    let lab = lab().station("run_list = \"lists/*.runlist.csv\"");
    lab.export("crocks-01", &both(5.0));
    let done = lab.process().ends(3);
    assert!(done.stderr.contains("lists"), "{}", done.stderr);
    std::fs::create_dir(lab.root().join("lists")).unwrap();
    lab.process().ends(1);

    // A folder where the log should be can be opened by nobody.
    let lab = lab.section("\n[station.pressure]\nfile = \"pump\"\n");
    std::fs::create_dir(lab.root().join("pump")).unwrap();
    let done = lab.process().ends(3);
    assert!(done.stderr.contains("pump"), "{}", done.stderr);
}
