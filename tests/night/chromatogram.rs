//! Made-up chromatograms with known areas: 22 min at 4 Hz, a quiet detector, the same bytes on every machine.

use std::fmt::Write as _;

/// Samples per second.
const RATE_HZ: f64 = 4.0;
/// Length of a run, min.
const RUN_MIN: f64 = 22.0;
/// Width of every peak as a standard deviation, s, and time constant of its tail, s.
const SIGMA_S: f64 = 9.0;
const TAU_S: f64 = 3.0;
/// Where the acids leave the column, min.
pub const LACTIC_MIN: f64 = 12.9;
pub const ACETIC_MIN: f64 = 15.2;
/// Their response, mAU·s per mmol/L.
pub const LACTIC_RESPONSE: f64 = 60.0;
pub const ACETIC_RESPONSE: f64 = 50.0;

/// One trace in the making.
#[derive(Clone)]
pub struct Trace {
    /// Apex, min, and area, mAU·s.
    peaks: Vec<(f64, f64)>,
    noise_mau: f64,
    drift_mau_per_h: f64,
    spikes: u32,
    ceiling_mau: f64,
    until_min: f64,
    offset_mau: f64,
}

/// A run without any acid in it: what a blank shows.
pub fn trace() -> Trace {
    Trace {
        peaks: vec![(6.4, 20.0)],
        noise_mau: 0.004,
        drift_mau_per_h: 0.4,
        spikes: 0,
        ceiling_mau: f64::INFINITY,
        until_min: RUN_MIN,
        offset_mau: 1.0,
    }
}

/// Both acids at the same concentration in the vial, mmol/L.
pub fn both(mmol_l: f64) -> Trace {
    trace().lactic(mmol_l).acetic(mmol_l)
}

impl Trace {
    /// Lactic acid in the vial, mmol/L.
    pub fn lactic(self, mmol_l: f64) -> Trace {
        self.peak(LACTIC_MIN, mmol_l * LACTIC_RESPONSE)
    }

    /// Acetic acid in the vial, mmol/L.
    pub fn acetic(self, mmol_l: f64) -> Trace {
        self.peak(ACETIC_MIN, mmol_l * ACETIC_RESPONSE)
    }

    /// Any peak: apex in min, area in mAU·s.
    pub fn peak(mut self, apex_min: f64, area_mau_s: f64) -> Trace {
        self.peaks.push((apex_min, area_mau_s));
        self
    }

    /// Everything comes so many percent later.
    pub fn later(mut self, percent: f64) -> Trace {
        self.peaks.iter_mut().for_each(|(apex, _)| *apex *= 1.0 + percent / 100.0);
        self
    }

    /// Standard deviation of the noise, mAU.
    pub fn noise(self, noise_mau: f64) -> Trace {
        Trace { noise_mau, ..self }
    }

    /// Slope of the baseline, mAU/h.
    pub fn drift(self, drift_mau_per_h: f64) -> Trace {
        Trace { drift_mau_per_h, ..self }
    }

    /// Air: so many spikes of one sample, between 8 and 17 min.
    pub fn air(self, spikes: u32) -> Trace {
        Trace { spikes, ..self }
    }

    /// The detector gives no more than this, mAU.
    pub fn ceiling(self, ceiling_mau: f64) -> Trace {
        Trace { ceiling_mau, ..self }
    }

    /// The run was stopped, min.
    pub fn until(self, until_min: f64) -> Trace {
        Trace { until_min, ..self }
    }

    /// The same chromatogram on another baseline: other bytes, the same areas.
    pub fn offset(self, offset_mau: f64) -> Trace {
        Trace { offset_mau, ..self }
    }

    /// The export: minutes and mAU. `seed` makes the noise.
    pub fn text(&self, seed: &str) -> String {
        let mut noise = Noise::new(seed);
        let mut text = String::from("time_min,signal_mau\n");
        let signal = self.signal();
        let spikes = self.spike_samples();
        for (k, peaks) in signal.iter().enumerate() {
            let time_s = k as f64 / RATE_HZ;
            if time_s / 60.0 > self.until_min + 1e-9 {
                break;
            }
            let baseline = self.offset_mau + self.drift_mau_per_h * time_s / 3600.0;
            let spike = if spikes.contains(&k) { 25.0 + (k % 7) as f64 } else { 0.0 };
            let value = (peaks + baseline + spike + self.noise_mau * noise.normal()).min(self.ceiling_mau);
            writeln!(text, "{:.6},{value:.4}", time_s / 60.0).unwrap();
        }
        text
    }

    /// The peaks alone: Gaussians drawn out by an exponential tail, their areas kept.
    fn signal(&self) -> Vec<f64> {
        let samples = (RUN_MIN * 60.0 * RATE_HZ) as usize + 1;
        let mut signal = vec![0.0; samples];
        for (apex_min, area) in &self.peaks {
            // The tail moves the apex by less than its time constant; most of that is taken back here.
            let centre_s = apex_min * 60.0 - 0.8 * TAU_S;
            let height = area / (SIGMA_S * (2.0 * std::f64::consts::PI).sqrt());
            let from = ((centre_s - 8.0 * SIGMA_S) * RATE_HZ).max(0.0) as usize;
            let to = ((centre_s + 8.0 * SIGMA_S) * RATE_HZ).max(0.0) as usize;
            for (k, value) in signal.iter_mut().enumerate().take(to).skip(from) {
                let z = (k as f64 / RATE_HZ - centre_s) / SIGMA_S;
                *value += height * (-0.5 * z * z).exp();
            }
        }
        let keep = (-1.0 / (TAU_S * RATE_HZ)).exp();
        let mut tail = 0.0;
        for value in &mut signal {
            tail = keep * tail + (1.0 - keep) * *value;
            *value = tail;
        }
        signal
    }

    fn spike_samples(&self) -> Vec<usize> {
        let (from, width) = (8.0 * 60.0 * RATE_HZ, 9.0 * 60.0 * RATE_HZ);
        let place = |n: u32| from + width * (f64::from(n) + 0.37) / f64::from(self.spikes.max(1));
        (0..self.spikes).map(|n| place(n) as usize).collect()
    }
}

/// Small repeatable noise, nearly normal.
struct Noise(u64);

impl Noise {
    fn new(seed: &str) -> Noise {
        Noise(seed.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)) | 1)
    }

    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// The sum of twelve uniform numbers less six: mean 0, variance 1.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}
