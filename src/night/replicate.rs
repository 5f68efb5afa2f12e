//! Replicates of one series and time.

use crate::quant::stats;

/// One group: samples that should agree.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// The series, as the run list spells it.
    pub series: String,
    /// The time in the series, h.
    pub time_h: Option<f64>,
    /// Slots, ascending.
    pub members: Vec<usize>,
    /// For each analyte the relative standard deviation that is over the limit, %.
    pub disagree: Vec<Option<f64>>,
}

/// Relative standard deviation, %, of two values or more; `None` where there are fewer or their mean is not above zero.
pub fn rsd_percent(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = stats::mean(values)?;
    (mean > 0.0).then(|| 100.0 * stats::sd(values).unwrap_or(0.0) / mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spread_of_two_is_their_distance_over_root_two() {
        let rsd = rsd_percent(&[9.0, 11.0]).unwrap();
        assert!((rsd - 100.0 * 2.0 / 2.0_f64.sqrt() / 10.0).abs() < 1e-9);
        assert_eq!(rsd_percent(&[9.0]), None);
        assert_eq!(rsd_percent(&[-1.0, 1.0]), None);
    }
}
