//! One analyte's panel.

use std::fmt::Write as _;

use super::axis::Axis;
use super::{PANEL, cut, escape};
use crate::quant::calibration::Point;
use crate::quant::curve::Curve;
use crate::text::significant;

/// Left and right edge of the drawing inside a panel, px.
const SIDE: [f64; 2] = [72.0, 440.0];
/// Top and bottom of points and line, px.
const MAIN: [f64; 2] = [48.0, 252.0];
/// Top and bottom of the errors, px.
const ERRORS: [f64; 2] = [274.0, 346.0];

const GRID: &str = "#e4e7eb";
const FRAME: &str = "#9aa5b1";
const SOFT: &str = "#52606d";
const LINE: &str = "#2563a8";
const DOT: &str = "#c2410c";

/// Draws the panel with its upper left corner at `origin`.
pub(super) fn draw(
    out: &mut String,
    curve: &Curve,
    points: &[&Point],
    origin: [f64; 2],
    index: usize,
) {
    let x_axis = Axis::over(0.0, curve.highest, 5, SIDE);
    let highest_area = points
        .iter()
        .map(|p| p.area_mau_s)
        .fold(curve.regression.value(curve.highest), f64::max);
    let lowest_area = points.iter().map(|p| p.area_mau_s).fold(0.0, f64::min);
    let y_axis = Axis::over(lowest_area, highest_area, 5, [MAIN[1], MAIN[0]]);
    let errors: Vec<(f64, f64)> = points
        .iter()
        .filter_map(|p| error_percent(curve, p).map(|e| (p.nominal, e)))
        .collect();
    let widest = errors.iter().map(|(_, e)| e.abs()).fold(1.0, f64::max);
    let e_axis = Axis::over(-widest, widest, 5, [ERRORS[1], ERRORS[0]]);
    let _ = writeln!(
        out,
        r#"<g id="panel-{index}" transform="translate({} {})">"#,
        origin[0], origin[1]
    );
    titles(out, curve);
    frame(out, &x_axis, &y_axis, MAIN, false);
    frame(out, &x_axis, &e_axis, ERRORS, true);
    axis_names(out, curve);
    line(out, curve, &x_axis, &y_axis);
    for p in points {
        dot(out, "point", x_axis.px(p.nominal), y_axis.px(p.area_mau_s));
    }
    let zero = e_axis.px(0.0);
    let _ = writeln!(
        out,
        r#"<line x1="{}" x2="{}" y1="{zero:.1}" y2="{zero:.1}" stroke="{LINE}" stroke-width="1.2"/>"#,
        SIDE[0], SIDE[1]
    );
    for (x, e) in errors {
        dot(out, "error", x_axis.px(x), e_axis.px(e));
    }
    out.push_str("</g>\n");
}

/// Back-calculated error of one injection, %; `None` at nominal 0.
fn error_percent(curve: &Curve, p: &Point) -> Option<f64> {
    let error = 100.0 * (curve.regression.invert(p.area_mau_s) - p.nominal) / p.nominal;
    error.is_finite().then_some(error)
}

fn titles(out: &mut String, curve: &Curve) {
    let _ = writeln!(
        out,
        r#"<text x="{}" y="20" font-size="14" font-weight="600">{}</text>"#,
        SIDE[0],
        escape(&cut(&curve.analyte, 44))
    );
    let intercept = curve.intercept();
    let constant = if curve.fit.through_zero {
        String::new()
    } else {
        format!(
            " {} {}",
            if intercept < 0.0 { '−' } else { '+' },
            significant(intercept.abs(), 4)
        )
    };
    let bend = curve.bend().map_or(String::new(), |b| {
        let next = if curve.slope() < 0.0 { "" } else { "+ " };
        format!("{} c² {next}", significant(b, 4))
    });
    let r2 = significant(curve.r2(), 5);
    let text = format!(
        "area = {bend}{} c{constant} · R² {r2} · LOD {} {}",
        significant(curve.slope(), 5),
        significant(curve.lod, 2),
        curve.unit
    );
    let _ = writeln!(
        out,
        r#"<text x="{}" y="37" font-size="11.5" fill="{SOFT}">{}</text>"#,
        SIDE[0],
        escape(&cut(&text, 64))
    );
}

/// Grid, frame and tick texts; those of the amounts only where asked.
fn frame(out: &mut String, x: &Axis, y: &Axis, span: [f64; 2], x_texts: bool) {
    let [top, bottom] = span;
    let [left, right] = SIDE;
    for tick in x.ticks() {
        let at = x.px(tick);
        let _ = writeln!(
            out,
            r#"<line x1="{at:.1}" x2="{at:.1}" y1="{top}" y2="{bottom}" stroke="{GRID}"/>"#
        );
        if x_texts {
            let _ = writeln!(
                out,
                r#"<text x="{at:.1}" y="{}" text-anchor="middle" fill="{SOFT}" font-size="11">{}</text>"#,
                bottom + 16.0,
                x.label(tick)
            );
        }
    }
    for tick in y.ticks() {
        let at = y.px(tick);
        let _ = writeln!(
            out,
            r#"<line x1="{left}" x2="{right}" y1="{at:.1}" y2="{at:.1}" stroke="{GRID}"/>"#
        );
        let _ = writeln!(
            out,
            r#"<text x="{}" y="{:.1}" text-anchor="end" fill="{SOFT}" font-size="11">{}</text>"#,
            left - 7.0,
            at + 4.0,
            y.label(tick)
        );
    }
    let _ = writeln!(
        out,
        r#"<rect x="{left}" y="{top}" width="{}" height="{}" fill="none" stroke="{FRAME}"/>"#,
        right - left,
        bottom - top
    );
}

fn axis_names(out: &mut String, curve: &Curve) {
    let _ = writeln!(
        out,
        r#"<text x="{}" y="{}" text-anchor="middle">{}</text>"#,
        (SIDE[0] + SIDE[1]) / 2.0,
        PANEL[1] - 18.0,
        escape(&cut(&format!("concentration, {}", curve.unit), 50))
    );
    for (text, span) in [("area, mAU·s", MAIN), ("error, %", ERRORS)] {
        let y = (span[0] + span[1]) / 2.0;
        let _ = writeln!(
            out,
            r#"<text x="14" y="{y}" text-anchor="middle" transform="rotate(-90 14 {y})">{text}</text>"#
        );
    }
}

/// The curve from zero to the highest level, dashed below the calibrated range.
fn line(out: &mut String, curve: &Curve, x: &Axis, y: &Axis) {
    for (from, to, dash) in [
        (0.0, curve.lowest, r#" stroke-dasharray="4 4""#),
        (curve.lowest, curve.highest, ""),
    ] {
        let steps = 24;
        let path: Vec<String> = (0..=steps)
            .map(|i| from + (to - from) * f64::from(i) / f64::from(steps))
            .map(|at| format!("{:.1},{:.1}", x.px(at), y.px(curve.regression.value(at))))
            .collect();
        let _ = writeln!(
            out,
            r#"<polyline points="{}" fill="none" stroke="{LINE}" stroke-width="1.6"{dash}/>"#,
            path.join(" ")
        );
    }
}

fn dot(out: &mut String, class: &str, x: f64, y: f64) {
    let _ = writeln!(
        out,
        r##"<circle class="{class}" cx="{x:.1}" cy="{y:.1}" r="3.6" fill="{DOT}" fill-opacity="0.75" stroke="#ffffff" stroke-width="0.8"/>"##
    );
}
