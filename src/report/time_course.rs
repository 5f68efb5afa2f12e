//! `time-course.csv`: replicates brought together; [`replicates`] holds how they scatter and how fast they change.

pub mod rates;
pub mod replicates;
pub mod suspect;

use std::collections::HashMap;
use std::fmt::Write as _;

use super::cells;
use super::left_out;
use crate::night::Verdict;
use crate::night::queue::{Queue, Slot};
use crate::night::replicate::Group;
use crate::quant::describe::{MeanInterval, mean_interval_95};

/// The first line.
pub const HEADER: &str = "series,time_h,analyte,unit,n,mean,sd,low_95,high_95,left_out\n";

/// Digits of the figures.
const DIGITS: usize = 6;

/// One mean: a replicate group and an analyte.
#[derive(Debug, Clone, PartialEq)]
pub struct Mean {
    /// Index of the group in [`Queue::groups`].
    pub group: usize,
    /// Index of the analyte in the method.
    pub analyte: usize,
    /// What could be averaged, with the two-sided 95 % interval of the mean after Student; `None`: nothing.
    pub figures: Option<MeanInterval>,
    /// Only provisional results stand in it.
    pub provisional: bool,
    /// The replicates that do not enter the mean: name, position, reasons; empty: none.
    pub left_out: String,
}

impl Mean {
    /// Relative standard deviation of the replicates, % of the mean; `None` for fewer than two or a mean of zero.
    pub fn rsd_percent(&self) -> Option<f64> {
        let f = self.figures.as_ref()?;
        let rsd = 100.0 * (f.sd? / f.mean.abs());
        rsd.is_finite().then_some(rsd)
    }
}

/// The whole file.
pub fn csv(queue: &Queue) -> String {
    let mut out = HEADER.to_owned();
    for mean in means(queue) {
        row(&mut out, queue, &mean);
    }
    out
}

/// The means of all groups of which something is known, series by first appearance, then by time.
pub fn means(queue: &Queue) -> Vec<Mean> {
    let analytes = queue.method().analytes.len();
    order(queue)
        .into_iter()
        .flat_map(|g| (0..analytes).filter_map(move |a| mean(queue, g, a)))
        .collect()
}

fn order(queue: &Queue) -> Vec<usize> {
    let groups = queue.groups();
    let mut rank: HashMap<&str, usize> = HashMap::new();
    for group in groups {
        let next = rank.len();
        rank.entry(&group.series).or_insert(next);
    }
    let settled = |g: &Group| {
        g.members
            .iter()
            .any(|m| queue.slots().get(*m).is_some_and(Slot::is_settled))
    };
    let mut order: Vec<(usize, &Group)> = groups
        .iter()
        .enumerate()
        .filter(|(_, g)| settled(g))
        .collect();
    // A group without a time stands before the dated ones of its series.
    let time = |g: &Group| g.time_h.unwrap_or(f64::NEG_INFINITY);
    order.sort_by(|(_, a), (_, b)| {
        let place = |g: &Group| rank.get(g.series.as_str()).copied().unwrap_or(usize::MAX);
        place(a).cmp(&place(b)).then(time(a).total_cmp(&time(b)))
    });
    order.into_iter().map(|(k, _)| k).collect()
}

fn mean(queue: &Queue, group: usize, analyte: usize) -> Option<Mean> {
    let averaged = queue.averaged_results(group, analyte);
    let values: Vec<f64> = averaged.iter().filter_map(|s| s.concentration).collect();
    let provisional = averaged
        .first()
        .is_some_and(|s| s.verdict == Verdict::Provisional);
    Some(Mean {
        group,
        analyte,
        figures: mean_interval_95(&values),
        provisional,
        left_out: left_out::words(queue, group, analyte, &averaged),
    })
}

fn row(out: &mut String, queue: &Queue, mean: &Mean) {
    if !head(out, queue, mean) {
        return;
    }
    let f = mean.figures.as_ref();
    for value in [f.and_then(|f| f.low_95), f.and_then(|f| f.high_95)] {
        out.push(',');
        cells::significant(out, value, DIGITS);
    }
    out.push(',');
    cells::text(out, &mean.left_out);
    out.push(cells::END);
}

/// Series, time, analyte, unit, n, mean and SD, as both files begin; false where the mean is of no group.
fn head(out: &mut String, queue: &Queue, mean: &Mean) -> bool {
    let (Some(group), Some(analyte)) = (
        queue.groups().get(mean.group),
        queue.method().analytes.get(mean.analyte),
    ) else {
        return false;
    };
    cells::text(out, &group.series);
    out.push(',');
    cells::plain(out, group.time_h);
    out.push(',');
    cells::text(out, &analyte.name);
    out.push(',');
    cells::text(out, &analyte.unit);
    let f = mean.figures.as_ref();
    let _ = write!(out, ",{}", f.map_or(0, |f| f.n));
    for value in [f.map(|f| f.mean), f.and_then(|f| f.sd)] {
        out.push(',');
        cells::significant(out, value, DIGITS);
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, mid, trace};

    #[test]
    fn what_is_left_out_is_named_with_its_reason() {
        let mut night = Night::new("PsssPsP");
        night
            .group("crock 3", 48.0, &[2, 3, 4])
            .plan(2, |p| p.name = "=crock 3, r1".to_owned());
        night
            .good(1)
            .land(2, trace(&[Some(4.0), Some(30.0)]))
            .land(3, trace(&[Some(4.2), Some(5.0)]))
            .broken(4)
            .good(5)
            .end();
        let text = csv(night.judged());
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3, "{text}");
        // Mean 4.1, s = 0.2/√2, t(0.975; 1) = 12.7062: half-width 12.7062 × 0.1.
        assert!(
            lines[1].starts_with("crock 3,48,lactic acid,mmol/L,2,"),
            "{text}"
        );
        assert!(
            lines[1].ends_with(",sample 4 (position 4): unreadable-trace"),
            "{text}"
        );
        assert!(
            lines[2].starts_with("crock 3,48,acetic acid,mmol/L,1,"),
            "{text}"
        );
        assert!(lines[2].contains(",,,,\"'=crock 3, r1 (position 2): above-range; sample 4 (position 4): unreadable-trace\""), "{text}");
        let mean = &means(night.queue())[0];
        let f = mean.figures.as_ref().unwrap();
        assert!(
            (f.mean - 4.1).abs() < 0.02 && (f.sd.unwrap() - 0.2 / 2f64.sqrt()).abs() < 1e-3,
            "{f:?}"
        );
        assert!(
            (f.high_95.unwrap() - f.mean - 12.7062 * f.sd.unwrap() / 2f64.sqrt()).abs() < 1e-4,
            "{f:?}"
        );
    }

    #[test]
    fn series_stand_in_their_order_and_times_ascend() {
        let mut night = Night::new("PssssP");
        night
            .group("z", 24.0, &[2])
            .group("a", 1.0, &[3])
            .group("z", 2.0, &[4])
            .group("late", 0.0, &[5]);
        night.good(1).good(2).good(3).good(4);
        let text = csv(night.judged());
        let keys: Vec<String> = text
            .lines()
            .skip(1)
            .map(|l| l.split(',').take(2).collect::<Vec<_>>().join(","))
            .collect();
        assert_eq!(
            keys,
            ["z,2", "z,2", "z,24", "z,24", "a,1", "a,1"],
            "a group of which nothing is known has no row"
        );
    }

    #[test]
    fn nothing_to_average_is_a_row_with_n_0() {
        let mut night = Night::new("PsP");
        night
            .group("crock", 0.0, &[2])
            .good(1)
            .good(2)
            .land(3, mid(&[0.5, 1.0]));
        let text = csv(night.judged());
        assert!(
            text.contains(
                "crock,0,lactic acid,mmol/L,0,,,,,sample 2 (position 2): bracket-failed\n"
            ),
            "{text}"
        );
    }

    #[test]
    fn provisional_ones_count_only_where_none_is_accepted() {
        let mut night = Night::new("PsPsP");
        night.group("crock", 0.0, &[2, 4]).good(1).good(2);
        let first = means(night.judged())[0].clone();
        assert!(
            first.provisional && first.figures.as_ref().unwrap().n == 1,
            "{first:?}"
        );
        assert_eq!(first.left_out, "sample 4 (position 4): not in yet");
        night.good(3).good(4);
        let second = means(night.judged())[0].clone();
        assert!(
            !second.provisional && second.figures.as_ref().unwrap().n == 1,
            "{second:?}"
        );
        assert_eq!(second.left_out, "sample 4 (position 4): provisional");
    }
}
