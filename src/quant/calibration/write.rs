//! A calibration as text that a person can read and the program reads again.

use std::fmt::Write as _;

use super::{Blank, Calibration};
use crate::method::{Degree, Limits, Weight};
use crate::quant::blank::SigmaFrom;
use crate::quant::curve::{Curve, Point};
use crate::text::{count, fixed, one_line, significant};

impl Calibration {
    /// The calibration file: TOML, every area with its trace and hash, coefficients with 17 significant digits, figures
    /// of merit as comments, among them the usable range within `limits`. [`from_toml`](Calibration::from_toml) gives
    /// back the same calibration.
    pub fn to_toml(&self, limits: &Limits) -> String {
        let mut out = String::new();
        self.header(&mut out);
        for curve in &self.curves {
            curve_section(&mut out, curve, limits);
            out.push_str("\npoints = [\n");
            for p in self.points_of(&curve.analyte) {
                point(&mut out, curve, p);
            }
            out.push_str("]\n");
            let blanks: Vec<&Blank> = self.blanks_of(&curve.analyte).collect();
            if !blanks.is_empty() {
                out.push_str("\nblanks = [\n");
                blanks.into_iter().for_each(|b| blank(&mut out, b));
                out.push_str("]\n");
            }
        }
        out
    }

    fn header(&self, out: &mut String) {
        let rule = match self.fit.weight {
            Weight::One => "1",
            Weight::InverseX => "1/x",
            Weight::InverseX2 => "1/x2",
        };
        let keys = [
            ("name", &self.name),
            ("method_name", &self.method_name),
            ("method_sha256", &self.method_sha256),
            ("created", &self.created),
            ("program_version", &self.program_version),
        ];
        let (word, term) = match self.fit.degree {
            Degree::Straight => ("straight", ""),
            Degree::Quadratic => ("quadratic", " + quadratic × concentration²"),
        };
        let _ = writeln!(
            out,
            "# A calibration. Concentrations are read off its curves:\n#     area (mAU·s) = intercept + slope × concentration{term}"
        );
        out.push_str(concat!(
            "#\n",
            "# The curves are fitted again from the points below when the file is read, and must come out as they stand\n",
            "# here; a figure changed by hand is refused. To leave a point out, make the calibration again without it.\n",
            "# `residual_sd` is in mAU·s, in a weighted fit at the mean weight. `sigma`, mAU·s, is behind the limits of\n",
            "# detection and quantification; `sigma_from` says where it comes from: `residuals` of the lowest level, `blank\n",
            "# areas` (their scatter), or `blank noise` (brought to an area by the peak form of the lowest level).\n",
            "# What follows a # is for reading only.\n\n",
        ));
        let _ = writeln!(out, "format = {}", super::file::FORMAT);
        for (key, value) in keys {
            let _ = writeln!(out, "{key} = {}", quoted(value));
        }
        let _ = writeln!(out, "weight = {}", quoted(rule));
        let _ = writeln!(out, "through_zero = {}", self.fit.through_zero);
        let _ = writeln!(out, "model = {}", quoted(word));
    }
}

fn curve_section(out: &mut String, curve: &Curve, limits: &Limits) {
    let _ = writeln!(out, "\n[[curve]]");
    let _ = writeln!(out, "analyte = {}", quoted(&curve.analyte));
    let _ = writeln!(out, "unit = {}", quoted(&curve.unit));
    let _ = writeln!(out, "intercept = {:.16e}", curve.intercept());
    let _ = writeln!(out, "slope = {:.16e}", curve.slope());
    if let Some(bend) = curve.bend() {
        let _ = writeln!(out, "quadratic = {bend:.16e}");
    }
    let _ = writeln!(out, "residual_sd = {:.16e}", curve.regression.residual_sd);
    let _ = writeln!(out, "sigma = {:.16e}", curve.sigma.mau_s);
    let _ = writeln!(out, "sigma_from = {}", quoted(curve.sigma.from.words()));
    out.push('\n');
    figures(out, curve, limits);
    levels(out, curve);
}

/// One injection; its residual stands behind it for a plot.
fn point(out: &mut String, curve: &Curve, p: &Point) {
    // {:?} writes the shortest decimal that reads back as the same number.
    let height = p
        .height_mau
        .map(|h| format!(" height_mau = {h:?},"))
        .unwrap_or_default();
    let residual = p.area_mau_s - curve.regression.value(p.nominal);
    let found = curve.regression.invert(p.area_mau_s);
    let error = 100.0 * (found - p.nominal) / p.nominal;
    let percent = if error.is_finite() {
        format!(", {} %", fixed(error, 2))
    } else {
        String::new()
    };
    let _ = writeln!(
        out,
        "  {{ level = {}, nominal = {:?}, area_mau_s = {:?},{height} trace = {}, sha256 = {} }}, # residual {} mAU·s; found {}{percent}",
        quoted(&p.level),
        p.nominal,
        p.area_mau_s,
        quoted(&p.trace),
        quoted(&p.sha256),
        significant(residual, 4),
        significant(found, 5),
    );
}

fn blank(out: &mut String, b: &Blank) {
    let number = |key: &str, value: Option<f64>| {
        value
            .map(|v| format!("{key} = {v:?}, "))
            .unwrap_or_default()
    };
    let _ = writeln!(
        out,
        "  {{ {}{}trace = {}, sha256 = {} }},",
        number("area_mau_s", b.area_mau_s),
        number("noise_mau", b.noise_mau),
        quoted(&b.trace),
        quoted(&b.sha256),
    );
}

/// Figures of merit as comment lines.
fn figures(out: &mut String, curve: &Curve, limits: &Limits) {
    let unit = one_line(&curve.unit);
    let r = &curve.regression;
    let se = r.standard_errors();
    let amount = |v: f64| format!("{} {unit}", significant(v, 4));
    let mut lines = vec![
        (
            "calibrated range",
            format!(
                "{} to {}",
                significant(curve.lowest, 6),
                amount(curve.highest)
            ),
        ),
        ("R²", significant(r.r2, 7)),
        ("points, degrees of freedom", format!("{}, {}", r.n, r.df)),
        (
            "standard error of slope",
            format!("{} mAU·s per {unit}", significant(se[1], 4)),
        ),
    ];
    if !curve.fit.through_zero {
        lines.push((
            "standard error of intercept",
            format!("{} mAU·s", significant(se[0], 4)),
        ));
    }
    if curve.bend().is_some() {
        lines.push((
            "standard error of quadratic",
            format!("{} mAU·s per ({unit})²", significant(se[2], 4)),
        ));
    }
    lines.push(("usable range", one_line(&curve.usable(limits).words(&unit))));
    let from = match curve.sigma.from {
        SigmaFrom::Residuals => "from residuals".to_owned(),
        other => format!("from {} ({})", other.words(), curve.sigma.n),
    };
    lines.push((
        "limit of detection, 3.3 sigma/S",
        format!("{}, {from}", amount(curve.lod)),
    ));
    lines.push(("limit of quantification, 10 sigma/S", amount(curve.loq)));
    if let Some(rse) = curve.relative_standard_error_percent {
        lines.push((
            "relative standard error",
            format!("{} %", significant(rse, 4)),
        ));
    }
    if let Some(lack) = curve.lack_of_fit {
        let text = format!(
            "F {} ({}, {}), p {}",
            significant(lack.f, 4),
            lack.df_lack,
            lack.df_pure,
            significant(lack.p, 3)
        );
        lines.push(("lack of fit", text));
    }
    if let Some(din) = curve.din32645 {
        lines.push(("DIN 32645 detection limit", amount(din.detection)));
        lines.push(("DIN 32645 capture limit", amount(din.capture)));
        if let Some(determination) = din.determination {
            lines.push(("DIN 32645 determination limit", amount(determination)));
        }
    }
    for (name, value) in lines {
        let _ = writeln!(out, "# {name:<37}{value}");
    }
}

/// The levels as a comment table.
fn levels(out: &mut String, curve: &Curve) {
    let widest = curve
        .levels
        .iter()
        .map(|l| one_line(&l.level).chars().count())
        .fold(5, usize::max);
    let _ = writeln!(
        out,
        "#\n# {:<widest$}  {:>12}  {:>15}  {:>8}  {:>10}",
        "level", "nominal", "back-calculated", "error, %", "scatter, %"
    );
    for level in &curve.levels {
        let error = level.error_percent.map(|e| fixed(e, 2)).unwrap_or_default();
        let scatter = level
            .scatter_percent
            .map(|e| fixed(e, 2))
            .unwrap_or_default();
        let line = format!(
            "# {:<widest$}  {:>12}  {:>15}  {error:>8}  {scatter:>10}  {}",
            one_line(&level.level),
            significant(level.nominal, 6),
            significant(level.back_calculated, 5),
            count(level.n, "injection"),
        );
        let _ = writeln!(out, "{line}");
    }
}

/// A TOML basic string: quotes, backslashes, control characters and hidden marks escaped.
pub(crate) fn quoted(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        let hidden = matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}');
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() || hidden => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
