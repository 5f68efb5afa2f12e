//! What lies under the peaks: baseline, drift, a slow wander, and in a bad hour air.

use super::maths::sin;
use super::random::{Purpose, Random};

/// A bubble on its way through the detector cell: a triangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spike {
    /// Where it is highest, s.
    pub at_s: f64,
    /// Height, mAU, signed.
    pub height_mau: f64,
    /// From the tip to either foot, s.
    pub half_width_s: f64,
}

/// Air in the detector.
#[derive(Debug, Clone, PartialEq)]
pub struct Bubbles {
    /// From, s.
    pub from_s: f64,
    /// To, s.
    pub to_s: f64,
    /// How much stronger the noise is meanwhile.
    pub roughness: f64,
    /// The spikes.
    pub spikes: Vec<Spike>,
}

/// What the baseline does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baseline {
    /// Signal at the injection, mAU.
    pub offset_mau: f64,
    /// Drift, mAU/h.
    pub drift_mau_per_h: f64,
    /// Amplitude of a slow wander, mAU.
    pub wander_mau: f64,
    /// Its period, s.
    pub wander_period_s: f64,
    /// Its phase at the injection, rad.
    pub wander_phase: f64,
}

impl Baseline {
    /// A baseline of ordinary quietness.
    pub(super) fn draw(seed: u64, position: u64) -> Baseline {
        let mut random = Random::stream(seed, position, Purpose::Baseline);
        Baseline {
            offset_mau: random.between(0.5, 2.0),
            drift_mau_per_h: random.between(-0.6, 0.9),
            wander_mau: random.between(0.01, 0.04),
            wander_period_s: random.between(900.0, 2400.0),
            wander_phase: random.between(0.0, std::f64::consts::TAU),
        }
    }

    /// Its value, mAU.
    pub(super) fn at_mau(&self, t_s: f64) -> f64 {
        let turn = std::f64::consts::TAU * t_s / self.wander_period_s + self.wander_phase;
        self.offset_mau + self.drift_mau_per_h * t_s / 3600.0 + self.wander_mau * sin(turn)
    }
}

impl Bubbles {
    /// Some minutes of air.
    pub(super) fn draw(seed: u64, position: u64) -> Bubbles {
        let mut random = Random::stream(seed, position, Purpose::Air);
        let from_s = 60.0 * random.between(7.5, 9.5);
        let to_s = 60.0 * random.between(16.0, 18.0);
        let spikes = (0..45).map(|_| Spike {
            at_s: random.between(from_s, to_s),
            height_mau: random.between(4.0, 40.0)
                * if random.between(0.0, 1.0) < 0.7 {
                    1.0
                } else {
                    -1.0
                },
            half_width_s: random.between(0.25, 0.75),
        });
        Bubbles {
            spikes: spikes.collect(),
            from_s,
            to_s,
            roughness: 12.0,
        }
    }

    /// How much stronger the noise is at this time.
    pub(super) fn roughness_at(&self, t_s: f64) -> f64 {
        if (self.from_s..self.to_s).contains(&t_s) {
            self.roughness
        } else {
            1.0
        }
    }

    /// The spikes at this time, mAU.
    pub(super) fn spikes_at_mau(&self, t_s: f64) -> f64 {
        self.spikes
            .iter()
            .map(|s| s.height_mau * (1.0 - (t_s - s.at_s).abs() / s.half_width_s).max(0.0))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_baseline_drifts_by_what_it_says() {
        for position in 1..=24 {
            let baseline = Baseline::draw(1, position);
            let drift = baseline.at_mau(3600.0) - baseline.at_mau(0.0);
            assert!((drift - baseline.drift_mau_per_h).abs() <= 2.0 * baseline.wander_mau + 1e-9);
            assert!(
                baseline.drift_mau_per_h.abs() < 1.0,
                "far inside a blank's limit"
            );
        }
    }

    #[test]
    fn a_spike_has_its_height_at_its_tip_and_nothing_beyond_its_feet() {
        let spike = Spike {
            at_s: 100.0,
            height_mau: -7.0,
            half_width_s: 0.5,
        };
        let air = Bubbles {
            from_s: 90.0,
            to_s: 110.0,
            roughness: 12.0,
            spikes: vec![spike],
        };
        assert_eq!(air.spikes_at_mau(100.0), -7.0);
        assert_eq!(air.spikes_at_mau(100.25), -3.5);
        assert_eq!(air.spikes_at_mau(100.5), 0.0);
        assert_eq!(
            (
                air.roughness_at(89.9),
                air.roughness_at(90.0),
                air.roughness_at(110.0)
            ),
            (1.0, 12.0, 1.0)
        );
    }
}
