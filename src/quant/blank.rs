//! The σ behind the limits of detection and quantification: from blanks where there are any, else from the fit.

use serde::{Deserialize, Serialize};

use super::curve::Point;
use super::describe::{mean, sd};

/// Fewest blank areas whose scatter is believed, as with six injections for repeatability (common practice, no source).
const ENOUGH: usize = 6;

/// What a blank shows of one analyte.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Blank {
    /// Name of the analyte.
    pub analyte: String,
    /// Area of the peak in its window, mAU·s; `None`: there was none.
    pub area_mau_s: Option<f64>,
    /// Peak-to-peak noise h of the trace's signal-free part, mAU.
    pub noise_mau: Option<f64>,
    /// File name of the trace.
    pub trace: String,
    /// SHA-256 of that file, hex.
    pub sha256: String,
}

/// Where σ comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum SigmaFrom {
    /// Residual standard deviation of the fit, at the weight of the lowest level.
    #[serde(rename = "residuals")]
    Residuals,
    /// Standard deviation of the areas of blanks (and of a level at zero).
    #[serde(rename = "blank areas")]
    BlankAreas,
    /// Noise of blanks, brought to an area by the form of the lowest level's peak.
    #[serde(rename = "blank noise")]
    BlankNoise,
}

impl SigmaFrom {
    /// As the calibration file has it.
    pub fn words(self) -> &'static str {
        match self {
            SigmaFrom::Residuals => "residuals",
            SigmaFrom::BlankAreas => "blank areas",
            SigmaFrom::BlankNoise => "blank noise",
        }
    }
}

/// Standard deviation of the response where there is next to nothing of the analyte.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sigma {
    /// σ, mAU·s.
    pub mau_s: f64,
    /// Where it comes from.
    pub from: SigmaFrom,
    /// Blanks behind it; points of the fit where it comes from the residuals.
    pub n: usize,
}

impl Sigma {
    /// The best σ that there is (ICH Q2(R2) names all three ways; from memory):
    ///
    /// 1. the standard deviation of six or more blank areas, if every blank shows a peak: where some show none, the
    ///    others are those that scattered upwards, and tell too little;
    /// 2. the noise h of blanks: a peak of height H has a signal-to-noise of 2H/h, so σ = (h/2) (A/H) makes 10 σ/S the
    ///    amount at a signal-to-noise of 10, A/H being area over height at the lowest level;
    /// 3. `residual`, the residual standard deviation at the lowest level.
    pub(super) fn of(points: &[&Point], blanks: &[&Blank], lowest: f64, residual: f64) -> Sigma {
        of_areas(points, blanks)
            .or_else(|| of_noise(points, blanks, lowest))
            .unwrap_or(Sigma {
                mau_s: residual,
                from: SigmaFrom::Residuals,
                n: points.len(),
            })
    }
}

fn of_areas(points: &[&Point], blanks: &[&Blank]) -> Option<Sigma> {
    let of_blanks: Option<Vec<f64>> = blanks.iter().map(|b| b.area_mau_s).collect();
    let mut areas = of_blanks?;
    areas.extend(
        points
            .iter()
            .filter(|p| p.nominal == 0.0)
            .map(|p| p.area_mau_s),
    );
    let mau_s = sd(&areas).filter(|s| *s > 0.0 && areas.len() >= ENOUGH)?;
    Some(Sigma {
        mau_s,
        from: SigmaFrom::BlankAreas,
        n: areas.len(),
    })
}

fn of_noise(points: &[&Point], blanks: &[&Blank], lowest: f64) -> Option<Sigma> {
    let noise: Vec<f64> = blanks.iter().filter_map(|b| b.noise_mau).collect();
    let widths: Vec<f64> = points
        .iter()
        .filter(|p| p.nominal == lowest)
        .filter_map(|p| Some(p.area_mau_s / p.height_mau.filter(|h| *h > 0.0)?))
        .collect();
    let mau_s = mean(&noise)? / 2.0 * mean(&widths)?;
    (mau_s.is_finite() && mau_s > 0.0).then_some(Sigma {
        mau_s,
        from: SigmaFrom::BlankNoise,
        n: noise.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quant::curve::Curve;
    use crate::quant::curve::tests::{PLAIN, points};

    fn blank(area_mau_s: Option<f64>, noise_mau: Option<f64>) -> Blank {
        Blank {
            analyte: "lactic acid".to_owned(),
            area_mau_s,
            noise_mau,
            trace: "b.csv".to_owned(),
            sha256: "00".to_owned(),
        }
    }

    fn sigma(data: &[(f64, f64)], height_mau: Option<f64>, blanks: &[Blank]) -> (Sigma, Curve) {
        let mut own = points(data);
        own.iter_mut().for_each(|p| p.height_mau = height_mau);
        let curve = Curve::fit_with_blanks(
            "lactic acid",
            "mmol/L",
            &own.iter().collect::<Vec<_>>(),
            &blanks.iter().collect::<Vec<_>>(),
            PLAIN,
        )
        .unwrap();
        (curve.sigma, curve)
    }

    const DATA: [(f64, f64); 4] = [(1.0, 60.3), (2.0, 119.0), (5.0, 301.0), (10.0, 599.0)];

    #[test]
    fn without_blanks_the_residuals_count() {
        let (s, curve) = sigma(&DATA, None, &[]);
        assert_eq!((s.from, s.n), (SigmaFrom::Residuals, 4));
        assert_eq!(s.mau_s, curve.regression.residual_sd);
        // Blanks that say nothing change nothing; neither does noise without a peak form.
        assert_eq!(sigma(&DATA, None, &[blank(None, None)]).0, s);
        assert_eq!(sigma(&DATA, None, &[blank(None, Some(0.3))]).0, s);
    }

    #[test]
    fn noise_makes_the_limit_of_quantification_a_signal_to_noise_of_ten() {
        let quiet = [blank(None, Some(0.2)), blank(Some(1.0), Some(0.4))];
        let (s, curve) = sigma(&DATA, Some(2.4), &quiet);
        assert_eq!((s.from, s.n), (SigmaFrom::BlankNoise, 2));
        // h = 0.3, A/H = 60.3/2.4 at the lowest level.
        assert!((s.mau_s - 0.15 * 60.3 / 2.4).abs() < 1e-12);
        let height = curve.loq * curve.slope() / (60.3 / 2.4);
        assert!((2.0 * height / 0.3 - 10.0).abs() < 1e-9);
    }

    #[test]
    fn six_blank_areas_are_scatter_and_five_are_not() {
        let areas = [1.0, 2.0, 1.5, 1.2, 1.8, 1.6];
        let blanks: Vec<Blank> = areas.iter().map(|a| blank(Some(*a), Some(0.3))).collect();
        let (s, _) = sigma(&DATA, Some(2.4), &blanks);
        assert_eq!((s.from, s.n), (SigmaFrom::BlankAreas, 6));
        assert!((s.mau_s - sd(&areas).unwrap()).abs() < 1e-15);
        assert_eq!(
            sigma(&DATA, Some(2.4), &blanks[..5]).0.from,
            SigmaFrom::BlankNoise
        );
        // A level at zero counts among them, and one blank without a peak spoils the scatter of areas.
        let mut data = DATA.to_vec();
        data.push((0.0, 1.4));
        assert_eq!(sigma(&data, Some(2.4), &blanks[..5]).0.n, 6);
        let mut some = blanks.clone();
        some.push(blank(None, Some(0.3)));
        assert_eq!(sigma(&DATA, Some(2.4), &some).0.from, SigmaFrom::BlankNoise);
        // Areas that are all alike are no scatter.
        let alike: Vec<Blank> = (0..6).map(|_| blank(Some(1.0), None)).collect();
        assert_eq!(sigma(&DATA, None, &alike).0.from, SigmaFrom::Residuals);
    }
}
