//! One simulated trace: peaks and the injection front on a baseline, with noise and, in a bad hour, air.

use std::fmt::Write as _;

use super::baseline::{Baseline, Bubbles};
use super::chemistry::ACIDS;
use super::fault::Condition;
use super::maths::{emg_apex_s, emg_density};
use super::random::{Purpose, Random};
use super::{POINTS, RATE_HZ};

/// A Gaussian with an exponential tail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// The acid; empty for the injection front and for what no method names.
    pub name: &'static str,
    /// Area, mAU·s; negative for a dip.
    pub area_mau_s: f64,
    /// Where it is highest, s.
    pub apex_s: f64,
    /// Standard deviation of the Gaussian, s.
    pub sigma_s: f64,
    /// Time constant of the tail, s.
    pub tau_s: f64,
}

/// Everything that makes one trace.
#[derive(Debug, Clone, PartialEq)]
pub struct Chromatogram {
    /// Peaks and the injection front, in any order.
    pub peaks: Vec<Peak>,
    /// The baseline below them.
    pub baseline: Baseline,
    /// Standard deviation of the noise, mAU.
    pub noise_mau: f64,
    /// Air, in a bad hour.
    pub air: Option<Bubbles>,
    /// Stream of the noise.
    seed: u64,
    /// Place in the queue.
    position: u64,
}

/// Standard deviation of the detector's noise, mAU: an ordinary UV detector at 210 nm.
const NOISE_MAU: f64 = 0.012;
/// How much of a sample's noise is left in the next one: detectors smooth a little.
const COLOUR: f64 = 0.3;
/// Scatter of the injected volume, relative.
const VOLUME_SD: f64 = 0.003;
/// Scatter of one peak beyond that of the volume, relative.
const PEAK_SD: f64 = 0.0015;
/// Scatter of the retention, relative.
const RETENTION_SD: f64 = 0.0003;
/// Area of the peak that no method names, in a brine diluted tenfold, mAU·s.
const UNNAMED_MAU_S: f64 = 130.0;

/// What is in the vial.
pub(super) struct Vial {
    /// Concentrations in the order of the acids, mmol/L.
    pub(super) amounts: [f64; 4],
    /// It holds brine, with more in it than the method names.
    pub(super) brine: bool,
}

impl Chromatogram {
    /// The trace of this vial at this place of the queue.
    pub(super) fn new(vial: &Vial, condition: Condition, seed: u64, position: u64) -> Chromatogram {
        let mut random = Random::stream(seed, position, Purpose::Injection);
        let volume = condition.response * (1.0 + VOLUME_SD * random.normal());
        let place = 1.0 + RETENTION_SD * random.normal();
        let mut peaks = front().to_vec();
        if vial.brine {
            peaks.push(Peak {
                name: "",
                area_mau_s: UNNAMED_MAU_S * volume,
                apex_s: 588.0,
                sigma_s: 8.0,
                tau_s: 3.0,
            });
        }
        for (acid, amount) in ACIDS.iter().zip(vial.amounts) {
            let own = 1.0 + PEAK_SD * random.normal();
            if amount > 0.0 {
                peaks.push(Peak {
                    name: acid.name,
                    area_mau_s: amount * acid.response_mau_s * volume * own,
                    apex_s: acid.retention_min * 60.0 * place,
                    sigma_s: acid.sigma_s,
                    tau_s: acid.tau_s,
                });
            }
        }
        for peak in &mut peaks {
            peak.pass_through(condition);
        }
        Chromatogram {
            peaks,
            baseline: Baseline::draw(seed, position),
            noise_mau: NOISE_MAU,
            air: condition.air.then(|| Bubbles::draw(seed, position)),
            seed,
            position,
        }
    }

    /// The sum of the peaks alone, mAU, one value for each sample of the trace.
    pub fn peaks_mau(&self) -> Vec<f64> {
        let mut signal = vec![0.0; POINTS as usize];
        for peak in &self.peaks {
            peak.add_to(&mut signal);
        }
        signal
    }

    /// The whole signal, mAU, one value for each sample of the trace.
    pub fn signal_mau(&self) -> Vec<f64> {
        let mut random = Random::stream(self.seed, self.position, Purpose::Noise);
        // Keeps the standard deviation of the coloured noise that of the white one.
        let fresh = (1.0 - COLOUR * COLOUR).sqrt();
        let mut noise = random.normal();
        let mut signal = self.peaks_mau();
        for (t_s, value) in times_s().zip(&mut signal) {
            noise = COLOUR * noise + fresh * random.normal();
            let roughness = self.air.as_ref().map_or(1.0, |a| a.roughness_at(t_s));
            *value += self.baseline.at_mau(t_s) + self.noise_mau * roughness * noise;
            *value += self.air.as_ref().map_or(0.0, |a| a.spikes_at_mau(t_s));
        }
        signal
    }

    /// The export: a header and one line for each sample, minutes and mAU, with a constant added to the signal.
    pub fn text(&self, offset_mau: f64) -> String {
        let mut text = String::with_capacity(POINTS as usize * 18);
        text.push_str("time_min,signal_mau\n");
        for (t_s, value) in times_s().zip(self.signal_mau()) {
            // Writing into a string cannot fail.
            let _ = writeln!(text, "{:.6},{:.4}", t_s / 60.0, value + offset_mau);
        }
        text
    }
}

impl Peak {
    /// A slower flow makes everything later, broader and, in a detector of concentration, larger in area; a clogged
    /// column makes it broader at the same area.
    fn pass_through(&mut self, condition: Condition) {
        let slower = 1.0 / condition.flow;
        self.apex_s *= slower;
        self.area_mau_s *= slower;
        self.sigma_s *= slower * condition.broadening;
        self.tau_s *= slower * condition.broadening;
    }

    /// Adds the peak to a signal, within the stretch where it is worth adding.
    fn add_to(&self, signal: &mut [f64]) {
        let centre_s = self.apex_s - emg_apex_s(self.sigma_s, self.tau_s);
        // e^-32 of the height before, and e^-24 of the tail behind.
        let from_s = centre_s - 8.0 * self.sigma_s;
        let to_s = centre_s + 8.0 * self.sigma_s + 24.0 * self.tau_s;
        for (t_s, value) in times_s().zip(signal) {
            if t_s >= from_s && t_s <= to_s {
                *value += self.area_mau_s * emg_density(t_s - centre_s, self.sigma_s, self.tau_s);
            }
        }
    }
}

/// Times of the samples, s.
fn times_s() -> impl Iterator<Item = f64> {
    (0..POINTS).map(|k| f64::from(k) / RATE_HZ)
}

/// What every injection shows where the excluded ions leave the column: a rise and a dip.
fn front() -> [Peak; 2] {
    [
        Peak {
            name: "",
            area_mau_s: 25.0,
            apex_s: 384.0,
            sigma_s: 6.0,
            tau_s: 3.0,
        },
        Peak {
            name: "",
            area_mau_s: -14.0,
            apex_s: 402.0,
            sigma_s: 6.0,
            tau_s: 3.0,
        },
    ]
}

#[cfg(test)]
mod tests {
    use super::super::fault::condition;
    use super::super::scenario::Scenario;
    use super::*;

    fn standard(scenario: Scenario, position: u32) -> Chromatogram {
        let vial = Vial {
            amounts: [5.0; 4],
            brine: false,
        };
        Chromatogram::new(&vial, condition(scenario, position), 1, u64::from(position))
    }

    fn sum_between(signal: &[f64], from_s: f64, to_s: f64) -> f64 {
        times_s()
            .zip(signal)
            .filter(|(t, _)| (from_s..to_s).contains(t))
            .map(|(_, v)| v / RATE_HZ)
            .sum()
    }

    #[test]
    fn areas_are_what_was_put_in() {
        let trace = standard(Scenario::Calm, 7);
        let signal = trace.peaks_mau();
        for peak in trace.peaks.iter().filter(|p| !p.name.is_empty()) {
            // Each peak by itself: its neighbours are taken off.
            let mut alone = signal.clone();
            for other in trace.peaks.iter().filter(|p| *p != peak) {
                Peak {
                    area_mau_s: -other.area_mau_s,
                    ..*other
                }
                .add_to(&mut alone);
            }
            let area = sum_between(&alone, peak.apex_s - 120.0, peak.apex_s + 160.0);
            assert!(
                (area / peak.area_mau_s - 1.0).abs() < 1e-6,
                "{area} {peak:?}"
            );
        }
    }

    #[test]
    fn the_area_follows_the_amount_within_the_scatter() {
        for peak in standard(Scenario::Calm, 7).peaks {
            if let Some(acid) = ACIDS.iter().find(|a| a.name == peak.name) {
                let relative = peak.area_mau_s / (5.0 * acid.response_mau_s);
                assert!((relative - 1.0).abs() < 0.02, "{relative}");
            }
        }
    }

    #[test]
    fn the_highest_point_stands_at_the_retention() {
        let trace = standard(Scenario::Calm, 7);
        let signal = trace.peaks_mau();
        let lactic = trace
            .peaks
            .iter()
            .find(|p| p.name == "lactic acid")
            .unwrap();
        let window = times_s()
            .zip(&signal)
            .filter(|(t, _)| (t - lactic.apex_s).abs() < 20.0);
        let (at_s, _) = window.max_by(|a, b| a.1.total_cmp(b.1)).unwrap();
        assert!((at_s - lactic.apex_s).abs() <= 1.0 / RATE_HZ, "{at_s}");
        assert!((at_s / 60.0 / 12.90 - 1.0).abs() < 0.002);
    }

    #[test]
    fn a_clogged_column_gives_late_broad_and_larger_peaks() {
        let (well, ill) = (
            standard(Scenario::Calm, 19),
            standard(Scenario::Clogging, 19),
        );
        for (a, b) in well.peaks.iter().zip(&ill.peaks) {
            assert!(b.apex_s / a.apex_s > 1.02 && b.sigma_s / a.sigma_s > 1.45);
            assert!((1.02..1.03).contains(&(b.area_mau_s / a.area_mau_s)));
        }
    }

    #[test]
    fn the_noise_has_its_standard_deviation_and_air_its_spikes() {
        let quiet = standard(Scenario::Calm, 13);
        let residual: Vec<f64> = quiet
            .signal_mau()
            .iter()
            .zip(quiet.peaks_mau())
            .map(|(s, p)| s - p)
            .collect();
        // First differences take baseline and drift off; for this colour their variance is 2 (1 - 0.3) sd².
        let squares: f64 = residual
            .windows(2)
            .map(|w| (w[1] - w[0]) * (w[1] - w[0]))
            .sum();
        let sd = (squares / (residual.len() - 1) as f64 / (2.0 * (1.0 - COLOUR))).sqrt();
        assert!((sd / NOISE_MAU - 1.0).abs() < 0.05, "{sd}");
        let rough = standard(Scenario::AirBubble, 13);
        let jump = |signal: Vec<f64>| {
            signal
                .windows(2)
                .map(|w| (w[1] - w[0]).abs())
                .fold(0.0, f64::max)
        };
        assert!(jump(quiet.signal_mau()) < 2.0);
        assert!(jump(rough.signal_mau()) > 10.0);
    }

    #[test]
    fn every_line_is_two_numbers() {
        let text = standard(Scenario::Calm, 7).text(0.0);
        let mut lines = text.lines();
        assert_eq!(lines.next(), Some("time_min,signal_mau"));
        let mut last = -1.0;
        let mut count = 0;
        for line in lines {
            let (time, signal) = line.split_once(',').unwrap();
            let time: f64 = time.parse().unwrap();
            assert!(time > last && signal.parse::<f64>().unwrap().is_finite());
            last = time;
            count += 1;
        }
        assert_eq!(count, POINTS);
        assert!((last - 22.0).abs() < 0.01);
    }

    /// Every platform must write these bytes; a change of the generator changes them, and should be meant.
    #[test]
    fn the_bytes_are_the_same_everywhere() {
        let digest = |trace: Chromatogram| {
            use sha2::{Digest as _, Sha256};
            let hash = Sha256::digest(trace.text(0.0).as_bytes());
            hash.iter()
                .take(8)
                .map(|b| format!("{b:02x}"))
                .collect::<String>()
        };
        assert_eq!(digest(standard(Scenario::Calm, 7)), "87dff769aa33736d");
        assert_eq!(
            digest(standard(Scenario::AirBubble, 13)),
            "928a77964aa642f9"
        );
    }
}
