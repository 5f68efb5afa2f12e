//! Verticals between peaks that overlap so far that their flanks are hidden.
//!
//! The shapes of the whole group are fitted; they say only where the vertical stands: where what one peak loses behind
//! it is what it gets of the other before it. The areas stay those of the raw signal. Where no such place lies
//! between the apexes (a small one on a long tail), the fitted tail is what the rider is cut off from.

use super::fit::group::{self, Shape, Start};
use super::peaks::{View, Work};

/// Valley over the smaller height from which flanks count as hidden.
const HIDDEN: f64 = 0.02;
/// More peaks than this are not fitted at once.
const MOST: usize = 5;
/// The smaller peak stands out of the noise by so much.
const CLEAR: f64 = 40.0;
/// Residuals over the smallest height, beyond which the shapes are not believed.
const UNLIKE: f64 = 0.03;

/// What becomes of the border between two peaks.
#[derive(Debug, Clone, Copy)]
pub(super) enum Border {
    /// A vertical here.
    At(f64),
    /// The second rides on the first, whose shape this is; and its own.
    Rides(Shape, Shape),
}

impl View<'_> {
    /// For each peak but the first, the border to the one before, where shapes could be fitted. `valleys[i]`: place and
    /// height between peak `i - 1` and `i`, where they touch.
    pub(super) fn borders(
        &self,
        works: &[Work],
        valleys: &[Option<(f64, f64)>],
    ) -> Vec<Option<Border>> {
        let mut out = vec![None; works.len()];
        let hidden = |i: usize| {
            let (a, b) = (&works[i - 1], &works[i]);
            let low = a.height.min(b.height);
            valleys[i].is_some_and(|(_, v)| v > HIDDEN * low)
                && low > CLEAR * self.scale.sigma_smooth
        };
        let mut i = 1;
        while i < works.len() {
            if !hidden(i) {
                i += 1;
                continue;
            }
            let first = i - 1;
            while i < works.len() && hidden(i) {
                i += 1;
            }
            let run = first..i;
            if run.len() > MOST {
                continue;
            }
            let Some(shapes) = self.shapes_of(&works[run.clone()], &valleys[first], valleys.get(i))
            else {
                continue;
            };
            for (k, pair) in shapes.windows(2).enumerate() {
                let at = first + 1 + k;
                out[at] = border(&pair[0], &pair[1], works[at - 1].apex_s, works[at].apex_s);
            }
        }
        out
    }

    fn shapes_of(
        &self,
        run: &[Work],
        before: &Option<(f64, f64)>,
        after: Option<&Option<(f64, f64)>>,
    ) -> Option<Vec<Shape>> {
        let (a, b) = (run.first()?, run.last()?);
        let grid = &self.scale.grid;
        let from = before.map_or(a.start_s, |v| v.0.max(a.start_s));
        let to = after
            .copied()
            .flatten()
            .map_or(b.end_s, |v| v.0.min(b.end_s));
        let (first, last) = (grid.cell(from), grid.cell(to));
        let x: Vec<f64> = (first..=last).map(|k| grid.centre_s(k)).collect();
        let y = self.above.get(first..=last)?;
        let starts: Vec<Start> = run.iter().map(Work::begin).collect();
        let fitted = group::fit(&x, y, &starts, 0, 0.02)?;
        // Two shapes that changed places, or left, say nothing.
        let stray = |(s, w): (&Shape, &Work)| (s.apex_s() - w.apex_s).abs() > 0.5 * w.reach.width;
        if fitted.shapes.iter().zip(run).any(stray) {
            return None;
        }
        let lowest = run.iter().map(|w| w.height).fold(f64::INFINITY, f64::min);
        (fitted.spread < UNLIKE * lowest + 3.0 * self.scale.sigma_cell).then_some(fitted.shapes)
    }
}

fn border(a: &Shape, b: &Shape, first_s: f64, second_s: f64) -> Option<Border> {
    let excess = |x: f64| a.area - a.before(x) - b.before(x);
    let (mut low, mut high) = (first_s, second_s);
    if excess(low) <= 0.0 {
        return None;
    }
    // So deep in the second that it stands on the first's tail rather than beside it.
    if excess(first_s + 0.9 * (second_s - first_s)) > 0.0 {
        return Some(Border::Rides(*a, *b));
    }
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if excess(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(Border::At(0.5 * (low + high)))
}
