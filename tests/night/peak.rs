//! Runs of the program with the most memory that they held.

use std::fs;
use std::time::{Duration, Instant};

use crate::lab::{Done, Lab, program};

/// A run that takes longer has hung.
const PATIENCE: Duration = Duration::from_secs(100);

/// The most memory that a process has held until now, MiB; `None` where it has ended.
pub fn of(id: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    let kib: f64 = line.trim().trim_end_matches(" kB").parse().ok()?;
    Some(kib / 1024.0)
}

/// Runs the program with the laboratory's configuration and looks at its memory every other millisecond. On a busy machine it
/// may be over before that was possible: then it runs again, without what it wrote.
#[track_caller]
pub fn run(lab: &Lab, arguments: &[&str]) -> (Done, f64) {
    for _ in 0..5 {
        let (done, most) = once(lab, arguments);
        if most > 1.0 {
            return (done, most);
        }
        for folder in ["state", "results"] {
            // Not every run writes there.
            let _ = fs::remove_dir_all(lab.root().join(folder));
        }
    }
    panic!("its memory was never seen");
}

#[track_caller]
fn once(lab: &Lab, arguments: &[&str]) -> (Done, f64) {
    let (out, err) = (lab.write("out.txt", ""), lab.write("err.txt", ""));
    let open = |path| fs::File::options().append(true).open(path).unwrap();
    let mut child = program()
        .args(arguments)
        .args(["--config", &lab.named("runsitter.toml")])
        .current_dir(lab.root())
        .stdout(open(&out))
        .stderr(open(&err))
        .spawn()
        .unwrap();
    let (started, mut most) = (Instant::now(), 0.0_f64);
    let status = loop {
        most = most.max(of(child.id()).unwrap_or(0.0));
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if started.elapsed() > PATIENCE {
            child.kill().unwrap();
            child.wait().unwrap();
            panic!("{arguments:?} did not end within {PATIENCE:?}");
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let done = Done {
        code: status.code().expect("ended by a signal"),
        stdout: fs::read_to_string(out).unwrap(),
        stderr: fs::read_to_string(err).unwrap(),
    };
    (done, most)
}

/// Holds a figure against its bound, and prints both.
#[track_caller]
pub fn within(what: &str, mib: f64, bound: f64) {
    println!("{what}: at most {mib:.0} MiB, bound {bound:.0} MiB");
    assert!(mib < bound, "{what}: {mib:.0} MiB, expected below {bound}");
}
