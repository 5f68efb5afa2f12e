//! A calibration as a picture: one panel for each analyte, points and line above, back-calculated errors below.
//!
//! Plain SVG without scripts, styles from outside, or fonts of its own.

mod axis;
mod panel;

use std::fmt::Write as _;

use super::calibration::{Calibration, Point};
use crate::method::{Degree, Weight};
use crate::text::one_line;

/// Size of one panel, px.
const PANEL: [f64; 2] = [460.0, 400.0];
/// Around everything, px.
const MARGIN: f64 = 16.0;
/// Room for the heading, px.
const HEADING: f64 = 50.0;

/// The plot of a calibration, a whole SVG document. Panels stand in two columns where there are several.
pub fn calibration_svg(calibration: &Calibration) -> String {
    let columns = calibration.curves.len().clamp(1, 2);
    let rows = calibration.curves.len().div_ceil(columns).max(1);
    let width = 2.0 * MARGIN + PANEL[0] * columns as f64;
    let height = 2.0 * MARGIN + HEADING + PANEL[1] * rows as f64;
    let mut out = String::new();
    let _ = writeln!(
        out,
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}" role="img" font-family="system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif" font-size="12" fill="#1f2933">"##
    );
    let title = if calibration.name.is_empty() {
        "Calibration"
    } else {
        &calibration.name
    };
    let _ = writeln!(out, "<title>{}</title>", escape(title));
    let _ = writeln!(
        out,
        r##"<rect width="{width}" height="{height}" fill="#ffffff"/>"##
    );
    heading(&mut out, calibration, title, columns);
    for (i, curve) in calibration.curves.iter().enumerate() {
        let left = MARGIN + PANEL[0] * (i % columns) as f64;
        let top = MARGIN + HEADING + PANEL[1] * (i / columns) as f64;
        let points: Vec<&Point> = calibration.points_of(&curve.analyte).collect();
        panel::draw(&mut out, curve, &points, [left, top], i);
    }
    out.push_str("</svg>\n");
    out
}

fn heading(out: &mut String, calibration: &Calibration, title: &str, columns: usize) {
    let rule = match calibration.fit.weight {
        Weight::One => "equal weights",
        Weight::InverseX => "weights 1/x",
        Weight::InverseX2 => "weights 1/x²",
    };
    let zero = if calibration.fit.through_zero {
        ", through zero"
    } else {
        ""
    };
    let model = match calibration.fit.degree {
        Degree::Straight => "straight line",
        Degree::Quadratic => "parabola",
    };
    let made = if calibration.created.is_empty() {
        String::new()
    } else {
        format!(" · {}", calibration.created)
    };
    // Wide enough for about so many letters; what is cut stands in the file.
    let letters = 56 * columns;
    let _ = writeln!(
        out,
        r##"<text x="{MARGIN}" y="34" font-size="17" font-weight="600">{}</text>"##,
        escape(&cut(title, letters * 3 / 4))
    );
    let _ = writeln!(
        out,
        r##"<text x="{MARGIN}" y="53" fill="#52606d">{}</text>"##,
        escape(&cut(
            &format!("{model}{zero}, {rule}{made}"),
            letters * 5 / 4
        ))
    );
}

/// Text for an element or attribute: nothing that is markup, nothing that cannot be seen.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in one_line(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // The two code points that XML forbids and Rust allows.
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// At most so many letters, the last an ellipsis where some are left out.
fn cut(text: &str, letters: usize) -> String {
    if text.chars().count() <= letters {
        return text.to_owned();
    }
    text.chars()
        .take(letters.saturating_sub(1))
        .chain(['…'])
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::method::Fit;
    use crate::quant::calibration::tests::{example, meta, method};
    use proptest::prelude::*;

    #[test]
    fn the_picture_holds_panels_points_and_units() {
        let svg = calibration_svg(&example());
        assert_eq!(svg.matches("<g id=\"panel-").count(), 2);
        assert_eq!(
            svg.matches("class=\"point\"").count(),
            example().points.len()
        );
        assert!(
            svg.contains("area, mAU·s")
                && svg.contains("lactic acid")
                && svg.contains("concentration, mmol/L")
        );
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }

    #[test]
    fn text_from_outside_is_no_markup() {
        let mut calibration = example();
        calibration.name = "<script>alert(1)</script>\u{202e}&".to_owned();
        let old = calibration.curves[0].analyte.clone();
        calibration.curves[0].analyte = "a<b>\"'".to_owned();
        calibration.curves[0].unit = "</text>".to_owned();
        for p in calibration.points.iter_mut().filter(|p| p.analyte == old) {
            p.analyte = "a<b>\"'".to_owned();
        }
        let svg = calibration_svg(&calibration);
        assert!(!svg.contains("<script") && !svg.contains("a<b>") && !svg.contains('\u{202e}'));
        assert_eq!(svg.matches("<text").count(), svg.matches("</text>").count());
    }

    proptest! {
        /// Whatever is fitted is drawn with finite coordinates.
        #[test]
        fn any_calibration_is_drawn(
            areas in proptest::collection::vec(-1e3..1e12_f64, 4..12), scale in 1e-12..1e12_f64, through_zero in proptest::bool::ANY
        ) {
            let method = method();
            let points = areas.iter().enumerate().map(|(i, area)| {
                let level = &method.levels[i % 4];
                let nominal = level.nominal[0].unwrap_or(1.0);
                Point { nominal: nominal * scale, ..Point::of_method(&method, &level.name, "lactic acid", area * nominal, "", "").unwrap() }
            });
            let fit = Fit { weight: Weight::InverseX2, through_zero, degree: Degree::Straight };
            if let Ok(calibration) = Calibration::fit(points.collect(), &method.analytes, fit, meta()) {
                let svg = calibration_svg(&calibration);
                prop_assert!(!svg.contains("NaN") && !svg.contains("inf"));
            }
        }
    }

    #[test]
    fn long_text_is_cut() {
        assert_eq!(cut("abcdef", 4), "abc…");
        assert_eq!(cut("abcd", 4), "abcd");
    }
}
