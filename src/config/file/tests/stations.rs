use super::{added, instead};

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
    let outside = "expected another folder than the one that station \"acids\" watches";
    assert_eq!(instead("\"results\"", "\"exports/results\""), "no error");
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
        added("[station.pressure]\nfile = \"p.csv\"\nunit = \"Mpa\""),
        "/lab/c.toml:9: station[1].pressure.unit: found \"Mpa\", expected \"MPa\", \"bar\", \"psi\" or \"kPa\""
    );
}
