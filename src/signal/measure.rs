//! From a place to a peak's shape, bounds and area.

use super::bounds::{Reach, Typical};
use super::detect::Candidate;
use super::overlap::Border;
use super::peaks::{View, Work};
use super::shape::{self, Flank};
use super::{Rule, parting, spread};
use crate::signal::same::Same;

/// One half-width over the other beyond which a flank is a step. An exponential behind a front a twelfth of its constant
/// wide has 6.
const STEEP: f64 = 15.0;

impl View<'_> {
    pub(super) fn shapes(&mut self) -> Vec<Work> {
        let mut works: Vec<Work> = Vec::with_capacity(self.found.len());
        let mut flanks = Vec::with_capacity(self.found.len());
        for (i, c) in self.found.iter().enumerate() {
            let right = self
                .found
                .get(i + 1)
                .map_or(self.free.len() - 1, |next| next.valley);
            flanks.push(self.flanks(*c, right));
        }
        let typical = typical(&flanks);
        self.typical = typical;
        for (c, f) in self.found.iter().zip(flanks) {
            let reach = Reach::new(f.front, f.back, f.width, f.trust, typical);
            works.push(self.with_reach(*c, f.apex_s, f.height, [f.front, f.back], reach));
        }
        works
    }

    /// A peak of these flanks that stands alone so far.
    pub(super) fn work(&self, c: Candidate, apex_s: f64, height: f64, flanks: [Flank; 2]) -> Work {
        let width = self.scale.width * self.scale.grid.step_s;
        let reach = Reach::new(flanks[0], flanks[1], width, [false; 2], self.typical);
        self.with_reach(c, apex_s, height, flanks, reach)
    }

    fn with_reach(
        &self,
        candidate: Candidate,
        apex_s: f64,
        height: f64,
        [front, back]: [Flank; 2],
        reach: Reach,
    ) -> Work {
        let (start_s, end_s) = self.range(&reach, apex_s, height);
        Work {
            candidate,
            apex_s,
            height,
            front,
            back,
            reach,
            start_s,
            end_s,
            rule: Rule::ValleyToValley,
            area: 0.0,
            line: None,
            balanced: false,
            peak_to_valley: None,
        }
    }

    /// Where hardly any area is left outside; a noisy peak is ended a little earlier, for more would only be noise.
    fn range(&self, reach: &Reach, apex_s: f64, height: f64) -> (f64, f64) {
        let lost =
            (0.1 * self.scale.sigma_smooth / height.max(f64::MIN_POSITIVE)).clamp(3e-4, 1e-2);
        (
            (apex_s - reach.front(lost)).max(self.running.start_s()),
            (apex_s + reach.back(lost)).min(self.running.end_s()),
        )
    }

    fn flanks(&self, c: Candidate, right: usize) -> Flanks {
        let grid = &self.scale.grid;
        let rough = self.scale.rough_width(c, 1.0).max(2.0) * grid.step_s;
        let near = grid.centre_s(c.cell);
        let gap = (c.cell - c.valley).min(right - c.cell).max(2) as f64 * grid.step_s;
        let over = self.above_smooth[c.cell] / self.scale.sigma_smooth;
        // The clearer the peak, the shorter the stretch that is fitted: noise shrinks, skew does not.
        let (degree, share) = if over > 40.0 {
            (4, (0.42 * (300.0 / over).same_powf(0.1)).clamp(0.25, 0.45))
        } else {
            (2, 0.35)
        };
        let reach = (share * rough)
            .min(0.8 * gap)
            .max(1.01 * self.running.interval_s());
        // Kept between its valleys, so that apexes stay in order.
        let (least, most) = (grid.centre_s(c.valley), grid.centre_s(right));
        let fit = |at: f64, degree: usize| {
            shape::summit(self.running, at, reach, degree, 1.0)
                .filter(|(t, _)| *t > least && *t < most)
        };
        // Once more about the apex itself: a window that lies askew draws it aside.
        let once = fit(near, degree).or_else(|| fit(near, 2));
        let (apex_s, top) = once
            .and_then(|(at, _)| {
                fit(at, degree).filter(|(again, _)| (again - at).abs() < 0.5 * reach)
            })
            .or(once)
            .unwrap_or((near, self.scale.smooth[c.cell]));
        let height = top - self.base.at(apex_s);
        // A clear peak is read from the means, a noisy one from the smoothed means.
        let plain = 0.05 * height > 5.0 * self.scale.sigma_cell;
        let (u, sigma) = if plain {
            (&self.above, self.scale.sigma_cell)
        } else {
            (&self.above_smooth, self.scale.sigma_smooth)
        };
        let apex_cell = grid.cell(apex_s).min(right).max(c.valley);
        let offset = grid.centre_s(apex_cell) - apex_s;
        let front = shape::flank(
            u[c.valley..=apex_cell].iter().rev().copied(),
            -offset,
            grid.step_s,
            height,
        );
        let back = shape::flank(
            u[apex_cell..=right].iter().copied(),
            offset,
            grid.step_s,
            height,
        );
        let trust = [0.1 * height > 3.0 * sigma, 0.05 * height > 3.0 * sigma];
        Flanks {
            apex_s,
            height,
            front,
            back,
            width: rough,
            trust,
        }
    }

    /// Neighbours whose ranges meet are parted; then the areas.
    pub(super) fn bounds(&self, works: &mut Vec<Work>) {
        let mut valleys: Vec<Option<(f64, f64)>> = vec![None; works.len()];
        for i in 1..works.len() {
            let (a, b) = (&works[i - 1], &works[i]);
            valleys[i] = (a.end_s > b.start_s).then(|| self.valley(a, b));
        }
        let borders = self.borders(works, &valleys);
        for i in 1..works.len() {
            let (left, right) = works.split_at_mut(i);
            let (Some(a), Some(b)) = (left.last_mut(), right.first_mut()) else {
                continue;
            };
            if let Some(valley) = valleys[i] {
                self.part(a, b, valley, borders[i]);
            }
        }
        for w in works.iter_mut() {
            w.area = self.running.area(w.start_s, w.end_s) - self.base.area(w.start_s, w.end_s);
        }
        self.skim(works, &borders);
        works.retain(|w| self.falls_off(w));
        self.ordered(works);
    }

    /// One that touches nobody falls to half its height on both sides, unless the trace ends before, and on one not
    /// many times slower than on the other: a step does not.
    fn falls_off(&self, w: &Work) -> bool {
        let halves = w.front.at_50.zip(w.back.at_50);
        if halves.is_some_and(|(a, b)| a.max(b) > STEEP * a.min(b)) {
            return false;
        }
        let cut = w.start_s <= self.running.start_s() || w.end_s >= self.running.end_s();
        halves.is_some() || cut || w.rule != Rule::ValleyToValley
    }

    fn part(&self, a: &mut Work, b: &mut Work, valley: (f64, f64), border: Option<Border>) {
        let (place, value) = valley;
        let balanced = match border {
            _ if self.drop_ordered(a, b) => None,
            Some(Border::At(t)) => Some(t),
            Some(Border::Rides(..)) => None,
            None => self.parting(a, b, value, self.typical),
        };
        let at = balanced.unwrap_or(place);
        b.balanced = balanced.is_some();
        (a.end_s, b.start_s) = (at, at);
        (a.rule, b.rule) = (Rule::PerpendicularDrop, Rule::PerpendicularDrop);
        if value > 0.0 {
            a.peak_to_valley = Some(a.height.min(b.height) / value);
        }
    }

    /// The balanced place for the vertical, where both peaks are clear of the noise.
    fn parting(&self, a: &Work, b: &Work, valley: f64, typical: Typical) -> Option<f64> {
        let clear = a.height.min(b.height) > 120.0 * self.scale.sigma_smooth;
        if clear {
            parting::balanced(&a.side(), &b.side(), valley, typical)
        } else {
            None
        }
    }

    /// Place and height above the baseline of the valley between two peaks.
    fn valley(&self, a: &Work, b: &Work) -> (f64, f64) {
        let grid = &self.scale.grid;
        let near = grid.centre_s(b.candidate.valley);
        let gap = (near - a.apex_s).min(b.apex_s - near);
        let reach = (0.4 * a.reach.width.min(b.reach.width)).min(0.8 * gap);
        let clear = a.height.min(b.height) > 40.0 * self.scale.sigma_smooth;
        let fitted = shape::summit(
            self.running,
            near,
            reach.max(1.01 * grid.step_s),
            if clear { 4 } else { 2 },
            -1.0,
        );
        let (at, value) = fitted.unwrap_or((near, self.scale.smooth[b.candidate.valley]));
        let at = at.max(a.apex_s).min(b.apex_s);
        (at, value - self.base.at(at))
    }
}

/// One peak's shape before its reach is known.
struct Flanks {
    apex_s: f64,
    height: f64,
    front: Flank,
    back: Flank,
    width: f64,
    trust: [bool; 2],
}

/// The shape of the trace's own clear peaks.
fn typical(flanks: &[Flanks]) -> Typical {
    let clear: Vec<(f64, f64)> = flanks
        .iter()
        .filter(|f| f.trust[1])
        .filter_map(|f| {
            let (half, ten, five) = (f.back.at_50?, f.back.at_10?, f.back.at_05?);
            Some(((five - ten) / 2f64.same_ln() / half, five / half))
        })
        .collect();
    if clear.is_empty() {
        return Typical::default();
    }
    let tail = spread::median(clear.iter().map(|c| c.0).collect());
    let back_05 = spread::median(clear.iter().map(|c| c.1).collect());
    Typical {
        tail: tail.clamp(0.3, 1.2),
        back_05: back_05.clamp(2.0, 3.5),
    }
}
