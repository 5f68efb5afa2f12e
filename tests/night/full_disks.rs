//! A disk without room: told on the error output and by letter, the service goes on, and nothing is missing when there is room.
//!
//! Where the test may mount, the folder is a small file system of its own, filled to the last byte. Elsewhere writes are made to
//! fail by the largest size of a file that the kernel allows the daemon (the ledger), or by a file in the place of a
//! folder (results, alerts); which of the two it was is printed.

use std::fs;
use std::io::Write as _;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::drifting;
use crate::hook::{Hook, Mood};
use crate::lab::{Lab, program};
use crate::words::without_times;

const PATIENCE: Duration = Duration::from_secs(40);
/// No file of the daemon may grow beyond this, bytes: less than the shortest log of a ledger with a record in it.
const LIMIT: &str = "4096";
const FILES: [&str; 4] = ["sheet.csv", "time-course.csv", "rerun.csv", "alerts.csv"];

/// A small file system on a folder; unmounted with the test.
struct Mount(PathBuf);

impl Mount {
    fn on(folder: &Path, size: &str) -> Option<Mount> {
        fs::create_dir_all(folder).unwrap();
        let done = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(folder)
            .stderr(Stdio::null())
            .status();
        let mounted = done.is_ok_and(|s| s.success());
        println!(
            "{}: {}",
            folder.file_name().unwrap().to_string_lossy(),
            if mounted {
                "a small mount"
            } else {
                "no mount here: failing writes instead"
            }
        );
        mounted.then(|| Mount(folder.to_owned()))
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        // The temporary folder cannot be removed where this fails, and the test says so by itself.
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

/// Fills a file system to the last byte; gives the file that does.
fn fill(folder: &Path) -> PathBuf {
    let path = folder.join("filler");
    let mut file = fs::File::create(&path).unwrap();
    for size in [4096, 1] {
        let block = vec![b'x'; size];
        while file.write_all(&block).is_ok() {}
    }
    path
}

struct Running {
    child: Child,
    log: PathBuf,
    /// Stands for systemd.
    manager: UnixDatagram,
    heard: Vec<String>,
}

impl Running {
    fn start(lab: &Lab) -> Running {
        let manager = UnixDatagram::bind(lab.root().join("notify")).unwrap();
        manager.set_nonblocking(true).unwrap();
        let log = lab.root().join("watch.log");
        // Too large a file is an error then, and no signal.
        let program = program();
        let mut command = Command::new("sh");
        command
            .args([
                "-c",
                "trap '' XFSZ; exec \"$0\" watch --config runsitter.toml",
            ])
            .arg(program.get_program())
            .current_dir(lab.root())
            .env("TZ", "UTC")
            .env("RUST_LOG", "runsitter=info")
            .env("NOTIFY_SOCKET", lab.root().join("notify"))
            .env("WATCHDOG_USEC", "2000000")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        // Kept by the test: what limits the daemon's files must not limit this one.
        let (mut said, mut kept) = (
            child.stderr.take().unwrap(),
            fs::File::create(&log).unwrap(),
        );
        std::thread::spawn(move || std::io::copy(&mut said, &mut kept));
        let mut running = Running {
            child,
            log,
            manager,
            heard: Vec::new(),
        };
        running.until("it watches", |log| log.contains("watching"));
        running
    }

    /// Waits for something; a daemon that has ended meanwhile fails the test.
    #[track_caller]
    fn until(&mut self, what: &str, happened: impl Fn(&str) -> bool) {
        let since = Instant::now();
        loop {
            self.hear();
            let log = fs::read_to_string(&self.log).unwrap_or_default();
            if happened(&log) {
                return;
            }
            let ended = self.child.try_wait().unwrap();
            assert!(
                ended.is_none(),
                "it ended with {ended:?}, waiting until {what}:\n{log}"
            );
            assert!(since.elapsed() < PATIENCE, "waited until {what}:\n{log}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Takes what systemd was told: a program must not wait for it.
    fn hear(&mut self) {
        let mut letter = [0; 4096];
        while let Ok(length) = self.manager.recv(&mut letter) {
            let text = String::from_utf8_lossy(&letter[..length]);
            self.heard.push(text.into_owned());
        }
    }

    /// Allows no file of the daemon more bytes than this; `unlimited` lifts it.
    fn limit_files(&self, bytes: &str) {
        let done = Command::new("prlimit")
            .args(["--pid", &self.child.id().to_string()])
            .arg(format!("--fsize={bytes}:"))
            .status()
            .unwrap();
        assert!(done.success());
    }

    fn stop(mut self) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").arg(id).status().unwrap().success());
        let since = Instant::now();
        while since.elapsed() < PATIENCE {
            self.hear();
            if let Some(status) = self.child.try_wait().unwrap() {
                return assert_eq!(status.code(), Some(0));
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("it does not end");
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // It has ended already where this fails.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn lab(hook: &Hook) -> Lab {
    use std::os::unix::fs::PermissionsExt as _;
    let lab = Lab::new().section(&format!(
        "[alert.webhook]\nurl = \"{}\"\nsecret_file = \"secret\"\n\n[alert.heartbeat]\nfile = \"alive.txt\"\nevery_s = 1\n",
        hook.url()
    ));
    let path = lab.write("secret", "a secret of some length\n");
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).unwrap();
    lab.list("crocks", &drifting::rows());
    lab
}

fn results(lab: &Lab) -> Vec<String> {
    let read = |name| fs::read_to_string(lab.results("crocks").join(name)).unwrap_or_default();
    FILES.iter().map(|n| without_times(&read(n))).collect()
}

fn undisturbed() -> (Vec<String>, Vec<String>) {
    let lab = Lab::new();
    drifting::play(&lab);
    lab.process().ends(1);
    (results(&lab), lab.messages().into_keys().collect())
}

/// Letters that tell that the ledger cannot be written.
fn told(hook: &Hook) -> usize {
    let key = "no-ledger|";
    hook.accepted()
        .iter()
        .filter(|p| p.body.contains(key))
        .count()
}

fn nothing_is_missing(lab: &Lab, expected: &(Vec<String>, Vec<String>)) {
    assert_eq!(results(lab), expected.0);
    let mut messages = lab.messages();
    // What is told of the outage itself comes on top.
    messages.retain(|name, _| {
        !name.starts_with("unwatched-") && !name.starts_with("results-not-written-")
    });
    assert_eq!(messages.into_keys().collect::<Vec<_>>(), expected.1);
    lab.run(&["check", "--ledger"]).ends(0);
    let ledger = rusqlite::Connection::open(lab.root().join("state/ledger.sqlite")).unwrap();
    let landed: i64 = ledger
        .query_row("SELECT count(*) FROM landing", [], |r| r.get(0))
        .unwrap();
    assert_eq!(landed, 11);
}

/// A folder in which nothing can be written: full where it is a mount, else a file stands in its place.
struct Blocked {
    folder: PathBuf,
    filler: Option<PathBuf>,
}

impl Blocked {
    fn block(folder: &Path, is_mount: bool) -> Blocked {
        let filler = is_mount.then(|| fill(folder));
        if filler.is_none() {
            fs::rename(folder, folder.with_extension("aside")).unwrap();
            fs::write(folder, "in the way").unwrap();
        }
        Blocked {
            folder: folder.to_owned(),
            filler,
        }
    }

    fn make_room(self) {
        if let Some(filler) = self.filler {
            return fs::remove_file(filler).unwrap();
        }
        fs::remove_file(&self.folder).unwrap();
        fs::rename(self.folder.with_extension("aside"), &self.folder).unwrap();
    }
}

/// Nothing can be written in a folder below the results for a while.
fn without_room(folder: &str, words: &[&str]) {
    let expected = undisturbed();
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    let folder = lab.root().join(folder);
    let mount = Mount::on(&folder, "256k");
    let mut daemon = Running::start(&lab);
    drifting::export(&lab, 1);
    daemon.until("the first trace is in the sheet", |_| {
        lab.sheet("crocks").rows.len() == 2
    });
    let blocked = Blocked::block(&folder, mount.is_some());
    (2..=6).for_each(|p| drifting::export(&lab, p));
    for words in words {
        daemon.until(&format!("it says that {words}"), |log| log.contains(words));
    }
    let told = |what: &str| hook.accepted().iter().any(|p| p.body.contains(what));
    daemon.until("a letter says so", |_| told("results cannot be written"));
    // The failed standard is told all the same, and the traces land.
    daemon.until("the failed standard is told by letter", |_| {
        told("standard-drift")
    });
    daemon.until("all of them have landed", |log| {
        log.matches(": landed position=").count() >= 6
    });
    no_sign_of_life(&lab, Duration::from_millis(2500));
    blocked.make_room();
    (7..=11).for_each(|p| drifting::export(&lab, p));
    daemon.until("everything is there", |_| results(&lab) == expected.0);
    let all = |lab: &Lab| expected.1.iter().all(|m| lab.messages().contains_key(m));
    daemon.until("every message is there", |_| all(&lab));
    daemon.stop();
    nothing_is_missing(&lab, &expected);
    drop(mount);
}

/// The heartbeat's file is not touched for so long.
#[track_caller]
fn no_sign_of_life(lab: &Lab, long: Duration) {
    let beat = || {
        let meta = fs::metadata(lab.root().join("alive.txt"));
        meta.and_then(|m| m.modified()).ok()
    };
    let before = beat();
    std::thread::sleep(long);
    assert_eq!(before, beat(), "the sign of life goes on");
}

#[test]
fn results_and_alerts_without_room() {
    let words = [
        "a result cannot be written now",
        "an alert cannot be written now",
    ];
    without_room("results/acids", &words);
}

#[test]
fn results_alone_without_room() {
    without_room("results/acids/crocks", &["a result cannot be written now"]);
}

#[test]
fn alerts_alone_without_room() {
    without_room("results/acids/alerts", &["an alert cannot be written now"]);
}

/// A ledger that cannot grow, by one way or the other.
fn ledger_without_room(may_mount: bool) {
    let expected = undisturbed();
    let hook = Hook::new(Mood::Status(200));
    let lab = lab(&hook);
    let folder = lab.root().join("state");
    let mount = may_mount.then(|| Mount::on(&folder, "2m")).flatten();
    let mut daemon = Running::start(&lab);
    drifting::export(&lab, 1);
    daemon.until("the first trace is in the sheet", |_| {
        lab.sheet("crocks").rows.len() == 2
    });
    let filler = match &mount {
        Some(_) => Some(fill(&folder)),
        None => {
            daemon.limit_files(LIMIT);
            None
        }
    };
    (2..=6).for_each(|p| drifting::export(&lab, p));
    daemon.until("it says that the ledger cannot be written", |log| {
        log.contains("the ledger cannot be written now")
    });
    daemon.until("it says what can be done", |log| {
        log.contains("; make room on that disk")
            || log.contains("; look at that disk, or its quota")
    });
    daemon.until("a letter says so", |_| told(&hook) == 1);
    let before = daemon.heard.len();
    no_sign_of_life(&lab, Duration::from_secs(4));
    daemon.hear();
    let says = |from: usize, what: &str| daemon.heard[from..].iter().any(|m| m.contains(what));
    // To be started anew would not help it.
    assert!(says(before, "WATCHDOG=1"), "{:?}", daemon.heard);
    let status = "STATUS=the ledger cannot be written";
    assert!(says(0, status), "{:?}", daemon.heard);
    match filler {
        Some(filler) => fs::remove_file(filler).unwrap(),
        None => daemon.limit_files("unlimited"),
    }
    (7..=11).for_each(|p| drifting::export(&lab, p));
    daemon.until("everything is there", |_| results(&lab) == expected.0);
    daemon.stop();
    assert_eq!(told(&hook), 1, "told once for each time");
    nothing_is_missing(&lab, &expected);
    drop(mount);
}

#[test]
fn a_ledger_on_a_full_disk() {
    ledger_without_room(true);
}

#[test]
fn a_ledger_that_may_not_grow() {
    ledger_without_room(false);
}
