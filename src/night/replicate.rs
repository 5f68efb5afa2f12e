//! Replicates of one series and time.

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
