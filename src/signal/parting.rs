//! Where the vertical between two touching peaks is drawn.
//!
//! At the lowest place between them the vertical gives a small peak too little beside a large one, and a tailing one
//! too much of its follower (10 : 1 at resolution 1.0: 8 % of the small one). What one loses behind the line need not
//! be what it gets from the other before it. Where both flanks are clear, the line is drawn where the two amounts are
//! alike: it stays near the valley, and the areas come out right. House rule, tested against computed truth.

use crate::signal::same::Same;
use libm::erfc;

use super::bounds::{Reach, Typical};
use super::shape::Flank;

/// A peak as far as its neighbour is concerned; distances from its apex, s.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Side {
    pub(crate) apex_s: f64,
    pub(crate) height: f64,
    pub(crate) front: Flank,
    pub(crate) back: Flank,
    pub(crate) reach: Reach,
}

/// Levels of a tail: distances at 50, 10 and 5 % of the height, then an exponential.
struct Tail {
    places: [f64; 3],
    tau: f64,
}

const LEVELS: [f64; 3] = [0.5, 0.1, 0.05];

impl Tail {
    /// The first one's own where it falls to 5 % before the valley, else that of the follower or of the trace's clear
    /// peaks, by half-widths.
    fn of(first: &Side, second: &Side, typical: Typical) -> Option<Tail> {
        // Its half-width may be lost in the valley: then as wide as its front, skewed like the follower.
        let skewed = || Some(first.front.at_50? * second.back.at_50? / second.front.at_50?);
        let half = first.back.at_50.or_else(skewed)?;
        let own = levels(first.back).map(|p| Tail {
            places: p,
            tau: beyond_5(p, first.reach.tau),
        });
        let lent = || {
            let places = levels(second.back)?;
            let scale = half / places[0];
            Some(Tail {
                places: places.map(|p| p * scale),
                tau: beyond_5(places, second.reach.tau) * scale,
            })
        };
        let usual = || {
            let (back_05, tau) = (typical.back_05 * half, typical.tail * half);
            Tail {
                places: [
                    half,
                    (back_05 - tau * 2f64.same_ln()).max(1.01 * half),
                    back_05,
                ],
                tau,
            }
        };
        let tail = own.or_else(lent).unwrap_or_else(usual);
        (tail.places[0] > 0.0 && tail.places[1] > tail.places[0] && tail.places[2] > tail.places[1])
            .then_some(tail)
    }

    /// Part of the height at a distance.
    fn at(&self, d: f64) -> f64 {
        let [half, ten, five] = self.places;
        if d < half {
            0.5f64.same_powf((d.max(0.0) / half).powi(2))
        } else if d < ten {
            0.5 * 0.2f64.same_powf((d - half) / (ten - half))
        } else if d < five {
            0.1 * 0.5f64.same_powf((d - ten) / (five - ten))
        } else {
            0.05 * (-(d - five) / self.tau).same_exp()
        }
    }

    /// Area beyond a distance, in heights times s.
    fn beyond(&self, d: f64) -> f64 {
        let mut sum = self.tau * self.at(d.max(self.places[2]));
        for k in (0..2).rev() {
            let (from, to) = (self.places[k].max(d), self.places[k + 1]);
            if from < to {
                // An exponential piece: difference of its ends over its constant.
                let rate = (LEVELS[k] / LEVELS[k + 1]).same_ln() / (to - self.places[k]);
                sum += (self.at(from) - LEVELS[k + 1]) / rate;
            }
        }
        if d < self.places[0] {
            // Above half the height: nearly straight pieces will do, the line is never drawn here.
            sum += 0.5 * (self.places[0] - d) * (self.at(d) + 0.5);
        }
        sum
    }
}

/// Constant of an exponential with the area that lies beyond the 5 % level. A Gaussian falls ever faster: there it is
/// 0.83 of the constant between 10 and 5 %.
fn beyond_5(places: [f64; 3], tau: f64) -> f64 {
    let [half, ten, five] = places;
    // 3.21 for a Gaussian, 2.32 for an exponential.
    let gaussian = ((ten - half) / (five - ten).max(1e-9) - 2.32) / (3.21 - 2.32);
    tau * (1.0 - 0.17 * gaussian.clamp(0.0, 1.0))
}

fn levels(flank: Flank) -> Option<[f64; 3]> {
    Some([flank.at_50?, flank.at_10?, flank.at_05?])
}

/// The second's front over the first's, by half-widths, while the valley is too low to spoil them.
fn wider(first: &Side, second: &Side, valley: f64) -> f64 {
    let halves = first
        .front
        .at_50
        .zip(second.front.at_50)
        .filter(|_| valley < 0.3 * second.height);
    halves.map_or(1.0, |(a, b)| (b / a).clamp(0.8, 1.25))
}

/// The place between the apexes where what the first loses behind the line is what it gets of the second before it.
/// `valley`: lowest height between them.
pub(crate) fn balanced(first: &Side, second: &Side, valley: f64, typical: Typical) -> Option<f64> {
    let tail = Tail::of(first, second, typical)?;
    let sigma = match (second.front.at_05, first.front.at_05) {
        (Some(own), _) => own / 2.447_747,
        (None, Some(lent)) => lent / 2.447_747 * wider(first, second, valley),
        _ => second.reach.sigma,
    };
    let apart = second.apex_s - first.apex_s;
    // Each apex stands on what the other leaves there.
    let under = |d: f64| (-0.5 * (d / sigma).powi(2)).same_exp();
    let high = second.height - first.height * tail.at(apart);
    let first_height = first.height - high * under(apart);
    if high <= 0.35 * second.height || first_height <= 0.2 * first.height {
        return None;
    }
    let excess = |x: f64| {
        let before = high
            * sigma
            * (0.5 * std::f64::consts::PI).sqrt()
            * erfc((apart - x) / (sigma * 2f64.sqrt()));
        first_height * tail.beyond(x) - before
    };
    let (mut a, mut b) = (0.1 * apart, 0.9 * apart);
    if excess(a) < 0.0 || excess(b) > 0.0 {
        return None;
    }
    for _ in 0..40 {
        let middle = 0.5 * (a + b);
        if excess(middle) > 0.0 {
            a = middle
        } else {
            b = middle
        }
    }
    Some(first.apex_s + 0.5 * (a + b))
}

/// Area of the first one's tail beyond a time.
pub(crate) fn tail_area(first: &Side, second: &Side, typical: Typical, at_s: f64) -> Option<f64> {
    let tail = Tail::of(first, second, typical)?;
    Some(first.height * tail.beyond((at_s - first.apex_s).max(0.0)))
}
