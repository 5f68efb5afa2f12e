//! `replicates.csv`: how the replicates of each mean scatter, who stands apart, and how fast a series changes.

use super::{DIGITS, Mean, head, means, rates, suspect};
use crate::night::queue::Queue;
use crate::quant::rate::Rate;
use crate::report::cells;

/// The first line.
pub const HEADER: &str = "series,time_h,analyte,unit,n,mean,sd,rsd_percent,outlier,rate_per_h,rate_low_95,rate_high_95\n";

/// The whole file: a row for each of `time-course.csv`, in its order.
pub fn csv(queue: &Queue) -> String {
    let mut out = HEADER.to_owned();
    let all = means(queue);
    for (mean, rate) in all.iter().zip(rates::rates(queue, &all)) {
        row(&mut out, queue, mean, rate);
    }
    out
}

fn row(out: &mut String, queue: &Queue, mean: &Mean, rate: Option<Rate>) {
    if !head(out, queue, mean) {
        return;
    }
    out.push(',');
    cells::fixed(out, mean.rsd_percent(), 2);
    out.push(',');
    cells::text(out, &suspect::words(queue, mean));
    for value in [
        rate.map(|r| r.per_h),
        rate.and_then(|r| r.low_95),
        rate.and_then(|r| r.high_95),
    ] {
        out.push(',');
        cells::significant(out, value, DIGITS);
    }
    out.push(cells::END);
}
