//! Limits of detection and quantification from a calibration.

use serde::{Deserialize, Serialize};

use super::regression::{Degree, Regression};
use super::student::t_quantile;

/// 3.3 σ/S, in the unit of the amounts. ICH Q2(R2), formula from memory.
pub fn limit_of_detection(sigma: f64, slope: f64) -> f64 {
    3.3 * sigma / slope
}

/// 10 σ/S, in the unit of the amounts. ICH Q2(R2), formula from memory.
pub fn limit_of_quantification(sigma: f64, slope: f64) -> f64 {
    10.0 * sigma / slope
}

/// Limits by the calibration-line procedure of DIN 32645:2008, 6.2 and 6.3 (formulas from memory; recomputed).
/// α = β = 5 %, relative uncertainty of the result at the limit of determination 1/k with k = 3.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Din32645 {
    /// Critical value of the response y_c, in its unit.
    pub critical_response: f64,
    /// Detection limit (Nachweisgrenze) x_NG = (y_c − a)/b: an amount from which the response is called found.
    pub detection: f64,
    /// Capture limit (Erfassungsgrenze) x_EG = 2 x_NG: an amount that is found with 95 % certainty.
    pub capture: f64,
    /// Determination limit (Bestimmungsgrenze) x_BG; `None` where the line is too uncertain for any amount to reach it.
    pub determination: Option<f64>,
}

/// The factor k of DIN 32645: the half-width of the interval is a third of the amount at the determination limit.
const K: f64 = 3.0;

impl Din32645 {
    /// The limits for `m` readings of the sample. Only the straight line with intercept and equal weights has them:
    /// the procedure supposes equal scatter over its (narrow) range. `None` for any other, and for a slope that does
    /// not rise.
    pub fn of(fit: &Regression, equal_weights: bool, m: u32) -> Option<Din32645> {
        let slope = fit.coefficients[1];
        if !equal_weights
            || fit.model.through_zero
            || fit.model.degree != Degree::Straight
            || slope <= 0.0
        {
            return None;
        }
        let df = fit.df as f64;
        let reading = 1.0 / f64::from(m.max(1));
        let at_zero = (reading + fit.leverage(0.0)).sqrt();
        let half = fit.residual_sd * t_quantile(0.95, df) * at_zero;
        let determination = determination(
            fit,
            reading,
            K * fit.residual_sd / slope * t_quantile(0.975, df),
        );
        let din = Din32645 {
            critical_response: fit.coefficients[0] + half,
            detection: half / slope,
            capture: 2.0 * half / slope,
            determination,
        };
        din.capture.is_finite().then_some(din)
    }
}

/// x = h √(1/m + 1/n + (x − x̄)²/S_xx) solved for x; the standard iterates, the root of the quadratic is the same.
fn determination(fit: &Regression, reading: f64, h: f64) -> Option<f64> {
    let mean = fit.basis.centre;
    let curvature = h * h * fit.inverse_norm[1];
    let lead = 1.0 - curvature;
    if lead <= 0.0 {
        return None;
    }
    let half_linear = curvature * mean;
    let constant = h * h * (reading + fit.inverse_norm[0]) + curvature * mean * mean;
    let x = (-half_linear + (half_linear * half_linear + lead * constant).sqrt()) / lead;
    x.is_finite().then_some(x)
}
