//! One crock at three times, three replicates each: scatter, rate of change, and the replicate that stands apart.

use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::runlist::{crock, standard};
use crate::table::{Cells, Table};

/// Lactic acid of the replicates at each time, h and mmol/L; acetic acid is 2 mmol/L.
fn course(times: &[(u32, [f64; 3])]) -> Lab {
    let lab = Lab::new();
    let mut rows = vec![standard("mid")];
    for (time_h, amounts) in times {
        rows.extend((1..=amounts.len()).map(|n| crock("crock A", *time_h, n as u32)));
    }
    rows.push(standard("mid"));
    lab.list("crocks", &rows);
    lab.export("crocks-01", &both(5.0));
    let all = times.iter().flat_map(|(_, amounts)| amounts);
    let mut last = 1;
    for (k, amount) in (2..).zip(all) {
        lab.export(
            &format!("crocks-{k:02}"),
            &trace().lactic(*amount).acetic(2.0),
        );
        last = k;
    }
    lab.export(&format!("crocks-{:02}", last + 1), &both(5.0));
    lab
}

fn lactic(table: &Table, time_h: &str) -> Cells {
    let mut rows = table.rows.iter();
    let found = rows.find(|r| r.text("analyte") == "lactic acid" && r.text("time_h") == time_h);
    found.expect("a row for lactic acid").clone()
}

#[test]
fn three_times_have_rates_with_intervals() {
    let lab = course(&[
        (0, [4.0, 4.2, 4.4]),
        (24, [8.8, 9.0, 9.2]),
        (48, [16.0, 16.2, 16.4]),
    ]);
    lab.process().ends(0);
    let table = lab.replicates("crocks");
    let first = lactic(&table, "0");
    assert!(first.is_empty("rate_per_h") && first.is_empty("rate_low_95"));
    first.close("rsd_percent", 100.0 * 0.2 / 4.2, 5.0);
    let second = lactic(&table, "24");
    second.close("rate_per_h", 0.2, 2.0);
    // s = 0.2, n = 3 in both: ν = 4, t = 2.7764, half-width 2.7764 × 0.2 √(2/3) / 24 h.
    let half = 2.776_445 * 0.2 * (2.0_f64 / 3.0).sqrt() / 24.0;
    second.close("rate_low_95", second.number("rate_per_h") - half, 1.0);
    second.close("rate_high_95", second.number("rate_per_h") + half, 1.0);
    lactic(&table, "48").close("rate_per_h", 0.3, 2.0);
    assert!(table.rows.iter().all(|r| r.is_empty("outlier")));
    let summary = lab.summary("crocks");
    assert!(summary.contains("change per h"), "{summary}");
    assert!(
        summary.contains("crock A, slope of the whole: lactic acid 0.25 mmol/L per h (0 to 48 h)"),
        "{summary}"
    );
}

#[test]
fn two_times_have_none() {
    let lab = course(&[(0, [4.0, 4.2, 4.4]), (24, [8.8, 9.0, 9.2])]);
    lab.process().ends(0);
    let table = lab.replicates("crocks");
    assert!(table.rows.iter().all(|r| r.is_empty("rate_per_h")));
    assert!(!lab.summary("crocks").contains("change per h"));
}

#[test]
fn a_replicate_apart_is_named_and_stays_in_the_mean() {
    let lab = course(&[(24, [8.0, 8.01, 9.5])]);
    lab.process().ends(0);
    let mean = lactic(&lab.time_course("crocks"), "24");
    assert_eq!(mean.text("n"), "3");
    mean.close("mean", 25.51 / 3.0, 0.5);
    assert!(mean.is_empty("left_out"));
    let row = lactic(&lab.replicates("crocks"), "24");
    assert_eq!(
        row.text("outlier"),
        "crock A at 24 h (position 4), Grubbs 5 %"
    );
    // 10.2 %: over the limit of 10 % as well.
    assert_eq!(lab.alerts("crocks").check("replicates").len(), 1);
    let summary = lab.summary("crocks");
    assert!(
        summary.contains("Stands apart from its replicates (Grubbs' test, 5 %): lactic acid at 4."),
        "{summary}"
    );
}

#[test]
fn two_files_have_a_row_for_each_mean() {
    let lab = course(&[(24, [8.0, 8.01, 9.5])]);
    lab.process().ends(0);
    let read = |name: &str| std::fs::read_to_string(lab.results("crocks").join(name)).unwrap();
    let (course, replicates) = (read("time-course.csv"), read("replicates.csv"));
    assert!(
        course.starts_with("series,time_h,analyte,unit,n,mean,sd,low_95,high_95,left_out\n"),
        "{course}"
    );
    assert!(
        replicates.starts_with(
            "series,time_h,analyte,unit,n,mean,sd,rsd_percent,outlier,rate_per_h,rate_low_95,rate_high_95\n"
        ),
        "{replicates}"
    );
    assert_eq!(course.lines().count(), replicates.lines().count());
}
