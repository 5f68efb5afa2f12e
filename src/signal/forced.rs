//! Baselines and bounds that were ordered: valley to valley, and from here to there.

use super::detect::Candidate;
use super::peaks::{View, Work};
use super::steer::Style;
use super::{Rule, shape};
use crate::signal::same::Same;

/// What lies inside forced bounds counts as a peak where it stands so far above the noise.
const STANDS: f64 = 6.0;

impl View<'_> {
    fn style(&self, w: &Work) -> Option<Style> {
        self.params.steering.style(w.apex_s)
    }

    /// A plain vertical at the valley is ordered for one of the two.
    pub(super) fn drop_ordered(&self, a: &Work, b: &Work) -> bool {
        let plain = |w: &Work| matches!(self.style(w), Some(Style::Drop | Style::Valley));
        plain(a) || plain(b)
    }

    /// A skim is ordered for the rider.
    pub(super) fn skim_ordered(&self, rider: &Work) -> bool {
        self.style(rider) == Some(Style::Skim)
    }

    /// Straight lines from valley to valley where they are ordered, then forced bounds.
    pub(super) fn ordered(&self, works: &mut Vec<Work>) {
        if self.params.steering.spans.is_empty() && self.params.steering.wishes.is_empty() {
            return;
        }
        for w in works.iter_mut() {
            if self.style(w) == Some(Style::Valley) && w.rule != Rule::ValleyToValley {
                self.straight(w);
                w.rule = Rule::ValleyToValley;
            }
        }
        for wish in &self.params.steering.wishes {
            if let Some([from_s, to_s]) = wish.bounds_s {
                self.force(works, from_s, to_s);
            }
        }
    }

    /// The baseline becomes the straight line between the signal at the bounds.
    fn straight(&self, w: &mut Work) {
        let (from, to) = (self.height_at(w.start_s), self.height_at(w.end_s));
        let apart = (w.end_s - w.start_s).max(f64::MIN_POSITIVE);
        w.area = self.under(w.start_s, w.end_s) - 0.5 * (from + to) * apart;
        w.height -= from + (to - from) * (w.apex_s - w.start_s) / apart;
        w.line = Some((from, to));
    }

    /// Area above the common baseline.
    fn under(&self, from_s: f64, to_s: f64) -> f64 {
        self.running.area(from_s, to_s) - self.base.area(from_s, to_s)
    }

    /// Smoothed signal above the common baseline.
    fn height_at(&self, t: f64) -> f64 {
        let grid = &self.scale.grid;
        let x = ((t - grid.start_s) / grid.step_s - 0.5).max(0.0);
        let k = (x as usize).min(self.above_smooth.len().saturating_sub(2));
        let (a, b) = (self.above_smooth.get(k), self.above_smooth.get(k + 1));
        match (a, b) {
            (Some(a), Some(b)) => a + (x - k as f64).min(1.0) * (b - a),
            _ => 0.0,
        }
    }

    fn force(&self, works: &mut Vec<Work>, from_s: f64, to_s: f64) {
        let from_s = from_s.max(self.running.start_s());
        let to_s = to_s.min(self.running.end_s());
        if to_s - from_s < 2.0 * self.scale.grid.step_s {
            return;
        }
        let inside = |w: &Work| w.apex_s > from_s && w.apex_s < to_s;
        let tallest = (0..works.len())
            .filter(|i| inside(&works[*i]))
            .max_by(|i, j| works[*i].height.total_cmp(&works[*j].height));
        let chosen = match tallest {
            Some(i) => i,
            None => match self.shoulder(from_s, to_s) {
                Some(w) => {
                    let at = works.partition_point(|o| o.apex_s < w.apex_s);
                    works.insert(at, w);
                    at
                }
                None => return,
            },
        };
        // Whatever else stands inside is part of it.
        let apex_s = works[chosen].apex_s;
        works.retain(|w| !inside(w) || w.apex_s == apex_s);
        for w in works.iter_mut() {
            if w.apex_s == apex_s {
                self.hold(w, from_s, to_s);
            } else if w.apex_s <= from_s && w.end_s > from_s {
                w.area -= self.under(from_s, w.end_s.min(to_s));
                w.end_s = from_s;
            } else if w.apex_s >= to_s && w.start_s < to_s {
                w.area -= self.under(w.start_s.max(from_s), to_s);
                w.start_s = to_s;
            }
        }
    }

    fn hold(&self, w: &mut Work, from_s: f64, to_s: f64) {
        // What a skim took from its height comes back.
        w.height = self.height_at(w.apex_s).max(w.height);
        (w.start_s, w.end_s, w.line) = (from_s, to_s, None);
        w.rule = Rule::ForcedBounds;
        if self.style(w) == Some(Style::Valley) {
            self.straight(w);
        } else {
            w.area = self.under(from_s, to_s);
        }
    }

    /// A shoulder: what stands highest between the bounds, where no maximum was found.
    fn shoulder(&self, from_s: f64, to_s: f64) -> Option<Work> {
        let grid = &self.scale.grid;
        let (first, last) = (grid.cell(from_s), grid.cell(to_s));
        // On a falling flank only the logarithm has a highest place.
        let level = |t: f64| self.height_at(t).max(self.scale.sigma_smooth).same_ln();
        let (low, high) = (level(from_s), level(to_s));
        let rise = |k: usize| {
            let part = (k - first) as f64 / (last - first).max(1) as f64;
            let above = self.above_smooth[k].max(self.scale.sigma_smooth);
            above.same_ln() - low - part * (high - low)
        };
        let cell = (first + 1..last).max_by(|a, b| rise(*a).total_cmp(&rise(*b)))?;
        let height = self.above_smooth[cell];
        if height < STANDS * self.scale.sigma_smooth || self.under(from_s, to_s) <= 0.0 {
            return None;
        }
        let apex_s = grid.centre_s(cell);
        let levels =
            |values: &mut dyn Iterator<Item = f64>| shape::flank(values, 0.0, grid.step_s, height);
        let front = levels(&mut self.above_smooth[first..=cell].iter().rev().copied());
        let back = levels(&mut self.above_smooth[cell..=last].iter().copied());
        let candidate = Candidate {
            cell,
            valley: first,
            beside: true,
        };
        Some(self.work(candidate, apex_s, height, [front, back]))
    }
}
