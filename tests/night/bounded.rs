//! Files that are too long, too wide, or no text: the night goes on, and memory stays within a bound that is said here.

use std::fs;

use crate::chromatogram::both;
use crate::lab::{Lab, date};
use crate::peak;
use crate::runlist::{sample, standard};

const MB: usize = 1_000_000;

fn lab() -> Lab {
    let lab = Lab::new();
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-03", &both(5.0));
    lab
}

/// Lays the bytes where the sample's trace is due, lets the program work, and holds its memory against the bound, MiB.
/// The sample is to be injected again, and the standards beside it stand.
#[track_caller]
fn unreadable(what: &str, bytes: &[u8], bound: f64) {
    let lab = lab();
    let path = lab.exports().join("crocks-02.csv");
    fs::write(&path, bytes).unwrap();
    date(&path, 2);
    let (done, mib) = peak::run(&lab, &["process", &lab.named("exports")]);
    done.ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(2), "rerun unreadable-trace", "{what}");
    assert_eq!(
        (sheet.verdict(1), sheet.verdict(3)),
        ("accepted".to_owned(), "accepted".to_owned())
    );
    let alerts = lab.alerts("crocks");
    let message = alerts.check("unreadable-trace")[0].text("message");
    assert!(message.len() < 1000, "{what}: {message}");
    peak::within(what, mib, bound);
}

#[test]
fn a_line_of_200_mb_takes_its_own_size_and_little_more() {
    unreadable("200 MB of one letter", &vec![b'x'; 200 * MB], 260.0);
    unreadable("200 MB of one digit", &vec![b'7'; 200 * MB], 260.0);
}

#[test]
fn a_hundred_million_columns_are_no_table() {
    unreadable(
        "100 million columns in 200 MB",
        &b"1,".repeat(100 * MB),
        260.0,
    );
}

#[test]
fn ten_million_columns_in_two_rows_are_no_table() {
    let row = [b"1;".repeat(10 * MB), b"\n".to_vec()].concat();
    unreadable("10 million columns, twice", &row.repeat(2), 80.0);
}

#[test]
fn binary_bytes_and_zeros_are_no_trace() {
    let mut word = 1_u64;
    let noise: Vec<u8> = (0..8 * MB)
        .map(|_| {
            word = word.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (word >> 56) as u8
        })
        .collect();
    unreadable("8 MB of noise", &noise, 64.0);
    unreadable("8 MB of zeros", &vec![0; 8 * MB], 64.0);
    let text = both(3.0).text("crocks-02").replacen(',', ",\0", 400);
    unreadable("zeros among the numbers", text.as_bytes(), 64.0);
}

#[test]
fn what_holds_no_chromatogram_is_no_trace() {
    unreadable("nothing", b"", 64.0);
    unreadable("one point", b"time,signal\n0.0,1.0\n", 64.0);
    unreadable("one point without a header", b"0.0,1.0", 64.0);
    let not_finite: String = (0..5281)
        .map(|k| {
            format!(
                "{:.5},{}\n",
                f64::from(k) / 240.0,
                ["NaN", "inf", "-inf"][k as usize % 3]
            )
        })
        .collect();
    unreadable("nothing finite", not_finite.as_bytes(), 64.0);
}

#[test]
fn numbers_at_the_end_of_the_scale_give_finite_results_or_none() {
    for (what, number) in [
        ("1e308", "1e308"),
        ("-1e308", "-1e308"),
        ("NaN", "NaN"),
        ("inf", "inf"),
        ("1e999", "1e999"),
    ] {
        let lab = lab();
        let text = both(3.0).text("crocks-02");
        // In the middle of the first acid's peak.
        let strange: String = text
            .lines()
            .map(|line| match line.split_once(',') {
                Some((time, _)) if time.starts_with("12.9") => format!("{time},{number}\n"),
                _ => format!("{line}\n"),
            })
            .collect();
        assert_ne!(strange.trim_end(), text.trim_end());
        lab.export_as("exports/crocks-02.csv", &strange);
        let (done, mib) = peak::run(&lab, &["process", &lab.named("exports")]);
        assert!(done.code <= 1, "{what}: {}", done.text());
        for row in &lab.sheet("crocks").rows {
            for column in [
                "area_mau_s",
                "height_mau",
                "signal_to_noise",
                "measured",
                "concentration",
                "low_95",
                "high_95",
            ] {
                let text = row.text(column);
                let fine = text.is_empty() || text.parse::<f64>().is_ok_and(f64::is_finite);
                assert!(fine, "{what}: {column} {text}");
            }
        }
        let lactic = lab.sheet("crocks").row(2, "lactic acid").judgement();
        assert!(lactic != "accepted", "{what}");
        assert_eq!(lab.sheet("crocks").verdict(3), "accepted", "{what}");
        peak::within(what, mib, 64.0);
    }
}

#[test]
fn a_run_list_of_200_mb_is_read_no_further_than_its_limit() {
    let lab = lab();
    let path = lab.exports().join("long.runlist.csv");
    fs::write(
        &path,
        b"kind,file\n"
            .iter()
            .chain(&vec![b'x'; 200 * MB])
            .copied()
            .collect::<Vec<u8>>(),
    )
    .unwrap();
    date(&path, 0);
    lab.export("crocks-02", &both(3.0));
    let (done, mib) = peak::run(&lab, &["process", &lab.named("exports")]);
    done.ends(1);
    assert_eq!(lab.sheet("crocks").verdict(2), "accepted");
    let words = |m: &String| m.split_whitespace().collect::<Vec<_>>().join(" ");
    let told: Vec<String> = lab.messages().values().map(words).collect();
    assert!(
        told.iter().any(|m| m.contains("found more than 64 MB")),
        "{told:?}"
    );
    peak::within("a run list of 200 MB", mib, 110.0);
    let (done, mib) = peak::run(&lab, &["check"]);
    assert!(
        done.text().contains("found more than 64 MB"),
        "{}",
        done.text()
    );
    peak::within("check on a run list of 200 MB", mib, 110.0);
}

#[test]
fn what_people_write_is_read_no_further_than_its_limit() {
    let long = "x".repeat(200 * MB);
    let lab = Lab::new();
    let sheet = lab.write("samples.csv", &format!("name\n{long}"));
    let (done, mib) = peak::run(&lab, &["plan", &sheet.to_string_lossy()]);
    done.ends(2);
    peak::within("a sample sheet of 200 MB", mib, 110.0);
    for name in ["method.toml", "calibration.toml", "runsitter.toml"] {
        let lab = Lab::new();
        lab.write(name, &long);
        // It ends too soon for its memory to be seen.
        let said = lab.run(&["check"]).ends(2).text();
        assert!(
            said.contains(name) && said.contains("found more than"),
            "{said}"
        );
    }
}

#[test]
fn a_pressure_log_of_one_long_line_is_read_in_pieces() {
    let lab = lab().section("[station.pressure]\nfile = \"pressure.csv\"\nunit = \"MPa\"\n");
    lab.export("crocks-02", &both(3.0));
    for (what, unit) in [("letters", "x"), ("digits", "7"), ("columns", "1,")] {
        lab.write("pressure.csv", &unit.repeat(200 * MB / unit.len()));
        let (done, mib) = peak::run(&lab, &["process", &lab.named("exports")]);
        assert!(done.code <= 1, "{}", done.text());
        assert_eq!(lab.sheet("crocks").verdict(2), "accepted");
        peak::within(&format!("a pressure log of 200 MB, {what}"), mib, 64.0);
    }
}
