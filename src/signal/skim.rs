//! A small peak that rides on the tail of a large one.
//!
//! A vertical would give it the whole tail beneath. The line from the valley that touches the signal behind the rider
//! from below (the tangent) leaves the tail with the large peak (common practice, no source). It is drawn in the
//! logarithm, where an exponential tail is straight: a line straight in the signal cuts off up to half of the rider.

use super::fit::group::Shape;
use super::overlap::Border;
use super::peaks::{View, Work};
use super::{Rule, parting};
use crate::signal::same::Same;

/// The carrier is at least so many times as high as the rider.
const CARRIER: f64 = 5.0;
/// A part of the rider's area that a vertical may take from the tail before the tangent is drawn instead.
const BORROWED: f64 = 0.2;

impl View<'_> {
    /// Turns verticals into tangents where the second of two is a rider, and moves the area between them.
    pub(super) fn skim(&self, works: &mut [Work], borders: &[Option<Border>]) {
        for (i, border) in borders.iter().enumerate().skip(1) {
            let next_start_s = works.get(i + 1).map_or(f64::INFINITY, |w| w.start_s);
            let (left, right) = works.split_at_mut(i);
            let (Some(carrier), Some(rider)) = (left.last_mut(), right.first_mut()) else {
                continue;
            };
            if self.drop_ordered(carrier, rider) {
                continue;
            }
            if let Some(Border::Rides(tail, own)) = border {
                self.cut_off(carrier, rider, tail, own, next_start_s);
            } else {
                self.along_tangent(carrier, rider, next_start_s);
            }
        }
    }

    fn along_tangent(&self, carrier: &mut Work, rider: &mut Work, next_s: f64) {
        let ordered = self.skim_ordered(rider);
        let touches = carrier.end_s >= rider.start_s && rider.end_s < next_s;
        let small = if ordered { 1.0 } else { CARRIER } * rider.height;
        if !touches || (rider.balanced && !ordered) || carrier.height < small {
            return;
        }
        let start_above = self.running.at(rider.start_s) - self.base.at(rider.start_s);
        let Some((end_s, rate)) = self.tangent(rider, start_above) else {
            return;
        };
        let from_s = rider.start_s;
        let end_above = start_above * (-rate * (end_s - from_s)).same_exp();
        // Beneath the exponential from the valley to the point of contact.
        let line = (start_above - end_above) / rate;
        let whole = self.running.area(from_s, end_s) - self.base.area(from_s, end_s);
        let borrowed = parting::tail_area(&carrier.side(), &rider.side(), self.typical, from_s);
        let little = borrowed.is_none_or(|b| b <= BORROWED * rider.area) && !ordered;
        if little || whole <= line {
            return;
        }
        carrier.area += rider.area - (whole - line);
        carrier.end_s = rider.end_s;
        rider.area = whole - line;
        rider.end_s = end_s;
        rider.line = Some((start_above, end_above));
        rider.rule = Rule::TangentSkim;
        // Its height, too, counts from the line.
        rider.height -= start_above * (-rate * (rider.apex_s - from_s)).same_exp();
    }

    /// Leaves the fitted tail with the carrier; the rider is what stands above it.
    fn cut_off(
        &self,
        carrier: &mut Work,
        rider: &mut Work,
        tail: &Shape,
        own: &Shape,
        next_s: f64,
    ) {
        let from_s = (own.mu_s - 3.4 * own.sigma_s).max(carrier.apex_s);
        let to_s = (own.mu_s + 3.4 * own.sigma_s + 5.0 * own.tau_s).min(rider.end_s.min(next_s));
        let whole = self.running.area(from_s, to_s) - self.base.area(from_s, to_s);
        let area = whole - (tail.before(to_s) - tail.before(from_s));
        if !(area > 0.0 && from_s < rider.apex_s && to_s > rider.apex_s) {
            return;
        }
        carrier.area += rider.area - area;
        carrier.end_s = rider.end_s;
        (rider.area, rider.start_s, rider.end_s) = (area, from_s, to_s);
        rider.line = Some((tail.at(from_s), tail.at(to_s)));
        rider.rule = Rule::TailSkim;
        rider.height -= tail.at(rider.apex_s);
    }

    /// Where the line from the rider's start touches the signal behind its apex, and how fast the line falls, 1/s.
    fn tangent(&self, rider: &Work, start_above: f64) -> Option<(f64, f64)> {
        let grid = &self.scale.grid;
        let (from, to) = (grid.cell(rider.apex_s) + 1, grid.cell(rider.end_s));
        // The logarithm of noise touches anywhere.
        let least = (8.0 * self.scale.sigma_smooth).max(0.01 * start_above);
        (from..=to)
            .map(|k| (grid.centre_s(k), self.above_smooth[k]))
            .take_while(|(_, above)| *above > least)
            .filter(|(t, _)| *t > rider.apex_s)
            .map(|(t, above)| (t, (start_above / above).same_ln() / (t - rider.start_s)))
            .filter(|(_, rate)| *rate > 0.0)
            .max_by(|a, b| a.1.total_cmp(&b.1))
    }
}
