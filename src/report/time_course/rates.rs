//! How fast a series changes: from one time to the next, and as a whole.

use std::collections::HashMap;

use super::Mean;
use crate::night::queue::Queue;
use crate::night::replicate::Group;
use crate::quant::rate::{Rate, rate};
use crate::quant::trend::theil_sen;

/// So many times with a mean make a course; between two there is a difference and no more.
const TIMES: usize = 3;
/// A series with more times than this gets no slope of the whole: the pairs grow with the square.
const MOST_TIMES: usize = 200;

/// A mean with its place on a course.
struct At<'a> {
    /// Index among the means.
    index: usize,
    time_h: f64,
    mean: &'a Mean,
}

/// For each of the means the rate of change since the time before it that has a mean, where its series and analyte have
/// three times with a mean, or more.
pub fn rates(queue: &Queue, means: &[Mean]) -> Vec<Option<Rate>> {
    let mut out = vec![None; means.len()];
    for (_, course) in courses(queue, means) {
        for pair in course.windows(2) {
            let [before, after] = pair else { continue };
            let (Some(a), Some(b)) = (&before.mean.figures, &after.mean.figures) else {
                continue;
            };
            if let Some(place) = out.get_mut(after.index) {
                *place = rate(a, b, after.time_h - before.time_h);
            }
        }
    }
    out
}

/// The slope of a whole series and analyte.
#[derive(Debug, Clone, PartialEq)]
pub struct Slope {
    /// A group of the series: index in [`Queue::groups`].
    pub group: usize,
    /// Index of the analyte in the method.
    pub analyte: usize,
    /// First and last time with a mean, h.
    pub over_h: [f64; 2],
    /// Median of the slopes between all pairs of times (Theil and Sen), analyte's unit per h.
    pub per_h: f64,
}

/// The slopes of all series with three times with a mean, or more; series in the order of the means.
pub fn slopes(queue: &Queue, means: &[Mean]) -> Vec<Slope> {
    let slope = |course: Vec<At>| {
        let (first, last) = (course.first()?, course.last()?);
        let (x, y): (Vec<f64>, Vec<f64>) = course
            .iter()
            .filter_map(|at| Some((at.time_h, at.mean.figures.as_ref()?.mean)))
            .unzip();
        Some(Slope {
            group: first.mean.group,
            analyte: first.mean.analyte,
            over_h: [first.time_h, last.time_h],
            per_h: theil_sen(&x, &y, 0.95)?.slope,
        })
    };
    courses(queue, means)
        .into_iter()
        .filter(|(_, course)| course.len() <= MOST_TIMES)
        .filter_map(|(_, course)| slope(course))
        .collect()
}

/// The means that have a time and a value, by series and analyte in their order; too short ones are left out.
fn courses<'a>(queue: &'a Queue, means: &'a [Mean]) -> Vec<((&'a Group, usize), Vec<At<'a>>)> {
    let mut place: HashMap<(&str, usize), usize> = HashMap::new();
    let mut out: Vec<((&Group, usize), Vec<At>)> = Vec::new();
    for (index, mean) in means.iter().enumerate() {
        let Some(group) = queue.groups().get(mean.group) else {
            continue;
        };
        let (Some(time_h), Some(_)) = (group.time_h, &mean.figures) else {
            continue;
        };
        let next = out.len();
        let k = *place.entry((&group.series, mean.analyte)).or_insert(next);
        if k == next {
            out.push(((group, mean.analyte), Vec::new()));
        }
        if let Some((_, course)) = out.get_mut(k) {
            course.push(At {
                index,
                time_h,
                mean,
            });
        }
    }
    out.retain(|(_, course)| course.len() >= TIMES);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, trace};
    use crate::report::time_course::means;
    use crate::report::time_course::replicates::csv;

    /// Four times of one crock, two replicates each; lactic acid rises by 1 mmol/L in 10 h, acetic acid is lost at 20 h.
    fn night() -> Night {
        let mut night = Night::new("PssssssssP");
        let amounts = [
            (0.0, [4.0, 4.2], Some(2.0)),
            (10.0, [5.0, 5.2], Some(3.0)),
            (20.0, [6.0, 6.2], None),
            (30.0, [7.0, 7.2], Some(9.0)),
        ];
        for (k, (time_h, _, _)) in amounts.iter().enumerate() {
            night.group("crock", *time_h, &[2 + 2 * k, 3 + 2 * k]);
        }
        night.good(1);
        for (k, (_, lactic, acetic)) in amounts.into_iter().enumerate() {
            for (r, l) in lactic.into_iter().enumerate() {
                night.land(2 + 2 * k + r, trace(&[Some(l), acetic]));
            }
        }
        night.good(10).end();
        night
    }

    #[test]
    fn rates_go_from_time_to_time() {
        let mut night = night();
        let queue = night.judged();
        let all = means(queue);
        let found = rates(queue, &all);
        // Two analytes alternate; the first time has no time before it.
        assert_eq!((found[0], found[1]), (None, None));
        for k in [2, 4, 6] {
            let r = found[k].unwrap();
            assert!((r.per_h - 0.1).abs() < 1e-3, "{r:?}");
            // s = 0.2/√2 in both: ν = 2, t = 4.30265, half-width 4.30265 × √0.02 / 10 h.
            let half = 4.302_652_73 * 0.02_f64.sqrt() / 10.0;
            assert!((r.high_95.unwrap() - r.per_h - half).abs() < 1e-3, "{r:?}");
        }
    }

    #[test]
    fn a_time_without_a_mean_is_passed_over() {
        let mut night = night();
        let queue = night.judged();
        let found = rates(queue, &means(queue));
        assert!((found[3].unwrap().per_h - 0.1).abs() < 1e-3);
        assert_eq!(found[5], None, "no mean at 20 h");
        // From 3 at 10 h to 9 at 30 h.
        assert!((found[7].unwrap().per_h - 0.3).abs() < 3e-3);
    }

    #[test]
    fn two_times_are_no_course() {
        let mut night = Night::new("PsssP");
        night
            .group("a", 0.0, &[2])
            .group("a", 24.0, &[3])
            .group("b", 48.0, &[4]);
        (1..=5).for_each(|p| {
            night.good(p);
        });
        let queue = night.end().judged();
        assert!(rates(queue, &means(queue)).iter().all(Option::is_none));
        assert!(slopes(queue, &means(queue)).is_empty());
        assert!(csv(queue).lines().skip(1).all(|l| l.ends_with(",,,,,")));
    }

    #[test]
    fn the_whole_course_has_one_slope() {
        let mut night = night();
        let queue = night.judged();
        let found = slopes(queue, &means(queue));
        assert_eq!(found.len(), 2);
        assert!((found[0].per_h - 0.1).abs() < 1e-3 && found[0].over_h == [0.0, 30.0]);
        // Slopes of the three pairs: 0.1, 0.3 and 7/30.
        assert!((found[1].per_h - 7.0 / 30.0).abs() < 3e-3, "{found:?}");
    }
}
