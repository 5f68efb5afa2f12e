//! What keeps points from becoming a curve.

use crate::text::{count, significant};

/// Why points give no curve; each message says what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Nothing to fit, or too little for a residual standard deviation.
    #[error(
        "{} for {} leave nothing to judge the scatter by; at least {needed} are needed: add levels or replicates",
        count(*.points, "point"),
        count(*.parameters, "coefficient")
    )]
    TooFewPoints {
        /// Points given.
        points: usize,
        /// Coefficients of the model.
        parameters: usize,
        /// Points needed.
        needed: usize,
    },
    /// Fewer different amounts than the model has coefficients.
    #[error(
        "the points stand at {} that can be told apart; this fit needs {needed}: add levels, or with a single level fit through zero",
        count(*.levels, "amount")
    )]
    TooFewLevels {
        /// Different amounts (through zero: other than zero).
        levels: usize,
        /// Amounts needed.
        needed: usize,
    },
    /// A NaN or an infinity.
    #[error(
        "{what} of point {point} is {value}, not a finite number: correct it or leave the point out"
    )]
    NotFinite {
        /// `nominal`, `area` or `weight`.
        what: &'static str,
        /// Which point, from 1.
        point: usize,
        /// What was found.
        value: f64,
    },
    /// A weight that is zero or less.
    #[error(
        "the weight of point {point} is {value}; weights must be above zero: leave the point out instead"
    )]
    BadWeight {
        /// Which point, from 1.
        point: usize,
        /// What was found.
        value: f64,
    },
    /// x, y and weights do not belong together.
    #[error(
        "{x} amounts, {y} responses and {weights} weights were given; there must be as many of each"
    )]
    Lengths {
        /// Amounts.
        x: usize,
        /// Responses.
        y: usize,
        /// Weights.
        weights: usize,
    },
    /// Numbers so large, small or close together that their squares leave the range of numbers.
    #[error(
        "the numbers are too large, too small or too far apart to be fitted: use another unit, or leave the point at fault out"
    )]
    OutOfScale,
    /// A concentration below zero.
    #[error(
        "nominal {value} of point {point} is below zero: a calibrator contains nothing or something"
    )]
    NegativeNominal {
        /// Which point, from 1.
        point: usize,
        /// What was found.
        value: f64,
    },
    /// One level name, two amounts.
    #[error(
        "level `{level}` is given with nominal {first} and {second}: a level has one amount of an analyte; correct the points"
    )]
    InconsistentLevel {
        /// Name of the level.
        level: String,
        /// First nominal.
        first: f64,
        /// The other one.
        second: f64,
    },
    /// No response anywhere.
    #[error(
        "every area is zero: the analyte was not found in any calibrator; look at its window and at the traces"
    )]
    AllZero,
    /// The response falls or stays.
    #[error(
        "the slope is {slope}: the response must rise with the amount; look whether levels are interchanged"
    )]
    SlopeNotPositive {
        /// Fitted slope, response per amount.
        slope: f64,
    },
    /// A parabola that turns within the calibrated range.
    #[error(
        "the curve turns at {}, within the calibrated range: no area there belongs to one amount; leave the levels beyond it out, or fit a straight line",
        significant(*.at, 4)
    )]
    NotMonotone {
        /// Amount at which it turns.
        at: f64,
    },
    /// The response rises no more than it scatters.
    #[error(
        "the slope {slope} has a standard error of {standard_error}: it cannot be told from zero; look whether levels are interchanged, or add calibrators"
    )]
    SlopeNotDistinct {
        /// Fitted slope, response per amount.
        slope: f64,
        /// Its standard error.
        standard_error: f64,
    },
}
