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
            unit: "MPa".to_owned()
        })
    );
    assert_eq!(full.alert.summary_at, Some((7, 0)));
    let email = full.alert.email.unwrap();
    assert_eq!(
        (email.host.as_str(), email.port, email.security),
        ("smtp.lab.example", 587, Security::StartTls)
    );
    assert_eq!((email.to.len(), email.summary_to.len()), (1, 2));
    let alive = PathBuf::from("/srv/hplc/results/alive.txt");
    assert_eq!(
        full.alert.heartbeat,
        Some(Heartbeat {
            file: alive,
            every_s: 60.0
        })
    );
}

#[test]
fn the_sample_shows_every_key() {
    use crate::config::{alert, station};
    let text = in_use(SAMPLE);
    let keys = [
        KEYS,
        station::KEYS,
        station::TRACE_KEYS,
        station::PRESSURE_KEYS,
        alert::KEYS,
        alert::EMAIL_KEYS,
        alert::HEARTBEAT_KEYS,
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
fn mistakes_in_station_values_are_named() {
    let line = "/lab/c.toml:7: station[1].";
    assert_eq!(
        added("settle_s = \"three\""),
        format!("{line}settle_s: found \"three\", expected a number from 0 to 3600 s")
    );
    assert_eq!(
        added("settle_s = -1"),
        format!("{line}settle_s: found -1, expected a number from 0 to 3600 s")
    );
    assert_eq!(
        added("settle_s = nan"),
        format!("{line}settle_s: found nan, expected a number from 0 to 3600 s")
    );
    assert_eq!(
        added("settle_s = inf"),
        format!("{line}settle_s: found inf, expected a number from 0 to 3600 s")
    );
    assert_eq!(
        added("poll_s = 0"),
        format!("{line}poll_s: found 0, expected a number from 0.1 to 3600 s")
    );
    assert_eq!(
        added("files = \"*.csv\""),
        format!("{line}files: found \"*.csv\", expected a list of file name patterns")
    );
    assert_eq!(
        added("files = []"),
        format!("{line}files: found an empty list, expected at least one file name pattern")
    );
    assert_eq!(
        added("files = [\"*.csv\", 3]"),
        format!("{line}files[2]: found 3, expected a file name, with * where names differ")
    );
    assert_eq!(
        added("files = [\"a/*.csv\"]"),
        format!(
            "{line}files[1]: found \"a/*.csv\", expected a pattern for the file's name alone, without folders"
        )
    );
    assert_eq!(
        added("files = [\"[a.csv\"]"),
        format!(
            "{line}files[1]: found \"[a.csv\", expected a pattern that can be read (unclosed character class; missing ']')"
        )
    );
    assert_eq!(
        added("run_list = 3"),
        format!("{line}run_list: found 3, expected a path, with * where names differ")
    );
    assert_eq!(
        added("calibration = \"\""),
        format!(
            "{line}calibration: found \"\", expected a file, not empty and without blanks at its ends"
        )
    );
    assert_eq!(
        added("calibration = \"a\\nb\""),
        format!("{line}calibration: found \"a\\u{{a}}b\", expected a file, on a single line")
    );
    assert_eq!(
        added("name_pattern = \"{nmae}\""),
        format!(
            "{line}name_pattern: found the placeholder \"nmae\", expected a known one; the nearest is \"name\""
        )
    );
    assert_eq!(
        added("calibration = 1979-05-27"),
        format!("{line}calibration: found 1979-05-27, expected a file")
    );
}

#[test]
fn station_names_must_serve_as_folders() {
    let expected =
        "expected a name that can be a folder's: no / \\ < > : \" | ? * and no dot at its end";
    for name in [".", "..", "a/b", "a.", "a:b"] {
        assert_eq!(
            instead("\"acids\"", &format!("\"{name}\"")),
            format!("/lab/c.toml:4: station[1].name: found \"{name}\", {expected}")
        );
    }
    assert_eq!(
        instead("\"acids\"", "'a\\b'"),
        format!("/lab/c.toml:4: station[1].name: found \"a\\b\", {expected}")
    );
    let long = "a".repeat(101);
    assert_eq!(
        instead("\"acids\"", &format!("\"{long}\"")),
        format!(
            "/lab/c.toml:4: station[1].name: found \"{}…\", expected a name of at most 100 bytes",
            "a".repeat(60)
        )
    );
    let control = instead("\"acids\"", "\"a\\u0007b\"");
    assert_eq!(
        control,
        "/lab/c.toml:4: station[1].name: found \"a\\u{7}b\", expected a station's name, on a single line"
    );
}

#[test]
fn stations_do_not_share_names_or_folders() {
    let second = |name: &str, watch: &str| {
        added(&format!(
            "[[station]]\nname = \"{name}\"\nwatch = \"{watch}\"\nmethod = \"m.toml\""
        ))
    };
    assert_eq!(second("sugars", "other"), "no error");
    assert_eq!(
        second("ACIDS", "other"),
        "/lab/c.toml:8: station[2].name: found \"ACIDS\", expected a name that no other station has"
    );
    assert_eq!(
        second("sugars", "./exports"),
        "/lab/c.toml:9: station[2].watch: found \"./exports\", expected a folder other than that of station \"acids\""
    );
    let outside = "expected a folder outside the one that station \"acids\" watches";
    assert_eq!(
        instead("\"results\"", "\"exports/results\""),
        format!("/lab/c.toml:2: results_dir: found \"exports/results\", {outside}")
    );
    assert_eq!(
        instead("\"state\"", "\"exports\""),
        format!("/lab/c.toml:1: state_dir: found \"exports\", {outside}")
    );
}

#[test]
fn mistakes_in_trace_and_pressure_tables_are_named() {
    let trace = |line: &str| added(&format!("[station.trace]\n{line}"));
    let line = "/lab/c.toml:8: station[1].trace.";
    assert_eq!(
        trace("delimiter = \"comma\""),
        format!("{line}delimiter: found \"comma\", expected \",\", \";\", \"tab\" or \"space\"")
    );
    assert_eq!(
        trace("decimal = \";\""),
        format!("{line}decimal: found \";\", expected \".\" or \",\"")
    );
    assert_eq!(
        trace("time_unit = \"h\""),
        format!("{line}time_unit: found \"h\", expected \"s\" or \"min\"")
    );
    assert_eq!(
        trace("signal_unit = \"mau\""),
        format!(
            "{line}signal_unit: found \"mau\", expected \"uAU\", \"mAU\", \"AU\", \"nRIU\", \"uV\" or \"mV\""
        )
    );
    assert_eq!(
        trace("time_column = 0"),
        format!("{line}time_column: found 0, expected a whole number from 1 to 10000")
    );
    assert_eq!(
        trace("signal_column = 1.5"),
        format!("{line}signal_column: found 1.5, expected a whole number from 1 to 10000")
    );
    assert_eq!(
        trace("max_mb = 0"),
        format!("{line}max_mb: found 0, expected a whole number from 1 to 16384")
    );
    assert_eq!(
        trace("delimiter = \",\"\ndecimal = \",\""),
        "/lab/c.toml:7: station[1].trace: found \",\" as delimiter and as decimal, expected two different signs"
    );
    assert_eq!(
        trace("time_column = 2\nsignal_column = 2"),
        "/lab/c.toml:7: station[1].trace: found one column for time and signal, expected two different ones"
    );
    assert_eq!(
        added("trace = 3"),
        "/lab/c.toml:7: station[1].trace: found 3, expected a table"
    );
    assert_eq!(
        added("[station.pressure]\nunit = \"MPa\""),
        "/lab/c.toml:7: missing key station[1].pressure.file, expected the pressure log"
    );
    assert_eq!(
        added("[station.pressure]\nfile = \"p.csv\""),
        "/lab/c.toml:7: missing key station[1].pressure.unit, expected the pressure's unit"
    );
    assert_eq!(
        added("[station.pressure]\nfile = \"p.csv\"\nunit = \"Mpa\""),
        "/lab/c.toml:9: station[1].pressure.unit: found \"Mpa\", expected \"MPa\", \"bar\", \"psi\" or \"kPa\""
    );
}

#[test]
fn mistakes_in_the_alert_table_are_named() {
    let alert = |line: &str| added(&format!("[alert]\n{line}"));
    assert_eq!(
        alert("remind_min = 0"),
        "/lab/c.toml:8: alert.remind_min: found 0, expected a number from 1 to 10080 min"
    );
    for time in ["7:00", "24:00", "07:60", "0700", "+7:00", "07:00:00"] {
        let expected = format!(
            "/lab/c.toml:8: alert.summary_at: found \"{time}\", expected a time of day from \"00:00\" to \"23:59\""
        );
        assert_eq!(alert(&format!("summary_at = \"{time}\"")), expected);
    }
    assert_eq!(
        alert("summary_at = 07:00:00"),
        "/lab/c.toml:8: alert.summary_at: found 07:00:00, expected a time of day from \"00:00\" to \"23:59\""
    );
    assert_eq!(
        added("[alert.heartbeat]\nevery_s = 60"),
        "/lab/c.toml:7: missing key alert.heartbeat.file, expected the file that shows life"
    );
    assert_eq!(
        added("[alert.heartbeat]\nfile = \"a\"\nevery_s = 0"),
        "/lab/c.toml:9: alert.heartbeat.every_s: found 0, expected a number from 1 to 86400 s"
    );
}

#[test]
fn mistakes_in_the_mail_table_are_named() {
    const MAIL: &str = "[alert.email]\nhost = \"mail.lab.example\"\nfrom = \"a@lab.example\"\nto = [\"b@lab.example\"]";
    let mail = |more: &str| added(&format!("{MAIL}\n{more}"));
    let other = |line: &str, with: &str| added(&MAIL.replace(line, with));
    let expected = "expected an e-mail address like \"Lab <lab@example.org>\"";
    assert_eq!(mail(""), "no error");
    assert_eq!(
        other("\"mail.lab.example\"", "\"mail lab\""),
        "/lab/c.toml:8: alert.email.host: found \"mail lab\", expected a host name without blanks"
    );
    assert_eq!(
        mail("port = 0"),
        "/lab/c.toml:11: alert.email.port: found 0, expected a whole number from 1 to 65535"
    );
    assert_eq!(
        mail("port = 65536"),
        "/lab/c.toml:11: alert.email.port: found 65536, expected a whole number from 1 to 65535"
    );
    assert_eq!(
        mail("security = \"ssl\""),
        "/lab/c.toml:11: alert.email.security: found \"ssl\", expected \"starttls\", \"tls\" or \"none\""
    );
    assert_eq!(
        mail("security = \"none\""),
        "/lab/c.toml:11: alert.email.security: found \"none\", expected \"starttls\" or \"tls\": \"none\" is only for a server on this machine (localhost)"
    );
    assert_eq!(
        mail("user = \"hplc\""),
        "/lab/c.toml:7: alert.email: found only one of user and password_file, expected both or neither"
    );
    assert_eq!(
        other("a@lab.example", "a at lab"),
        format!("/lab/c.toml:9: alert.email.from: found \"a at lab\", {expected}")
    );
    assert_eq!(
        other("[\"b@lab.example\"]", "[\"b@lab.example\", \"c\"]"),
        format!("/lab/c.toml:10: alert.email.to[2]: found \"c\", {expected}")
    );
    assert_eq!(
        other("b@lab.example", "b@lab.example\\nbcc: c@d.example"),
        format!(
            "/lab/c.toml:10: alert.email.to[1]: found \"b@lab.example\\u{{a}}bcc: c@d.example\", {expected}, on a single line"
        )
    );
    assert_eq!(
        other("[\"b@lab.example\"]", "[]"),
        "/lab/c.toml:10: alert.email.to: found 0 addresses, expected 1 to 50"
    );
    assert_eq!(
        other("[\"b@lab.example\"]", "\"b@lab.example\""),
        "/lab/c.toml:10: alert.email.to: found \"b@lab.example\", expected a list of e-mail addresses"
    );
}

#[test]
fn mail_to_this_machine_may_be_plain() {
    for (host, plain) in [
        ("localhost", true),
        ("127.0.0.1", true),
        ("[::1]", true),
        ("::1", true),
        ("127.evil.example", false),
        ("10.0.0.1", false),
    ] {
        let text = format!(
            "{GOOD}[alert.email]\nhost = \"{host}\"\nsecurity = \"none\"\nfrom = \"a@b.example\"\nto = [\"a@b.example\"]\n"
        );
        assert_eq!(read(&text).is_ok(), plain, "{host}");
    }
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
