mod alerts;
mod stations;

use std::path::PathBuf;

use super::*;
use crate::config::{Heartbeat, Pressure, Security};
use crate::trace::{Delimiter, Settings, SignalUnit, TimeUnit};

const SAMPLE: &str = include_str!("../../../config/runsitter.toml");

/// A good file of which one line is replaced or to which lines are added.
const GOOD: &str = "state_dir = \"state\"\nresults_dir = \"results\"\n[[station]]\nname = \"acids\"\nwatch = \"exports\"\nmethod = \"m.toml\"\n";

fn read(text: &str) -> Result<Config, FileError> {
    parse(text, Path::new("/lab/c.toml"))
}

/// The message for the good file with lines added at its end.
fn added(lines: &str) -> String {
    wrong(&format!("{GOOD}{lines}\n"))
}

/// The message for the good file with one line replaced.
fn instead(line: &str, other: &str) -> String {
    assert!(GOOD.contains(line), "{line}");
    wrong(&GOOD.replace(line, other))
}

fn wrong(text: &str) -> String {
    match read(text) {
        Ok(_) => "no error".to_owned(),
        Err(e) => e.to_string(),
    }
}

#[test]
fn what_is_left_out_takes_its_default() {
    let config = read(GOOD).unwrap();
    assert_eq!(config.state_dir, PathBuf::from("/lab/state"));
    assert_eq!(config.results_dir, PathBuf::from("/lab/results"));
    assert_eq!(config.stations.len(), 1);
    let station = &config.stations[0];
    assert_eq!(
        (station.name.as_str(), &station.watch),
        ("acids", &PathBuf::from("/lab/exports"))
    );
    assert_eq!(station.files, ["*.csv", "*.txt"]);
    assert_eq!((station.settle_s, station.poll_s), (3.0, None));
    assert_eq!(
        (
            &station.run_list,
            &station.calibration,
            &station.name_pattern
        ),
        (&None, &None, &None)
    );
    assert_eq!(station.method, PathBuf::from("/lab/m.toml"));
    assert_eq!(
        (&station.trace, &station.pressure),
        (&Settings::default(), &None)
    );
    assert_eq!(
        (config.alert.remind_min, config.alert.summary_at),
        (60.0, None)
    );
    assert_eq!((config.alert.email, config.alert.heartbeat), (None, None));
}

/// Every line of the sample that shows an optional key, taken into use.
fn in_use(sample: &str) -> String {
    let line = |l: &str| match l.strip_prefix('#') {
        Some(rest) if !rest.starts_with(' ') => rest.to_owned(),
        _ => l.to_owned(),
    };
    sample.lines().map(|l| line(l) + "\n").collect()
}

#[test]
fn the_sample_loads_as_it_is_and_with_every_key_in_use() {
    let plain = read(SAMPLE).unwrap();
    assert_eq!(plain.alert.email, None);
    let full = read(&in_use(SAMPLE)).unwrap();
    let station = &full.stations[0];
    assert_eq!(station.poll_s, Some(10.0));
    assert_eq!(
        station.run_list.as_deref(),
        Some("/srv/hplc/exports/*.runlist.csv")
    );
    assert_eq!(
        station.calibration,
        Some(PathBuf::from("/lab/calibrations/brine-acids.toml"))
    );
    let trace = Settings {
        delimiter: Some(Delimiter::Comma),
        decimal: Some(b'.'),
        time_unit: Some(TimeUnit::Minutes),
        signal_unit: Some(SignalUnit::MilliAu),
        time_column: Some(1),
        signal_column: Some(2),
        max_bytes: Some(512 * 1024 * 1024),
    };
    assert_eq!(station.trace, trace);
    let log = PathBuf::from("/srv/hplc/exports/pressure.csv");
    assert_eq!(
        station.pressure,
        Some(Pressure {
            file: log,
            unit: Some(crate::pressure::unit::Unit::Mpa)
        })
    );
    assert_eq!(full.alert.summary_at, Some((7, 0)));
    let email = full.alert.email.unwrap();
    let server = &email.servers[0];
    assert_eq!(
        (server.host.as_str(), server.port, server.security),
        ("smtp.lab.example", 587, Security::StartTls)
    );
    assert_eq!((email.to.len(), email.summary_to.len()), (1, 2));
    let alive = PathBuf::from("/srv/hplc/results/alive.txt");
    assert_eq!(
        full.alert.heartbeat,
        Some(Heartbeat {
            file: Some(alive),
            url: Some("https://watch.lab.example/ping/hplc".to_owned()),
            every_s: 60.0
        })
    );
}

#[test]
fn the_sample_shows_every_key() {
    use crate::config::{alert, email, station, webhook};
    let text = in_use(SAMPLE);
    let keys = [
        KEYS,
        station::KEYS,
        station::TRACE_KEYS,
        station::PRESSURE_KEYS,
        alert::KEYS,
        email::KEYS,
        email::SERVER_KEYS,
        alert::HEARTBEAT_KEYS,
        webhook::KEYS,
    ];
    for key in keys.concat() {
        let shown =
            |l: &str| l.starts_with(&format!("{key} =")) || (l.starts_with('[') && l.contains(key));
        assert!(text.lines().any(shown), "{key} is not in the sample");
    }
}

#[test]
fn a_configuration_without_alerts_and_calibration_loads() {
    let text = "state_dir = \"/b.state\"\nresults_dir = \"/b.results\"\n[[station]]\nname = \"bench\"\nwatch = \"/b\"\nfiles = [\"t*.csv\"]\nsettle_s = 0\nrun_list = \"/b/*.runlist.csv\"\nmethod = \"/b/method.toml\"\n";
    let config = read(text).unwrap();
    assert_eq!(config.stations[0].settle_s, 0.0);
    assert_eq!(config.stations[0].files, ["t*.csv"]);
}

#[test]
fn netcdf_names_may_be_watched() {
    let config = read(&format!("{GOOD}files = [\"*.cdf\", \"*.CSV\"]\n")).unwrap();
    assert_eq!(config.stations[0].files, ["*.cdf", "*.CSV"]);
}

#[test]
fn relative_patterns_count_from_the_files_folder_whatever_its_name() {
    let text = format!("{GOOD}run_list = \"./lists/*.csv\"\n");
    let config = parse(&text, Path::new("/lab [2]/c.toml")).unwrap();
    assert_eq!(
        config.stations[0].run_list.as_deref(),
        Some("/lab [[]2[]]/lists/*.csv")
    );
    let glob = globset::Glob::new("/lab [[]2[]]/lists/*.csv")
        .unwrap()
        .compile_matcher();
    assert!(glob.is_match("/lab [2]/lists/week.csv"));
}

#[test]
fn mistakes_in_keys_are_named() {
    assert_eq!(
        instead("watch =", "wach ="),
        "/lab/c.toml:5: unknown key station[1].wach, the nearest known key is watch"
    );
    assert_eq!(
        added("colour = 1"),
        "/lab/c.toml:7: unknown key station[1].colour"
    );
    assert_eq!(
        added("[station.trace]\ndecimel = \".\""),
        "/lab/c.toml:8: unknown key station[1].trace.decimel, the nearest known key is decimal"
    );
    assert_eq!(
        added("[alert]\n[alert.emial]"),
        "/lab/c.toml:8: unknown key alert.emial, the nearest known key is email"
    );
    assert_eq!(
        instead("state_dir = \"state\"\n", ""),
        "/lab/c.toml:1: missing key state_dir, expected the ledger's folder"
    );
    assert_eq!(
        instead("results_dir = \"results\"\n", ""),
        "/lab/c.toml:1: missing key results_dir, expected the results' folder"
    );
    assert_eq!(
        instead("method = \"m.toml\"\n", ""),
        "/lab/c.toml:3: missing key station[1].method, expected the method's file"
    );
    assert_eq!(
        instead("watch = \"exports\"\n", ""),
        "/lab/c.toml:3: missing key station[1].watch, expected the folder that traces are exported to"
    );
    assert_eq!(
        instead("name = \"acids\"\n", ""),
        "/lab/c.toml:3: missing key station[1].name, expected the instrument's name"
    );
    assert_eq!(
        wrong("state_dir = \"s\"\nresults_dir = \"r\"\n"),
        "/lab/c.toml:1: missing key station, expected at least one [[station]]"
    );
    assert_eq!(
        wrong("state_dir = \"s\"\nresults_dir = \"r\"\nstation = []\n"),
        "/lab/c.toml:1: found no station, expected at least one [[station]]"
    );
    assert_eq!(
        wrong("state_dir = \"s\"\nresults_dir = \"r\"\n[station]\n"),
        "/lab/c.toml:3: station: found a table, expected [[station]] in double brackets"
    );
    assert_eq!(
        wrong("state_dir = \"s\"\nresults_dir = \"r\"\nstation = [1]\n"),
        "/lab/c.toml:3: station[1]: found 1, expected a table"
    );
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let e = load(Path::new("/no/such/c.toml")).unwrap_err();
    assert!(
        e.to_string()
            .starts_with("/no/such/c.toml: cannot be read: "),
        "{e}"
    );
}

/// The examples of the manual, keys of every table among them.
#[test]
fn the_longest_example_loads() {
    let text = r#"
state_dir   = "/var/lib/runsitter"      # the ledger; a local disk
results_dir = "/srv/hplc/results"

[[station]]
name        = "acids"
watch       = "/srv/hplc/exports"        # subfolders too
files       = ["*.csv", "*.txt", "*.cdf"]
settle_s    = 3                          # unchanged for so long: whole
poll_s      = 10
run_list    = "/srv/hplc/exports/*.runlist.csv"
method      = "methods/brine-acids.toml"
calibration = "calibrations/brine-acids.toml"

[station.trace]
delimiter   = ","
decimal     = "."
time_unit   = "min"
signal_unit = "mAU"
time_column = 1
signal_column = 2

[station.pressure]
file        = "/srv/hplc/exports/pressure.csv"
unit        = "MPa"

[alert]
remind_min  = 60
summary_at  = "07:00"
[alert.email]
host        = "smtp.lab.example"
port        = 587
security    = "starttls"
user        = "hplc"
password_file = "/etc/runsitter/smtp-password"
from        = "HPLC <hplc@lab.example>"
to          = ["ada@lab.example"]
summary_to  = ["ada@lab.example", "lab@lab.example"]
[alert.heartbeat]
file        = "/srv/hplc/results/alive.txt"
every_s     = 60
"#;
    let config = read(text).unwrap();
    assert_eq!(config.station("acids").map(|s| s.files.len()), Some(3));
}

#[test]
fn deep_nesting_is_refused_and_not_followed() {
    let deep = format!("state_dir = {}\n", "[".repeat(100_000));
    assert!(wrong(&deep).starts_with("/lab/c.toml:1: found "));
    let deep = format!("[{}a]\n", "a.".repeat(100_000));
    assert_eq!(
        wrong(&deep),
        "/lab/c.toml: found text that is not TOML: recursion limit"
    );
}

proptest::proptest! {
    #[test]
    fn no_text_makes_it_panic(extra in "[a-z_]{0,8}( = |\\[\\[|=)[0-9a-z\"\\[\\]{}.,é-]{0,12}") {
        let _ = read(&format!("{GOOD}{extra}\n"));
        let _ = read(&extra);
    }
}
