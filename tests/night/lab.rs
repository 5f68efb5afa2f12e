//! A laboratory in a temporary folder: an instrument's exports, a configuration, and the program at work on them.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use crate::chromatogram::{ACETIC_RESPONSE, LACTIC_RESPONSE, Trace};
use crate::daemon::Daemon;
use crate::runlist::{self, Row};
use crate::table::Table;

/// 2026-09-21 18:00 UTC: when the nights of these tests begin.
const EVENING: u64 = 1_790_013_600;
/// A run of the program that takes longer has hung.
const PATIENCE: Duration = Duration::from_secs(50);
/// Levels of the method, mmol/L of either acid.
const LEVELS: [(&str, f64); 5] = [
    ("L1", 0.5),
    ("L2", 2.0),
    ("L3", 5.0),
    ("L4", 20.0),
    ("mid", 5.0),
];

/// The laboratory.
pub struct Lab {
    dir: tempfile::TempDir,
    station: String,
    sections: String,
    method: String,
    injected: Cell<u64>,
}

/// What a run of the program came to.
#[derive(Debug)]
pub struct Done {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

impl Done {
    /// The exit code must be this one.
    #[track_caller]
    pub fn ends(self, code: i32) -> Done {
        assert_eq!(
            self.code, code,
            "stdout:\n{}\nstderr:\n{}",
            self.stdout, self.stderr
        );
        self
    }

    /// Both outputs.
    pub fn text(&self) -> String {
        format!("{}{}", self.stdout, self.stderr)
    }
}

impl Lab {
    /// A laboratory with a stored calibration from 0.5 to 20 mmol/L.
    pub fn new() -> Lab {
        Lab::uncalibrated().calibrated()
    }

    /// The same without a calibration.
    pub fn uncalibrated() -> Lab {
        let lab = Lab {
            dir: tempfile::tempdir().unwrap(),
            station: "settle_s = 0.2\nrun_list = \"exports/*.runlist.csv\"\n".to_owned(),
            sections: String::new(),
            method: method(),
            injected: Cell::new(0),
        };
        fs::create_dir(lab.exports()).unwrap();
        lab.write_settings();
        lab
    }

    fn calibrated(self) -> Lab {
        self.write("areas.csv", &areas(1.0));
        self.run(&["calibrate", &self.named("areas.csv")]).ends(0);
        self
    }

    /// Other lines in the station's table.
    pub fn station(mut self, lines: &str) -> Lab {
        for line in lines.lines() {
            let key = line.split('=').next().unwrap_or_default().trim();
            self.station = self
                .station
                .lines()
                .filter(|l| l.split('=').next().map(str::trim) != Some(key))
                .map(|l| format!("{l}\n"))
                .collect();
            self.station += &format!("{line}\n");
        }
        self.write_settings();
        self
    }

    /// Sections behind the station's table.
    pub fn section(mut self, text: &str) -> Lab {
        self.sections += text;
        self.write_settings();
        self
    }

    /// Changes the method's text.
    pub fn method(mut self, change: impl FnOnce(String) -> String) -> Lab {
        self.method = change(self.method);
        self.write_settings();
        self
    }

    fn write_settings(&self) {
        let head = "state_dir = \"state\"\nresults_dir = \"results\"\n\n[[station]]\nname = \"acids\"\nwatch = \"exports\"\nmethod = \"method.toml\"\n";
        self.write(
            "runsitter.toml",
            &format!(
                "{head}calibration = \"calibration.toml\"\n{}{}",
                self.station, self.sections
            ),
        );
        self.write("method.toml", &self.method);
    }

    pub fn root(&self) -> &Path {
        self.dir.path()
    }

    pub fn exports(&self) -> PathBuf {
        self.root().join("exports")
    }

    /// A file of the laboratory as an argument.
    pub fn named(&self, name: &str) -> String {
        self.root().join(name).to_string_lossy().into_owned()
    }

    /// Writes a file of the laboratory.
    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.root().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, text).unwrap();
        path
    }

    /// Lays a run list into the export folder; files are called after its name: `crocks-01.csv`.
    pub fn list(&self, queue: &str, rows: &[Row]) {
        self.raw_list(queue, &runlist::csv(queue, rows));
    }

    /// Lays any text into the export folder as a run list, dated at the evening.
    pub fn raw_list(&self, queue: &str, text: &str) {
        let path = self.write(&format!("exports/{queue}.runlist.csv"), text);
        date(&path, 0);
    }

    /// The instrument exports a trace; each one is dated 23 minutes after the one before.
    pub fn export(&self, stem: &str, trace: &Trace) -> PathBuf {
        self.export_as(&format!("exports/{stem}.csv"), &trace.text(stem))
    }

    /// Any content under any path, dated like a trace.
    pub fn export_as(&self, path: &str, text: &str) -> PathBuf {
        self.injected.set(self.injected.get() + 1);
        // Written aside and moved: a daemon that watches never sees a time that changes.
        let aside = self.write("aside.tmp", text);
        date(&aside, self.injected.get());
        let path = self.root().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::rename(aside, &path).unwrap();
        path
    }

    /// Runs the program with the laboratory's configuration.
    pub fn run(&self, arguments: &[&str]) -> Done {
        let config = self.named("runsitter.toml");
        let all: Vec<&str> = arguments
            .iter()
            .copied()
            .chain(["--config", &config])
            .collect();
        run(self.root(), &all)
    }

    /// Processes the export folder.
    pub fn process(&self) -> Done {
        let exports = self.named("exports");
        self.run(&["process", &exports])
    }

    /// Starts the daemon and waits until it watches.
    pub fn watch(&self) -> Daemon {
        Daemon::start(self.root())
    }

    /// What the daemon that was started last has logged.
    pub fn watch_log(&self) -> String {
        fs::read_to_string(self.root().join("watch.log")).unwrap_or_default()
    }

    /// The folder of a queue's results.
    pub fn results(&self, queue: &str) -> PathBuf {
        self.root().join("results/acids").join(queue)
    }

    pub fn sheet(&self, queue: &str) -> Table {
        Table::read(&self.results(queue).join("sheet.csv"))
    }

    pub fn alerts(&self, queue: &str) -> Table {
        Table::read(&self.results(queue).join("alerts.csv"))
    }

    pub fn rerun(&self, queue: &str) -> Table {
        Table::read(&self.results(queue).join("rerun.csv"))
    }

    pub fn time_course(&self, queue: &str) -> Table {
        Table::read(&self.results(queue).join("time-course.csv"))
    }

    pub fn replicates(&self, queue: &str) -> Table {
        Table::read(&self.results(queue).join("replicates.csv"))
    }

    pub fn summary(&self, queue: &str) -> String {
        fs::read_to_string(self.results(queue).join("summary.txt")).unwrap_or_default()
    }

    /// Alert files: name → text. One that is still being written under another name does not count.
    pub fn messages(&self) -> BTreeMap<String, String> {
        let mut out = BTreeMap::new();
        let entries = fs::read_dir(self.root().join("results/acids/alerts"));
        for entry in entries.into_iter().flatten().flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.ends_with(".txt") {
                out.insert(name, fs::read_to_string(entry.path()).unwrap());
            }
        }
        out
    }

    /// Every file below a folder of the laboratory with its bytes and its time.
    pub fn files(&self, below: &str) -> BTreeMap<PathBuf, (Vec<u8>, SystemTime)> {
        let mut out = BTreeMap::new();
        let mut folders = vec![self.root().join(below)];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
                let meta = entry.metadata().unwrap();
                if meta.is_dir() {
                    folders.push(entry.path());
                } else if meta.is_file() {
                    let name = entry.path().strip_prefix(self.root()).unwrap().to_owned();
                    out.insert(
                        name,
                        (fs::read(entry.path()).unwrap(), meta.modified().unwrap()),
                    );
                }
            }
        }
        out
    }

    /// Names of everything that stands in a sheet of the station, each once.
    pub fn all_names(&self) -> std::collections::BTreeSet<String> {
        let queues = fs::read_dir(self.root().join("results/acids"));
        let sheets = queues.into_iter().flatten().flatten();
        sheets
            .flat_map(|q| Table::read(&q.path().join("sheet.csv")).rows)
            .map(|row| row.text("name").to_owned())
            .collect()
    }

    /// A text with the laboratory's folder called `LAB`.
    pub fn short(&self, text: &str) -> String {
        text.replace(&self.root().to_string_lossy().into_owned(), "LAB")
    }
}

/// Dates a file so many injections after the evening.
pub fn date(path: &Path, injections: u64) {
    let at = SystemTime::UNIX_EPOCH + Duration::from_secs(EVENING + 23 * 60 * injections);
    File::options()
        .write(true)
        .open(path)
        .unwrap()
        .set_modified(at)
        .unwrap();
}

/// The program in UTC, with nothing of this machine's settings.
pub fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_runsitter"));
    command
        .env("TZ", "UTC")
        .env_remove("RUST_LOG")
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null());
    command
}

/// Runs the program to its end in a folder.
pub fn run(folder: &Path, arguments: &[&str]) -> Done {
    let (out, err) = (
        tempfile::NamedTempFile::new().unwrap(),
        tempfile::NamedTempFile::new().unwrap(),
    );
    let mut child = program()
        .args(arguments)
        .current_dir(folder)
        .stdout(out.reopen().unwrap())
        .stderr(err.reopen().unwrap())
        .spawn()
        .unwrap();
    let started = Instant::now();
    let status = loop {
        match child.try_wait().unwrap() {
            Some(status) => break status,
            None if started.elapsed() > PATIENCE => {
                child.kill().unwrap();
                child.wait().unwrap();
                panic!(
                    "{arguments:?} did not end within {PATIENCE:?}: {}",
                    fs::read_to_string(err.path()).unwrap()
                );
            }
            None => std::thread::sleep(Duration::from_millis(10)),
        }
    };
    let text =
        |file: &tempfile::NamedTempFile| String::from_utf8(fs::read(file.path()).unwrap()).unwrap();
    Done {
        code: status.code().expect("ended by a signal"),
        stdout: text(&out),
        stderr: text(&err),
    }
}

/// Calibrator areas as a table, two per level, ±0.3 % around `factor` times the true response.
pub fn areas(factor: f64) -> String {
    let mut out = String::from("level,analyte,area_mau_s\n");
    for (level, mmol_l) in LEVELS.into_iter().filter(|(l, _)| *l != "mid") {
        for scatter in [0.997, 1.003] {
            out += &format!(
                "{level},lactic acid,{:.4}\n",
                factor * scatter * mmol_l * LACTIC_RESPONSE
            );
            out += &format!(
                "{level},acetic acid,{:.4}\n",
                factor * scatter * mmol_l * ACETIC_RESPONSE
            );
        }
    }
    out
}

fn method() -> String {
    let mut out = String::from(
        "name = \"organic acids in brine\"\n\n[conditions]\nrun_time_min = 22.0\nflow_ml_min = 0.6\ninjection_ul = 10.0\nwavelength_nm = 210.0\n",
    );
    for (name, retention_min) in [("lactic acid", 12.9), ("acetic acid", 15.2)] {
        out += &format!(
            "\n[[analyte]]\nname = \"{name}\"\nretention_min = {retention_min}\nwindow_min = 0.4\nunit = \"mmol/L\"\n"
        );
    }
    for (level, c) in LEVELS {
        out += &format!(
            "\n[[level]]\nname = \"{level}\"\nnominal = {{ \"lactic acid\" = {c:?}, \"acetic acid\" = {c:?} }}\n"
        );
    }
    out
}
