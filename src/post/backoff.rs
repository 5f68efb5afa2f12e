//! How long a letter waits after a failure.

use std::time::Duration;

/// The first wait, s.
const FIRST_S: f64 = 5.0;
/// The longest, s: fifteen minutes.
pub const LONGEST_S: f64 = 900.0;
/// Each wait is so many times the one before: a server that greylists is met again after half a minute, two and six.
const GROWTH: f64 = 3.0;
/// Waits are up to so much shorter or longer, so that letters that failed together do not come back together.
const JITTER: f64 = 0.25;

/// The wait after the failure of attempt `tries` (from 1). `seed` (the letter's number) chooses the jitter: the same letter
/// and attempt give the same wait.
pub fn wait(tries: u32, seed: i64) -> Duration {
    let exponent = i32::try_from(tries.saturating_sub(1).min(20)).unwrap_or(20);
    let usual = (FIRST_S * GROWTH.powi(exponent)).min(LONGEST_S);
    let jitter = 1.0 + JITTER * (2.0 * fraction(seed, tries) - 1.0);
    Duration::from_secs_f64((usual * jitter).min(LONGEST_S))
}

/// A number from 0 to 1 out of two others: SplitMix64 (constants from memory), whose outputs are evenly spread.
fn fraction(seed: i64, tries: u32) -> f64 {
    let mut z = u64::from_ne_bytes(seed.to_ne_bytes()).wrapping_add(
        u64::from(tries)
            .wrapping_add(1)
            .wrapping_mul(0x9e37_79b9_7f4a_7c15),
    );
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_from_seconds_to_a_quarter_of_an_hour() {
        for seed in 0..200 {
            let s = |tries| wait(tries, seed).as_secs_f64();
            assert!((3.7..=6.3).contains(&s(1)), "{}", s(1));
            assert!((11.2..=18.8).contains(&s(2)), "{}", s(2));
            assert!((33.7..=56.3).contains(&s(3)), "{}", s(3));
            assert!((675.0..=900.0).contains(&s(6)), "{}", s(6));
            assert!((675.0..=900.0).contains(&s(u32::MAX)), "{}", s(u32::MAX));
        }
    }

    #[test]
    fn letters_that_failed_together_come_back_apart() {
        let mut all: Vec<Duration> = (0..100).map(|seed| wait(2, seed)).collect();
        all.sort();
        all.dedup();
        assert!(all.len() > 95, "{}", all.len());
        assert_eq!(wait(2, 7), wait(2, 7));
        let mean = all.iter().map(Duration::as_secs_f64).sum::<f64>() / all.len() as f64;
        assert!((14.0..16.0).contains(&mean), "{mean}");
    }
}
