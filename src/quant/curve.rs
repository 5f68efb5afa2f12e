//! The calibration curve of one analyte: fitted points, figures of merit, prediction.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::blank::{Blank, Sigma};
use super::bracketing::{Factor, scatter_at};
use super::describe::{mean, sd};
use super::detection::{Din32645, limit_of_detection, limit_of_quantification};
pub use super::regression::FitError;
pub use super::regression::inverse::Prediction;
use super::regression::lack_of_fit::LackOfFit;
use super::regression::weights::Weights;
use super::regression::{Model, Regression};
use super::student::{f_exceeds, t_quantile};
use crate::method::{Degree, Fit, Weight};

/// One calibrator's response to one analyte.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Name of the level.
    pub level: String,
    /// Name of the analyte.
    pub analyte: String,
    /// What the vial contains, in the analyte's unit; 0 or more.
    pub nominal: f64,
    /// Response, mAU·s.
    pub area_mau_s: f64,
    /// Height of its peak, mAU, where the response comes from a trace.
    #[serde(default)]
    pub height_mau: Option<f64>,
    /// Where the area comes from: the trace's (or table's) file name.
    pub trace: String,
    /// SHA-256 of that file, hex.
    pub sha256: String,
}

/// The form in which a [`Fit`] is kept.
#[derive(Serialize, Deserialize)]
#[serde(remote = "Fit")]
pub(crate) struct FitForm {
    weight: Weight,
    through_zero: bool,
    #[serde(default)]
    degree: Degree,
}

/// What one level says of its curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelFigures {
    /// Name of the level.
    pub level: String,
    /// Nominal concentration, in the analyte's unit.
    pub nominal: f64,
    /// Replicates.
    pub n: usize,
    /// Mean response, mAU·s.
    pub mean_area_mau_s: f64,
    /// Mean of the replicates' back-calculated concentrations, in the analyte's unit.
    pub back_calculated: f64,
    /// 100 (back-calculated − nominal) / nominal, %; `None` at nominal 0.
    pub error_percent: Option<f64>,
    /// Standard deviation of the replicates' back-calculated concentrations, % of nominal; `None` for one injection and
    /// at nominal 0.
    #[serde(default)]
    pub scatter_percent: Option<f64>,
}

/// Below this probability two scatters are not the same.
const OTHER_SCATTER: f64 = 0.01;

/// What repeated injections of standards show of the scatter of areas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeats {
    /// Σ w (A − Ā)² about each level's mean, in the curve's weights, (mAU·s)².
    pub weighted_squares: f64,
    /// Degrees of freedom of that.
    pub df: f64,
}

/// Calibration of one analyte: area = b₀ + b₁ × concentration, with b₂ × concentration² where it is quadratic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Name of the analyte.
    pub analyte: String,
    /// Unit of its concentrations.
    pub unit: String,
    /// How it was fitted.
    #[serde(with = "FitForm")]
    pub fit: Fit,
    /// Coefficients, covariances, residual standard deviation, degrees of freedom, R² and the sums behind them; area in
    /// mAU·s, concentration in the analyte's unit. A weighted fit's residual standard deviation is that at weight 1.
    pub regression: Regression,
    /// The weights, able to weigh any concentration.
    pub weights: Weights,
    /// Lowest calibrated concentration above zero.
    pub lowest: f64,
    /// Highest calibrated concentration.
    pub highest: f64,
    /// Mean response at the lowest calibrated concentration above zero, mAU·s.
    pub lowest_area_mau_s: f64,
    /// Each level, by concentration.
    pub levels: Vec<LevelFigures>,
    /// The σ of the two limits below and where it comes from.
    pub sigma: Sigma,
    /// Limit of detection 3.3 σ/S, S the slope at the lowest level.
    pub lod: f64,
    /// Limit of quantification 10 σ/S.
    pub loq: f64,
    /// Relative standard error 100 √(Σ ((c′ − c)/c)² / (n − p)), %, over points above zero: EPA 8000D 11.5.6 (formula
    /// from memory). `None` without degrees of freedom for it.
    pub relative_standard_error_percent: Option<f64>,
    /// Lack-of-fit test, where replicates allow one.
    pub lack_of_fit: Option<LackOfFit>,
    /// Limits by DIN 32645 for one reading, where equal weights and an intercept allow them.
    pub din32645: Option<Din32645>,
}

impl Curve {
    /// Fits the points of one analyte (their `analyte` is not looked at), without blanks. A level at nominal 0 takes
    /// part; under 1/x and 1/x² it has the weight of the lowest level above zero.
    ///
    /// # Errors
    /// [`FitError`]: too few points, one level only, a slope that does not rise beyond its own uncertainty, a parabola
    /// that does not rise over the whole calibrated range, …
    pub fn fit(analyte: &str, unit: &str, points: &[&Point], fit: Fit) -> Result<Curve, FitError> {
        Curve::fit_with_blanks(analyte, unit, points, &[], fit)
    }

    /// The same with blanks, from which the limits of detection and quantification then follow.
    ///
    /// # Errors
    /// As [`fit`](Curve::fit).
    pub fn fit_with_blanks(
        analyte: &str,
        unit: &str,
        points: &[&Point],
        blanks: &[&Blank],
        fit: Fit,
    ) -> Result<Curve, FitError> {
        check_points(points)?;
        let model = Model {
            degree: fit.degree,
            through_zero: fit.through_zero,
        };
        let x: Vec<f64> = points.iter().map(|p| p.nominal).collect();
        let y: Vec<f64> = points.iter().map(|p| p.area_mau_s).collect();
        if points.is_empty() {
            let parameters = model.parameters();
            return Err(FitError::TooFewPoints {
                points: 0,
                parameters,
                needed: parameters + 1,
            });
        }
        let weights = Weights::over(fit.weight, &x)?;
        let w: Vec<f64> = x.iter().map(|x| weights.at(*x)).collect();
        let regression = Regression::fit(&x, &y, &w, model)?;
        let (lowest, highest) = (weights.floor, x.iter().copied().fold(0.0, f64::max));
        check_slope(&regression, &y, lowest, highest)?;
        let residual = regression.residual_sd / weights.at(lowest).sqrt();
        let sigma = Sigma::of(points, blanks, lowest, residual);
        let slope = regression.slope_at(lowest);
        let lowest_areas: Vec<f64> = points
            .iter()
            .filter(|p| p.nominal == lowest)
            .map(|p| p.area_mau_s)
            .collect();
        let curve = Curve {
            analyte: analyte.to_owned(),
            unit: unit.to_owned(),
            fit,
            levels: levels(&regression, points)?,
            lowest,
            highest,
            lowest_area_mau_s: mean(&lowest_areas).ok_or(FitError::OutOfScale)?,
            sigma,
            lod: limit_of_detection(sigma.mau_s, slope),
            loq: limit_of_quantification(sigma.mau_s, slope),
            relative_standard_error_percent: relative_standard_error(&regression, &x, &y),
            lack_of_fit: LackOfFit::of(&regression, &x, &y, &w),
            din32645: Din32645::of(&regression, fit.weight == Weight::One, 1),
            regression,
            weights,
        };
        if curve.loq.is_finite() {
            Ok(curve)
        } else {
            Err(FitError::OutOfScale)
        }
    }

    /// Concentration in the vial for an area, mAU·s, that is the mean of `m` readings (0 counts as 1), with its standard
    /// error and 95 % interval. It may be below zero or outside the range; an area that is no finite number gives NaN.
    ///
    /// The reading is supposed to scatter as calibrators of its concentration do: its weight follows the weight rule.
    pub fn predict(&self, area_mau_s: f64, m: u32) -> Prediction {
        self.predict_beside(area_mau_s, m, None)
    }

    /// What standards of this analyte show of its scatter: their areas by nominal concentration, about each level's own
    /// mean, in the curve's weights. `None` where no level stands there twice.
    pub fn repeats<'a>(&self, levels: impl Iterator<Item = (f64, &'a [f64])>) -> Option<Repeats> {
        let (mut weighted_squares, mut df) = (0.0, 0.0);
        for (nominal, areas) in levels.filter(|(_, areas)| areas.len() > 1) {
            let Some(sd) = sd(areas) else { continue };
            let own = areas.len() as f64 - 1.0;
            weighted_squares += self.weights.at(nominal) * own * sd * sd;
            df += own;
        }
        (df > 0.0 && weighted_squares.is_finite()).then_some(Repeats {
            weighted_squares,
            df,
        })
    }

    /// The same as [`predict`](Curve::predict) where standards beside the sample show how areas scatter.
    ///
    /// The fit's residuals and the standards' deviations are two estimates of one variance and are pooled (pooled
    /// variance, textbook formula): s² = (RSS + Σ w (A − Ā)²)/(df + df′). Where the standards scatter more than that
    /// can be (F test, 1 %), theirs counts alone for the reading.
    pub fn predict_beside(&self, area_mau_s: f64, m: u32, repeats: Option<Repeats>) -> Prediction {
        let m = f64::from(m.max(1));
        let (fit, df, variance) = self.scatter(repeats);
        fit.read_off(area_mau_s, df, |x| variance / (m * self.weights.at(x)))
    }

    /// The same where standards before and after the sample show the response at its place: the curve's amount at A/F. The
    /// interval holds the uncertainty of F; see [`bracketing`](super::bracketing).
    pub fn predict_bracketed(
        &self,
        area_mau_s: f64,
        m: u32,
        repeats: Option<Repeats>,
        factor: &Factor,
    ) -> Prediction {
        let m = f64::from(m.max(1));
        let (fit, df, variance) = self.scatter(repeats);
        let own = variance * scatter_at(self, factor.value) / m;
        fit.read_off_by(area_mau_s / factor.value, df, |x| {
            own / self.weights.at(x) + factor.variance(self, x, fit.residual_sd, variance)
        })
    }

    /// The fit with the residual standard deviation that counts, the degrees of freedom, and the variance of a reading at
    /// weight 1, (mAU·s)².
    fn scatter(&self, repeats: Option<Repeats>) -> (Regression, f64, f64) {
        let fit = &self.regression;
        let df = fit.df as f64;
        let of_fit = fit.residual_sd * fit.residual_sd;
        let Some(shown) = repeats else {
            return (*fit, df, of_fit);
        };
        let of_shown = shown.weighted_squares / shown.df;
        let ratio = of_shown / of_fit;
        if ratio.is_finite() && f_exceeds(ratio, shown.df, df) < OTHER_SCATTER {
            return (*fit, shown.df, of_shown);
        }
        let variance = (fit.rss + shown.weighted_squares) / (df + shown.df);
        let mut pooled = *fit;
        pooled.residual_sd = variance.sqrt();
        (pooled, df + shown.df, variance)
    }

    /// Lowest (above zero) and highest calibrated concentration.
    pub fn range(&self) -> [f64; 2] {
        [self.lowest, self.highest]
    }

    /// Area at concentration zero, mAU·s; 0 through zero.
    pub fn intercept(&self) -> f64 {
        self.regression.coefficients[0]
    }

    /// Area per concentration, mAU·s per unit; of a quadratic curve that at concentration zero.
    pub fn slope(&self) -> f64 {
        self.regression.coefficients[1]
    }

    /// Coefficient of the squared concentration, mAU·s per squared unit; `None` for a straight line.
    pub fn bend(&self) -> Option<f64> {
        (self.fit.degree == Degree::Quadratic).then(|| self.regression.coefficients[2])
    }

    /// Coefficient of determination (through zero about zero, weighted as the fit).
    pub fn r2(&self) -> f64 {
        self.regression.r2
    }
}

/// Refuses negative amounts and levels with two amounts.
fn check_points(points: &[&Point]) -> Result<(), FitError> {
    let mut nominals: BTreeMap<&str, f64> = BTreeMap::new();
    for (i, p) in points.iter().enumerate() {
        for (what, value) in [("nominal", p.nominal), ("area", p.area_mau_s)] {
            if !value.is_finite() {
                return Err(FitError::NotFinite {
                    what,
                    point: i + 1,
                    value,
                });
            }
        }
        if p.nominal < 0.0 {
            return Err(FitError::NegativeNominal {
                point: i + 1,
                value: p.nominal,
            });
        }
        let first = *nominals.entry(p.level.as_str()).or_insert(p.nominal);
        if first != p.nominal {
            return Err(FitError::InconsistentLevel {
                level: p.level.clone(),
                first,
                second: p.nominal,
            });
        }
    }
    Ok(())
}

/// Refuses a response that does not rise with the amount, or no more than it scatters.
fn check_slope(fit: &Regression, y: &[f64], lowest: f64, highest: f64) -> Result<(), FitError> {
    if y.iter().all(|y| *y == 0.0) {
        return Err(FitError::AllZero);
    }
    let slope = fit
        .slope_at(lowest)
        .min(fit.slope_at(highest))
        .min(fit.slope_at(fit.basis.centre));
    if slope <= 0.0 {
        let bent = fit.model.degree == Degree::Quadratic && fit.orthogonal[1] > 0.0;
        return Err(match turning_point(fit) {
            Some(at) if bent => FitError::NotMonotone { at },
            _ => FitError::SlopeNotPositive { slope },
        });
    }
    // The slope in the middle of the points; for a straight line the slope.
    let slope = fit.orthogonal[1];
    let standard_error = fit.residual_sd * fit.inverse_norm[1].sqrt();
    if slope < t_quantile(0.975, fit.df as f64) * standard_error {
        return Err(FitError::SlopeNotDistinct {
            slope,
            standard_error,
        });
    }
    Ok(())
}

/// Where a parabola turns.
fn turning_point(fit: &Regression) -> Option<f64> {
    let [_, b1, b2] = fit.coefficients;
    Some(-b1 / (2.0 * b2)).filter(|at| at.is_finite())
}

/// The figures of each level, by concentration, levels of one concentration by first appearance.
fn levels(fit: &Regression, points: &[&Point]) -> Result<Vec<LevelFigures>, FitError> {
    let mut names: Vec<(&str, f64)> = Vec::new();
    for p in points {
        if !names.iter().any(|(name, _)| *name == p.level) {
            names.push((&p.level, p.nominal));
        }
    }
    names.sort_by(|a, b| a.1.total_cmp(&b.1));
    let figures = names.into_iter().map(|(level, nominal)| {
        let areas: Vec<f64> = points
            .iter()
            .filter(|p| p.level == level)
            .map(|p| p.area_mau_s)
            .collect();
        let back: Vec<f64> = areas.iter().map(|a| fit.invert(*a)).collect();
        // A parabola may have no answer for one replicate; its level then has none.
        let back_calculated = mean(&back).unwrap_or(f64::NAN);
        Some(LevelFigures {
            level: level.to_owned(),
            nominal,
            n: areas.len(),
            mean_area_mau_s: mean(&areas)?,
            back_calculated,
            error_percent: (nominal > 0.0).then(|| 100.0 * ((back_calculated - nominal) / nominal)),
            scatter_percent: sd(&back)
                .filter(|_| nominal > 0.0)
                .map(|s| 100.0 * (s / nominal)),
        })
    });
    figures
        .collect::<Option<Vec<_>>>()
        .ok_or(FitError::OutOfScale)
}

/// See [`Curve::relative_standard_error_percent`].
fn relative_standard_error(fit: &Regression, x: &[f64], y: &[f64]) -> Option<f64> {
    let errors: Vec<f64> = x
        .iter()
        .zip(y)
        .filter(|(x, _)| **x > 0.0)
        .map(|(x, y)| (fit.invert(*y) - x) / x)
        .collect();
    let df = errors
        .len()
        .checked_sub(fit.model.parameters())
        .filter(|d| *d > 0)?;
    let rse = 100.0 * (super::describe::sum(errors.iter().map(|e| e * e)) / df as f64).sqrt();
    rse.is_finite().then_some(rse)
}

#[cfg(test)]
mod coverage;
#[cfg(test)]
pub(super) mod tests;
