//! Published calibration lines and what is read off them.

use super::{agrees, column, digits};
use crate::method::{Degree, Fit, Weight};
use crate::quant::curve::{Curve, Point};
use crate::quant::regression::{Model, Regression};
use crate::quant::student::t_quantile;

const LINE: Model = Model {
    degree: Degree::Straight,
    through_zero: false,
};
const FLUORESCENCE: &str = include_str!("../../../tests/reference/cal_fluorescence.csv");

fn line(text: &str) -> Regression {
    let (x, y) = (column(text, 0), column(text, 1));
    Regression::fit(&x, &y, &vec![1.0; x.len()], LINE).unwrap()
}

fn curve(text: &str, weight: Weight, through_zero: bool) -> Curve {
    let points: Vec<Point> = column(text, 0)
        .into_iter()
        .zip(column(text, 1))
        .map(|(nominal, area_mau_s)| Point {
            level: nominal.to_string(),
            analyte: String::new(),
            nominal,
            area_mau_s,
            height_mau: None,
            trace: String::new(),
            sha256: String::new(),
        })
        .collect();
    Curve::fit(
        "a",
        "pg/mL",
        &points.iter().collect::<Vec<_>>(),
        Fit {
            weight,
            through_zero,
            degree: Degree::Straight,
        },
    )
    .unwrap()
}

/// Textbook fluorescence calibration (data verified; prints from memory, recomputed).
#[test]
fn fluorescence_line() {
    let fit = line(FLUORESCENCE);
    let se = fit.standard_errors();
    let t = t_quantile(0.975, 5.0);
    agrees("fluor.a", fit.coefficients[0]);
    agrees("fluor.b", fit.coefficients[1]);
    agrees("fluor.s", fit.residual_sd);
    agrees("fluor.sa", se[0]);
    agrees("fluor.sb", se[1]);
    agrees("fluor.r", fit.r2.sqrt());
    agrees("fluor.ci_a", t * se[0]);
    agrees("fluor.ci_b", t * se[1]);
}

#[test]
fn fluorescence_inverse() {
    let curve = curve(FLUORESCENCE, Weight::One, false);
    for (y, key) in [(2.9, "2p9"), (13.5, "13p5"), (23.0, "23p0")] {
        // The book prints the first-order interval.
        let p = curve.regression.predict(y, |_| 1.0);
        assert!(digits(curve.predict(y, 1).se, p.se) > 14.0);
        agrees(&format!("fluor.x0_{key}"), p.x);
        agrees(&format!("fluor.sx0_{key}"), p.se);
        agrees(&format!("fluor.ci_{key}"), p.high_95 - p.x);
        agrees(&format!("fluor.ci_{key}"), p.x - p.low_95);
    }
    agrees("fluor.sx0_13p5_m4", curve.predict(13.5, 4).se);
}

/// ICH Q2(R2), EPA 8000D and DIN 32645 on the same data (formulas from memory; recomputed).
#[test]
fn fluorescence_limits() {
    let curve = curve(FLUORESCENCE, Weight::One, false);
    agrees("fluor.lod_ich_syx", curve.lod);
    agrees("fluor.loq_ich_syx", curve.loq);
    agrees(
        "fluor.rse_percent",
        curve.relative_standard_error_percent.unwrap(),
    );
    let largest = curve
        .levels
        .iter()
        .filter_map(|l| l.error_percent)
        .map(f64::abs)
        .fold(0.0, f64::max);
    agrees("fluor.max_abs_re_percent", largest);
    let din = curve.din32645.unwrap();
    agrees("fluor.din_yc", din.critical_response);
    agrees("fluor.din_xng", din.detection);
    agrees("fluor.din_xeg", din.capture);
    agrees("fluor.din_xbg_k3", din.determination.unwrap());
    let sa = curve.regression.standard_errors()[0];
    agrees(
        "fluor.lod_ich_sa",
        crate::quant::detection::limit_of_detection(sa, curve.slope()),
    );
    agrees(
        "fluor.loq_ich_sa",
        crate::quant::detection::limit_of_quantification(sa, curve.slope()),
    );
}

/// Textbook weighted line, weights 1/s² (from memory; recomputed). The intervals printed there are unresolved, so the
/// recomputed ones are asked for.
#[test]
fn weighted_line() {
    let text = include_str!("../../../tests/reference/cal_weighted.csv");
    let (x, y, s) = (column(text, 0), column(text, 1), column(text, 2));
    let w: Vec<f64> = s.iter().map(|s| 1.0 / (s * s)).collect();
    let mean = w.iter().sum::<f64>() / 6.0;
    agrees("wls.w1", w[0] / mean);
    agrees("wls.w6", w[5] / mean);
    let fit = Regression::fit(&x, &y, &w, LINE).unwrap();
    agrees("wls.a", fit.coefficients[0]);
    agrees("wls.b", fit.coefficients[1]);
    agrees("wls.s", fit.residual_sd);
    for (y0, w0, key) in [(0.100, 1.8, "0p100"), (0.600, 0.044, "0p600")] {
        let p = fit.predict(y0, |_| 1.0 / w0);
        agrees(&format!("wls.x0_{key}"), p.x);
        agrees(&format!("wls.sx0_{key}"), p.se);
        agrees(&format!("wls.ci_{key}"), p.high_95 - p.x);
    }
    let plain = line(text);
    agrees("wls.ols_a", plain.coefficients[0]);
    agrees("wls.ols_b", plain.coefficients[1]);
    for (y0, key) in [(0.100, "0p100"), (0.600, "0p600")] {
        let p = plain.predict(y0, |_| 1.0);
        agrees(&format!("wls.ols_x0_{key}"), p.x);
        agrees(&format!("wls.ols_ci_{key}"), p.high_95 - p.x);
    }
}

/// Textbook standard additions: the amount at response zero, known without a reading (from memory; recomputed).
#[test]
fn standard_additions() {
    let fit = line(include_str!(
        "../../../tests/reference/cal_std_addition.csv"
    ));
    agrees("sadd.a", fit.coefficients[0]);
    agrees("sadd.b", fit.coefficients[1]);
    let p = fit.predict(0.0, |_| 0.0);
    agrees("sadd.xE", -p.x);
    agrees("sadd.s_xE", p.se);
    agrees("sadd.ci", p.high_95 - p.x);
}

/// Massart et al., Handbook of Chemometrics A, ch. 8 (from memory; recomputed).
#[test]
fn massart_line() {
    let fit = line(include_str!("../../../tests/reference/cal_massart.csv"));
    agrees("massart.b0", fit.coefficients[0]);
    agrees("massart.b1", fit.coefficients[1]);
    agrees("massart.s", fit.residual_sd);
}

/// EURACHEM/CITAC QUAM:2012 example A5: triplicate calibration, two readings (verified).
#[test]
fn quam_a5() {
    let text = include_str!("../../../tests/reference/quam_a5_cadmium.csv");
    let curve = curve(text, Weight::One, false);
    let (fit, se) = (&curve.regression, curve.regression.standard_errors());
    agrees("a5.B0", curve.intercept());
    agrees("a5.B1", curve.slope());
    agrees("a5.u_B0", se[0]);
    agrees("a5.u_B1", se[1]);
    agrees("a5.S", fit.residual_sd);
    agrees("a5.Sxx", 1.0 / fit.inverse_norm[1]);
    agrees("a5.corr", fit.covariance[0][1] / (se[0] * se[1]));
    let p = curve.predict((0.0712 + 0.0716) / 2.0, 2);
    agrees("a5.c0", p.x);
    agrees("a5.u_c0", p.se);
}

/// JCGM 100:2008 (GUM) H.3: thermometer corrections, prediction forward (verified).
#[test]
fn gum_h3() {
    let text = include_str!("../../../tests/reference/gum_h3_thermometer.csv");
    let x: Vec<f64> = column(text, 0).iter().map(|t| t - 20.0).collect();
    let fit = Regression::fit(&x, &column(text, 1), &vec![1.0; x.len()], LINE).unwrap();
    let se = fit.standard_errors();
    agrees("h3.y1", fit.coefficients[0]);
    agrees("h3.y2", fit.coefficients[1]);
    agrees("h3.u_y1", se[0]);
    agrees("h3.u_y2", se[1]);
    agrees("h3.s", fit.residual_sd);
    agrees("h3.r", fit.covariance[0][1] / (se[0] * se[1]));
    agrees("h3.rss", fit.rss);
    agrees("h3.b30", fit.value(10.0));
    agrees("h3.u_b30", fit.value_se(10.0));
}

/// Through zero and weighted, by exact arithmetic with fractions (recomputed): points (1, 2), (2, 3), (4, 9).
#[test]
fn through_zero_and_weighted_by_fractions() {
    let (x, y) = ([1.0, 2.0, 4.0], [2.0, 3.0, 9.0]);
    let zero = Model {
        degree: Degree::Straight,
        through_zero: true,
    };
    // b = Σxy/Σx² = 44/21, RSS = Σy² − b Σxy = 94 − 1936/21 = 38/21, s² = 19/21.
    let fit = Regression::fit(&x, &y, &[1.0; 3], zero).unwrap();
    assert!(digits(fit.coefficients[1], 44.0 / 21.0) > 14.0);
    assert!(digits(fit.residual_sd, (19.0_f64 / 21.0).sqrt()) > 14.0);
    // At y₀ = 44/7: x₀ = 3, s² = (19/21)/(44/21)² (1 + 9/21) = 19·21/1936 · 10/7 = 570/1936.
    let p = fit.predict(44.0 / 7.0, |_| 1.0);
    assert!(digits(p.x, 3.0) > 14.0 && digits(p.se, (570.0_f64 / 1936.0).sqrt()) > 14.0);
    // 1/x through zero is Σy/Σx = 2; weights 1, 1/2, 1/4 over their mean 7/12: 12/7, 6/7, 3/7.
    // RSS = 6/7 · 1 + 3/7 · 1 = 9/7, s² = 9/14; Σwx² = 12/7 + 24/7 + 48/7 = 12.
    let w = [1.0, 0.5, 0.25];
    let fit = Regression::fit(&x, &y, &w, zero).unwrap();
    assert!(digits(fit.coefficients[1], 2.0) > 14.0);
    assert!(digits(fit.residual_sd, (9.0_f64 / 14.0).sqrt()) > 14.0);
    // x₀ = 2 has w₀ = 6/7, m = 2: s² = (9/14)/4 (7/12 + 4/12) = 9/56 · 11/12 = 33/224.
    let p = fit.predict(4.0, |_| 1.0 / (2.0 * 6.0 / 7.0));
    assert!(digits(p.x, 2.0) > 14.0 && digits(p.se, (33.0_f64 / 224.0).sqrt()) > 14.0);
}

/// Lack of fit by exact arithmetic: (1; 1, 3), (2; 5, 7), (3; 6, 8) has the line y = 5/2 x, level means 2, 6, 7.
/// Lack 2 (1/4 + 1 + 1/4) = 3 with 1 degree of freedom, pure error 6 with 3: F = 3/2 (recomputed).
#[test]
fn lack_of_fit_by_fractions() {
    use crate::quant::regression::lack_of_fit::LackOfFit;
    let (x, y) = (
        [1.0, 1.0, 2.0, 2.0, 3.0, 3.0],
        [1.0, 3.0, 5.0, 7.0, 6.0, 8.0],
    );
    let fit = Regression::fit(&x, &y, &[1.0; 6], LINE).unwrap();
    let lack = LackOfFit::of(&fit, &x, &y, &[1.0; 6]).unwrap();
    assert_eq!((lack.df_lack, lack.df_pure), (1, 3));
    assert!(digits(lack.f, 1.5) > 13.0);
    // F with 1 and 3 degrees of freedom is t² with 3, whose distribution has a closed form; t/√3 = √½.
    let u = 0.5_f64.sqrt();
    let p = 1.0 - 2.0 / std::f64::consts::PI * (u / 1.5 + u.atan());
    assert!((lack.p - p).abs() < 1e-12, "{} {p}", lack.p);
}

/// The same weighted points as a whole curve: σ at the lowest level is √(9/14 · 7/12) = √(3/8), the slope 2.
#[test]
fn weighted_curve_by_fractions() {
    let curve = curve("x,y\n1,2\n2,3\n4,9\n", Weight::InverseX, true);
    let sigma = 0.375_f64.sqrt();
    assert!(digits(curve.lod, 3.3 * sigma / 2.0) > 14.0);
    assert!(digits(curve.loq, 10.0 * sigma / 2.0) > 14.0);
    let p = curve.predict(4.0, 2);
    assert!(digits(p.x, 2.0) > 14.0 && digits(p.se, (33.0_f64 / 224.0).sqrt()) > 14.0);
    assert_eq!(curve.range(), [1.0, 4.0]);
}
