//! How far a peak reaches: its flanks carried on by their own shape until hardly any area is left outside.
//!
//! Bounds read from the noise ("until the signal is back") end a small peak too early and a large one anywhere. Here
//! the front is carried on as a Gaussian, the tail as an exponential through its last two clear levels.

use super::shape::Flank;
use crate::signal::same::Same;

/// Shape of a usual peak, for those whose foot is lost in noise or under a neighbour: an exponentially modified
/// Gaussian with tau = 0.5 sigma, distances over the half-width of the same side.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Typical {
    /// Tail constant over the back half-width.
    pub(crate) tail: f64,
    /// Back distance at 5 % over the back half-width.
    pub(crate) back_05: f64,
}

impl Default for Typical {
    fn default() -> Self {
        Typical {
            tail: 0.52,
            back_05: 2.3,
        }
    }
}

/// What is known of one peak's reach, as distances from its apex, s.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reach {
    /// Sigma of the front.
    pub(crate) sigma: f64,
    /// Time constant of the tail.
    pub(crate) tau: f64,
    /// Distance of the 5 % level on the tail.
    pub(crate) back_05: f64,
    /// Full width at half height.
    pub(crate) width: f64,
}

/// 50, 10 and 5 % of a Gaussian's height, in sigma.
const GAUSS: [f64; 3] = [1.177_410, 2.145_966, 2.447_747];

impl Reach {
    /// From the flanks; `trust_10`, `trust_05`: those levels stand clear of the noise.
    pub(crate) fn new(
        front: Flank,
        back: Flank,
        width: f64,
        trust: [bool; 2],
        typical: Typical,
    ) -> Self {
        let clear = |v: Option<f64>, ok: bool| v.filter(|_| ok);
        let half_front = front.at_50.or(back.at_50).unwrap_or(0.5 * width).min(width);
        let half_back = back
            .at_50
            .or(front.at_50)
            .unwrap_or(0.5 * width)
            .min(2.0 * width);
        let sigma_half = half_front / GAUSS[0];
        let sigma = match (clear(front.at_10, trust[0]), clear(front.at_05, trust[1])) {
            (_, Some(x)) => x / GAUSS[2],
            (Some(x), None) => x / GAUSS[1],
            _ => sigma_half,
        };
        let sigma = sigma.max(0.6 * sigma_half).min(2.5 * sigma_half);
        // A pure exponential has tau = 1.44 and its 5 % level at 4.3 half-widths: no tail is longer for its half-width.
        let (least, most) = (0.3 * sigma, (1.5 * half_back).max(0.3 * sigma));
        let (tau, back_05) = match (clear(back.at_10, trust[0]), clear(back.at_05, trust[1])) {
            (Some(a), Some(b)) => (((b - a) / 2f64.same_ln()).max(least), b),
            (Some(a), None) => {
                let tau = ((a - half_back) / 5f64.same_ln()).max(least);
                (tau, a + tau * 2f64.same_ln())
            }
            _ => (
                (typical.tail * half_back).max(least),
                typical.back_05 * half_back,
            ),
        };
        let (tau, back_05) = (tau.min(most), back_05.max(half_back).min(4.6 * half_back));
        Reach {
            sigma,
            tau,
            back_05,
            width: half_front + half_back,
        }
    }

    /// Distance before the apex beyond which about `lost` of the area lies.
    pub(crate) fn front(&self, lost: f64) -> f64 {
        // Between 2.45 sigma for 1 % and 3.4 sigma for 0.03 %.
        let x = ((lost.same_ln() - 1e-2f64.same_ln()) / (3e-4f64.same_ln() - 1e-2f64.same_ln()))
            .clamp(0.0, 2.0);
        self.sigma * (2.45 + 0.95 * x)
    }

    /// Distance behind the apex beyond which about `lost` of the area lies.
    pub(crate) fn back(&self, lost: f64) -> f64 {
        let x = (0.05 * self.tau / (lost * 1.15 * self.width)).same_ln();
        self.back_05 + self.tau * x.clamp(0.0, 12.0)
    }

    /// Distance behind the apex at which the tail has fallen to `part` of the height.
    pub(crate) fn back_to(&self, part: f64) -> f64 {
        self.back_05 + self.tau * (0.05 / part).same_ln().clamp(0.0, 14.0)
    }
}
