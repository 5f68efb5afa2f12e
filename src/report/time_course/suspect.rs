//! The replicate that stands apart from its fellows: named, never left out by that.

use super::Mean;
use crate::night::queue::{Queue, Standing};
use crate::quant::outlier::grubbs_two_sided;
use crate::report::left_out::{named, place_of};

/// Level of the test: of groups without any outlier it names one in so many: 1 in 20.
const ALPHA: f64 = 0.05;

/// The injection of which Grubbs' test says that it stands apart, two-sided at 5 %; of three replicates or more. What the
/// mean leaves out is not looked at.
pub fn suspect<'a>(queue: &'a Queue, mean: &Mean) -> Option<Standing<'a>> {
    let averaged = queue.averaged_results(mean.group, mean.analyte);
    let values: Vec<f64> = averaged.iter().filter_map(|s| s.concentration).collect();
    let test = grubbs_two_sided(&values, ALPHA).filter(|t| t.stands_apart())?;
    averaged.get(test.index).copied()
}

/// `sample 4 (position 4)`, where its repeat stands for it with the repeat's place; empty: nobody.
pub fn name(queue: &Queue, mean: &Mean) -> String {
    let Some(standing) = suspect(queue, mean) else {
        return String::new();
    };
    let name = queue.slots().get(standing.slot).map(named);
    match standing.repeat {
        Some(_) => format!(
            "{}, repeated at {}",
            name.unwrap_or_default(),
            place_of(queue, standing)
        ),
        None => name.unwrap_or_default(),
    }
}

/// `sample 4 (position 4), Grubbs 5 %`; empty: nobody.
pub fn words(queue: &Queue, mean: &Mean) -> String {
    match name(queue, mean) {
        name if name.is_empty() => name,
        name => format!("{name}, Grubbs 5 %"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, trace};
    use crate::report::time_course::means;
    use crate::report::time_course::replicates::csv;

    fn group(lactic: [f64; 3]) -> Night {
        let mut night = Night::new("PsssP");
        night.group("crock", 24.0, &[2, 3, 4]).good(1);
        for (k, l) in lactic.into_iter().enumerate() {
            night.land(2 + k, trace(&[Some(l), Some(5.0)]));
        }
        night.good(5).end();
        night
    }

    #[test]
    fn one_apart_is_named_and_stays_in_the_mean() {
        let mut night = group([4.0, 5.5, 4.01]);
        let text = csv(night.judged());
        let lactic = text.lines().nth(1).unwrap();
        assert!(
            lactic.starts_with("crock,24,lactic acid,mmol/L,3,4.497"),
            "{text}"
        );
        assert!(
            lactic.ends_with(",\"sample 3 (position 3), Grubbs 5 %\",,,"),
            "{text}"
        );
        let acetic = text.lines().nth(2).unwrap();
        assert!(acetic.ends_with(",0.00,,,,"), "{text}");
    }

    #[test]
    fn even_scatter_names_nobody() {
        let mut night = group([4.0, 4.9, 5.5]);
        let queue = night.judged();
        assert!(means(queue).iter().all(|m| suspect(queue, m).is_none()));
    }
}
