//! A small generator of pseudo-random numbers that yields the same numbers on every platform.

/// SplitMix64 (Steele, Lea and Flood 2014): a counter that is hashed. Streams are kept apart by what they are for.
#[derive(Debug, Clone)]
pub(crate) struct Random {
    state: u64,
}

/// What a stream of numbers is for: one purpose more never changes the numbers of another.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Purpose {
    /// Volume and retention of an injection.
    Injection = 1,
    /// Baseline of a trace.
    Baseline = 2,
    /// Detector noise of a trace.
    Noise = 3,
    /// Air in a trace.
    Air = 4,
    /// The pressure log.
    Pressure = 5,
    /// The order of a queue's samples.
    Order = 6,
}

/// The odd number nearest to 2^64 divided by the golden ratio: the counter's step.
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

impl Random {
    /// The stream of this seed for one purpose at one place of the queue (0: the queue as a whole).
    pub(crate) fn stream(seed: u64, position: u64, purpose: Purpose) -> Random {
        let mut random = Random { state: seed };
        for part in [position, purpose as u64] {
            random.state = random.next().wrapping_add(part.wrapping_mul(STEP));
        }
        random
    }

    /// The next 64 bits.
    pub(crate) fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(STEP);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in `[low, high)`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        // 53 bits fill a double's mantissa exactly.
        let unit = (self.next() >> 11) as f64 / (1u64 << 53) as f64;
        low + (high - low) * unit
    }

    /// A whole number below `end`, each equally likely; 0 where `end` is 0. What would favour the low ones is drawn anew.
    pub(crate) fn below(&mut self, end: u64) -> u64 {
        if end == 0 {
            return 0;
        }
        let surplus = (u64::MAX % end + 1) % end;
        loop {
            let drawn = self.next();
            if drawn <= u64::MAX - surplus {
                return drawn % end;
            }
        }
    }

    /// Nearly normal with mean 0 and standard deviation 1: the sum of twelve uniforms less 6 (variance 12/12 = 1),
    /// never beyond 6. Needs no logarithm, and so no platform's library.
    pub(crate) fn normal(&mut self) -> f64 {
        let mut sum = 0.0;
        for _ in 0..3 {
            let bits = self.next();
            for shift in [0, 16, 32, 48] {
                sum += (((bits >> shift) & 0xFFFF) as f64 + 0.5) / 65_536.0;
            }
        }
        sum - 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published check values of SplitMix64 for the seed 1234567 (from memory).
    #[test]
    fn the_generator_yields_its_published_numbers() {
        let mut random = Random { state: 1_234_567 };
        let expected = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
        ];
        for e in expected {
            assert_eq!(random.next(), e);
        }
    }

    #[test]
    fn whole_numbers_are_equally_likely() {
        let mut random = Random::stream(3, 0, Purpose::Order);
        let mut counts = [0_u32; 6];
        for _ in 0..60_000 {
            counts[random.below(6) as usize] += 1;
        }
        // 10,000 each; six standard deviations are 550.
        assert!(
            counts.iter().all(|n| n.abs_diff(10_000) < 550),
            "{counts:?}"
        );
        assert_eq!((random.below(1), random.below(0)), (0, 0));
    }

    #[test]
    fn normal_numbers_have_mean_0_and_deviation_1() {
        let mut random = Random::stream(7, 3, Purpose::Noise);
        let n = 50_000;
        let values: Vec<f64> = (0..n).map(|_| random.normal()).collect();
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let variance =
            values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / f64::from(n - 1);
        assert!(mean.abs() < 0.02, "{mean}");
        assert!((variance - 1.0).abs() < 0.03, "{variance}");
    }

    #[test]
    fn streams_differ_by_seed_place_and_purpose() {
        let first = |s, p, u| Random::stream(s, p, u).next();
        let base = first(1, 1, Purpose::Noise);
        assert_ne!(base, first(2, 1, Purpose::Noise));
        assert_ne!(base, first(1, 2, Purpose::Noise));
        assert_ne!(base, first(1, 1, Purpose::Air));
        assert_eq!(base, first(1, 1, Purpose::Noise));
    }
}
