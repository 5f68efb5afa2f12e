//! Means over time, how fast they change, and the replicates that stand apart.

use super::{LONGEST_LIST, WIDTH, more};
use crate::night::queue::Queue;
use crate::quant::rate::Rate;
use crate::report::left_out::place_of;
use crate::report::time_course::rates::{Slope, rates, slopes};
use crate::report::time_course::{Mean, means, suspect};
use crate::report::words::{cut, table, wrap};
use crate::text::{one_line, significant};

/// Digits of concentrations.
const DIGITS: usize = 4;
/// Digits of rates: replicates do not give more.
const RATE_DIGITS: usize = 3;
/// So many series get a line with their slopes.
const SERIES: usize = 40;

/// Means of replicates.
pub(super) fn write(queue: &Queue) -> String {
    let all = means(queue);
    if all.is_empty() {
        return String::new();
    }
    let rates = rates(queue, &all);
    let rated = rates.iter().any(Option::is_some);
    let rows: Vec<Vec<String>> = all
        .iter()
        .zip(&rates)
        .take(LONGEST_LIST)
        .map(|(m, r)| row(queue, m, r.as_ref()))
        .collect();
    let last = if rated { "change per h" } else { "" };
    let mut out = String::new();
    table(
        &mut out,
        "  ",
        &[
            "series", ">h", "analyte", ">n", ">mean", ">sd", ">rsd %", "95 %", "unit", last,
        ],
        &rows,
        WIDTH,
    );
    more(&mut out, all.len(), LONGEST_LIST, "time-course.csv");
    if rated {
        out.push_str("  Change: since the time before that has a mean; ± half of the 95 % interval (replicates alone).\n");
    }
    whole(&mut out, queue, &slopes(queue, &all));
    apart(&mut out, queue, &all);
    if all.iter().any(|m| !m.left_out.is_empty()) {
        out.push_str("  What is left out, and why, stands in time-course.csv.\n");
    }
    out
}

/// One line. The rate stands in the last column, which is wrapped where the others leave it no room.
fn row(queue: &Queue, m: &Mean, rate: Option<&Rate>) -> Vec<String> {
    let group = queue.groups().get(m.group);
    let analyte = queue.method().analytes.get(m.analyte);
    let f = m.figures.as_ref();
    let number = |x: Option<f64>, digits| x.map(|x| significant(x, digits)).unwrap_or_default();
    let ends = f.and_then(|f| f.low_95.zip(f.high_95));
    let provisional = m.provisional.then(|| "provisional".to_owned());
    let last: Vec<String> = rate.map(change).into_iter().chain(provisional).collect();
    vec![
        group.map(|g| cut(&g.series, 16)).unwrap_or_default(),
        number(group.and_then(|g| g.time_h), DIGITS),
        analyte.map(|a| cut(&a.name, 13)).unwrap_or_default(),
        f.map_or(0, |f| f.n).to_string(),
        number(f.map(|f| f.mean), DIGITS),
        number(f.and_then(|f| f.sd), DIGITS),
        number(m.rsd_percent(), 2),
        ends.map(|(l, h)| format!("{} to {}", significant(l, DIGITS), significant(h, DIGITS)))
            .unwrap_or_default(),
        analyte.map(|a| cut(&a.unit, 7)).unwrap_or_default(),
        last.join(", "),
    ]
}

/// `0.31 ± 0.09`.
fn change(rate: &Rate) -> String {
    let per_h = significant(rate.per_h, RATE_DIGITS);
    match rate.high_95 {
        Some(high) => format!("{per_h} ± {}", significant(high - rate.per_h, 2)),
        None => per_h,
    }
}

/// One line for each series: the slope of its whole course, for each analyte.
fn whole(out: &mut String, queue: &Queue, slopes: &[Slope]) {
    let series = |s: &Slope| queue.groups().get(s.group).map(|g| g.series.as_str());
    let mut lines = 0;
    let mut rest = slopes;
    while let Some(first) = rest.first() {
        let same = rest.iter().take_while(|s| series(s) == series(first));
        let (these, further) = rest.split_at_checked(same.count()).unwrap_or((rest, &[]));
        rest = further;
        lines += 1;
        if lines > SERIES {
            continue;
        }
        let parts: Vec<String> = these.iter().map(|s| slope(queue, s)).collect();
        let name = cut(series(first).unwrap_or_default(), 30);
        let text = format!("{name}, slope of the whole: {}", parts.join("; "));
        wrap(out, "  ", &text, WIDTH);
    }
    more(out, lines, SERIES, "time-course.csv");
    if lines > 0 {
        out.push_str("  Slope: the median of those between all pairs of times (Theil and Sen).\n");
    }
}

/// `lactic acid 0.31 mmol/L per h (0 to 48 h)`.
fn slope(queue: &Queue, slope: &Slope) -> String {
    let analyte = queue.method().analytes.get(slope.analyte);
    let [from, to] = slope.over_h;
    format!(
        "{} {} {} per h ({} to {} h)",
        analyte.map(|a| one_line(&a.name)).unwrap_or_default(),
        significant(slope.per_h, RATE_DIGITS),
        analyte.map(|a| one_line(&a.unit)).unwrap_or_default(),
        significant(from, DIGITS),
        significant(to, DIGITS)
    )
}

/// The replicates that Grubbs' test names.
fn apart(out: &mut String, queue: &Queue, all: &[Mean]) {
    let named: Vec<String> = all
        .iter()
        .filter_map(|m| {
            let standing = suspect::suspect(queue, m)?;
            let analyte = queue.method().analytes.get(m.analyte)?;
            let place = place_of(queue, standing);
            Some(format!(
                "{} at {}",
                one_line(&analyte.name),
                place.trim_start_matches("position ")
            ))
        })
        .collect();
    if named.is_empty() {
        return;
    }
    let more = if named.len() > SERIES {
        format!(" and {} more", named.len() - SERIES)
    } else {
        String::new()
    };
    let shown: Vec<&str> = named.iter().take(SERIES).map(String::as_str).collect();
    let text = format!(
        "Stands apart from its replicates (Grubbs' test, 5 %): {}{more}. It is in the mean nevertheless: the test names one \
good group in twenty. Look for a cause before leaving anything out.",
        shown.join(", ")
    );
    wrap(out, "  ", &text, WIDTH);
}
