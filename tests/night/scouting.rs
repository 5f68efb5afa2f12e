//! `scout`: what one injection of a pure compound tells the method.

use std::path::Path;

use crate::chromatogram::{LACTIC_MIN, Trace, both, trace};
use crate::lab::{Done, Lab, run};

/// Lays a trace of a compound into the laboratory, outside the watched folder.
fn laid(lab: &Lab, content: &Trace) -> String {
    lab.write("pure malic acid.csv", &content.text("malic"));
    lab.named("pure malic acid.csv")
}

/// Scouts a trace in a folder where there is nothing else.
fn alone(content: &Trace, arguments: &[&str]) -> Done {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pure malic acid.csv");
    std::fs::write(&path, content.text("malic")).unwrap();
    let mut all = vec!["scout", "pure malic acid.csv"];
    all.extend(arguments);
    run(folder.path(), &all)
}

/// A value of the printed entry.
#[track_caller]
fn value(out: &str, key: &str) -> f64 {
    let table: toml::Table = out.parse().unwrap();
    table["analyte"][0][key].as_float().unwrap()
}

/// Why a trace is refused; then nothing else is printed.
#[track_caller]
fn refused(content: &Trace, arguments: &[&str]) -> String {
    let done = alone(content, arguments).ends(1);
    assert!(done.stdout.is_empty(), "{}", done.stdout);
    let begin = "runsitter: pure malic acid.csv: no analyte can be proposed: ";
    assert!(done.stderr.starts_with(begin), "{}", done.stderr);
    assert_eq!(done.stderr.lines().count(), 1, "{}", done.stderr);
    done.stderr[begin.len()..].to_owned()
}

/// Apex, min, and plates of the made peak, from its samples without noise.
fn truth(at_min: f64) -> (f64, f64) {
    let text = trace().peak(at_min, 9000.0).noise(0.0).drift(0.0).text("x");
    let points: Vec<(f64, f64)> = text
        .lines()
        .skip(1)
        .map(|l| l.split_once(',').unwrap())
        .map(|(t, y)| (t.parse().unwrap(), y.parse::<f64>().unwrap() - 1.0))
        .filter(|(t, _): &(f64, f64)| (t - at_min).abs() < 2.0)
        .collect();
    let top = (0..points.len())
        .max_by(|a, b| points[*a].1.total_cmp(&points[*b].1))
        .unwrap();
    // The vertex of the parabola through the three highest.
    let [a, b, c] = [points[top - 1].1, points[top].1, points[top + 1].1];
    let step = points[1].0 - points[0].0;
    let apex = points[top].0 + 0.5 * step * (a - c) / (a - 2.0 * b + c);
    let half = b / 2.0;
    let crossing = |k: usize| {
        let ((t0, y0), (t1, y1)) = (points[k], points[k + 1]);
        t0 + (half - y0) / (y1 - y0) * (t1 - t0)
    };
    let up = (0..top).find(|k| points[k + 1].1 >= half).unwrap();
    let down = (top..).find(|k| points[k + 1].1 <= half).unwrap();
    let width = crossing(down) - crossing(up);
    (apex, 5.54 * (apex / width).powi(2))
}

#[test]
fn a_pure_compound_becomes_an_entry() {
    for at_min in [9.43, 12.9, 18.2] {
        let done = alone(&trace().peak(at_min, 900.0), &[]).ends(0);
        let (apex, plates) = truth(at_min);
        let found = value(&done.stdout, "retention_min");
        assert!((found - apex).abs() < 0.01, "{apex}\n{}", done.stdout);
        let told = done.stdout.split("plates      about ").nth(1).unwrap();
        let told: f64 = told.split(' ').next().unwrap().parse().unwrap();
        assert!(
            (told / plates - 1.0).abs() < 0.02,
            "{plates}\n{}",
            done.stdout
        );
        assert!((0.2..0.7).contains(&value(&done.stdout, "window_min")));
        assert!(
            done.stdout.contains("name = \"pure malic acid\"\n"),
            "{}",
            done.stdout
        );
        assert!(
            done.stdout
                .contains("with no method: name one with --against"),
            "{}",
            done.stdout
        );
        assert!(done.stderr.is_empty(), "{}", done.stderr);
    }
}

#[test]
fn every_value_has_its_reason() {
    let done = alone(&trace().peak(11.35, 900.0), &["--name", "malic \"acid\""]).ends(0);
    assert!(
        done.stdout.lines().all(|l| l.chars().count() <= 100),
        "{}",
        done.stdout
    );
    insta::assert_snapshot!(done.stdout);
}

#[test]
fn the_entry_fits_into_the_method() {
    let lab = Lab::new();
    let pure = laid(&lab, &trace().peak(9.43, 900.0));
    // The second one comes from a name that would break TOML where it is not escaped.
    for name in ["malic acid", "2\"-\\methyl]"] {
        let done = lab.run(&["scout", &pure, "--name", name]).ends(0);
        let method = std::fs::read_to_string(lab.root().join("method.toml")).unwrap();
        lab.write("method.toml", &format!("{method}\n{}", done.stdout));
        lab.run(&["check"]).ends(0);
        lab.write("method.toml", &method);
    }
    // With the entry in it the method finds the compound where it was.
    let done = lab.run(&["scout", &pure, "--name", "malic acid"]).ends(0);
    let lab = lab.method(|text| format!("{text}\n{}", done.stdout));
    let check = lab.run(&["check", &pure]).ends(0);
    assert!(check.stdout.contains("malic acid: 9.4"), "{}", check.stdout);
    // A method in which it stands already says so.
    let again = lab.run(&["scout", &pure, "--name", "Malic acid"]).ends(0);
    let again = again.stdout.replace("\n#             ", " ");
    assert!(
        again.contains("malic acid stands there already, at 9.43 ± "),
        "{again}"
    );
}

#[test]
fn an_impurity_is_told_and_one_of_like_size_is_refused() {
    let small = alone(&trace().peak(9.43, 900.0).peak(15.0, 90.0), &[]).ends(0);
    let said = small.stdout.replace("\n#             ", " ");
    assert!(
        said.contains("further ones at 6.4") && said.contains("15.0"),
        "{said}"
    );
    let text = refused(&both(8.0), &[]);
    assert!(text.starts_with("2 peaks of like size, at 12.9"), "{text}");
    assert!(
        text.contains("15.2") && text.contains("inject the pure compound alone"),
        "{text}"
    );
    assert!(
        text.contains("an impurity") && text.contains("dead_time_min"),
        "{text}"
    );
}

#[test]
fn what_cannot_be_used_is_refused_with_what_to_do() {
    // The front is the only peak there is: 20 mAU·s against nothing. It is a peak, so it takes a method to refuse it.
    let lab = Lab::new().method(|t| t.replace("run_time_min", "dead_time_min = 6.2\nrun_time_min"));
    let method = lab.named("method.toml");
    let text = refused(&trace(), &["--against", &method]);
    assert!(
        text.starts_with("no peak but 1 peak in the front"),
        "{text}"
    );
    assert!(
        text.contains("from 0.00 to 22.00 min") && text.contains("too weak"),
        "{text}"
    );
    let weak = refused(
        &trace().peak(12.9, 1.2).noise(0.004),
        &["--against", &method],
    );
    assert!(
        weak.contains("signal-to-noise ratio of") && weak.contains("stronger"),
        "{weak}"
    );
    let cut = refused(&trace().peak(12.9, 9000.0).ceiling(150.0), &[]);
    assert!(
        cut.starts_with("the peak at 12.8") && cut.contains("flat top"),
        "{cut}"
    );
    assert!(cut.contains("dilute the solution tenfold"), "{cut}");
    let air = refused(&trace().peak(12.9, 900.0).air(30), &[]);
    assert!(
        air.starts_with("air in the lines: ") && air.contains("degas"),
        "{air}"
    );
    let short = refused(&trace().peak(12.9, 900.0).until(13.4), &[]);
    assert!(
        short.contains("does not hold the whole peak at 12.9"),
        "{short}"
    );
}

#[test]
fn the_detectors_own_ceiling_is_known_from_the_method() {
    let lab =
        Lab::new().method(|t| t.replace("run_time_min", "detector_max_mau = 30\nrun_time_min"));
    let method = lab.named("method.toml");
    let strong = trace().peak(9.43, 900.0);
    let text = refused(&strong, &["--against", &method]);
    assert!(text.contains("flat top"), "{text}");
    alone(&strong, &[]).ends(0);
}

#[test]
fn neighbours_are_warned_of() {
    let lab = Lab::new();
    let method = lab.named("method.toml");
    let against = |at_min: f64| {
        let done = alone(&trace().peak(at_min, 900.0), &["--against", &method]).ends(0);
        // What a person sees on the terminal stands in the comments as well.
        for line in done.stderr.lines() {
            let warning = line.strip_prefix("runsitter: warning: ").unwrap();
            let out = done.stdout.replace("\n#             ", " ");
            assert!(
                out.contains(&format!("# WARNING     {warning}\n")),
                "{line}\n{out}"
            );
        }
        done
    };
    assert!(against(14.05).stderr.is_empty());
    let near = against(LACTIC_MIN + 0.7);
    assert!(
        near.stderr
            .contains("overlaps lactic acid (12.90 min): expected resolution 1."),
        "{}",
        near.stderr
    );
    assert!(!near.stderr.contains("acetic"), "{}", near.stderr);
    assert!(value(&near.stdout, "window_min") < 0.35);
    let inside = against(LACTIC_MIN + 0.2);
    assert!(
        inside
            .stderr
            .contains("13.10 min lies inside the window of lactic acid (12.90 ± 0.40 min)"),
        "{}",
        inside.stderr
    );
    // The method is never silently the wrong one.
    assert!(
        near.stdout.contains("method.toml, 2 other analytes"),
        "{}",
        near.stdout
    );
}

#[test]
fn the_stations_method_is_taken_where_there_is_one() {
    let lab = Lab::new();
    let pure = laid(&lab, &trace().peak(13.1, 900.0));
    let done = lab.run(&["scout", &pure]).ends(0);
    assert!(
        done.stderr.contains("inside the window of lactic acid"),
        "{}",
        done.stderr
    );
    // The first analyte is scouted before there is a method.
    std::fs::remove_file(lab.root().join("method.toml")).unwrap();
    let done = lab.run(&["scout", &pure]).ends(0);
    let said = done.stdout.replace("\n#             ", " ");
    assert!(
        said.contains("with no method (") && said.contains("method.toml"),
        "{said}"
    );
    // One that is named must be there.
    lab.run(&["scout", &pure, "--against", &lab.named("method.toml")])
        .ends(2);
}

#[test]
fn mistakes_have_their_exit_codes() {
    let folder = tempfile::tempdir().unwrap();
    let scout = |arguments: &[&str]| {
        let all: Vec<&str> = ["scout"].iter().chain(arguments).copied().collect();
        run(folder.path(), &all)
    };
    std::fs::write(folder.path().join("letter.txt"), "dear all,\n").unwrap();
    let done = scout(&["letter.txt"]).ends(3);
    assert!(
        done.stderr.contains("letter.txt") && done.stdout.is_empty(),
        "{done:?}"
    );
    scout(&["nowhere.csv"]).ends(3);
    scout(&[]).ends(2);
    std::fs::write(folder.path().join("a.csv"), both(8.0).text("a")).unwrap();
    for name in ["", "  ", "a\nb", &"x".repeat(101)] {
        let done = scout(&["a.csv", "--name", name]).ends(2);
        assert!(done.stderr.contains("--name"), "{}", done.stderr);
    }
    scout(&["a.csv", "--station", "acids"]).ends(2);
}

/// Real data: one large peak of a published log, small ones before it, in two forms of text.
#[test]
fn a_measured_run_with_one_large_peak() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let one = data.join("lc-unit-log-one-peak");
    for file in ["trace.csv", "unit_log.txt"] {
        let path = one.join(file);
        let done = run(&data, &["scout", &path.to_string_lossy()]).ends(0);
        assert!(
            (value(&done.stdout, "retention_min") - 498.4 / 60.0).abs() < 0.01,
            "{}",
            done.stdout
        );
        let told = done.stdout.split("plates      about ").nth(1).unwrap();
        let told: f64 = told.split(' ').next().unwrap().parse().unwrap();
        assert!((told / 6300.0 - 1.0).abs() < 0.05, "{}", done.stdout);
    }
    // Nine peaks are nobody's pure compound.
    let nine = data.join("lc-isocratic-160hz/trace.csv");
    let done = run(&data, &["scout", &nine.to_string_lossy()]).ends(1);
    assert!(
        done.stderr.contains("9 peaks of like size, at 1.51 min"),
        "{}",
        done.stderr
    );
}
