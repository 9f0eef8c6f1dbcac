//! How long to pause after a failure: longer each time, never in step with others, for ever.

use std::time::Duration;

/// Growing pauses.
///
/// Pure: the same failures and seed give the same pause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Backoff {
    first: u64,
    max: u64,
}

impl Backoff {
    /// Pauses from about `first`, doubling, never longer than `max`.
    #[must_use]
    pub fn new(first: Duration, max: Duration) -> Self {
        let micros = |d: Duration| u64::try_from(d.as_micros()).unwrap_or(u64::MAX);
        Self { first: micros(first).max(1), max: micros(max).max(1) }
    }

    /// The pause in microseconds before the try after `failures` earlier ones (0: after the first),
    /// with a jitter of up to 20 % either way that `seed` decides.
    ///
    /// ```
    /// use std::time::Duration;
    ///
    /// use wickline_forward::Backoff;
    ///
    /// let backoff = Backoff::new(Duration::from_secs(1), Duration::from_secs(60));
    /// let around_a_second = backoff.pause(0, 7);
    /// assert!((800_000..=1_200_000).contains(&around_a_second));
    /// assert!(backoff.pause(20, 7) <= 60_000_000);
    /// ```
    #[must_use]
    pub fn pause(&self, failures: u32, seed: u64) -> u64 {
        let grown = self.first.saturating_mul(1_u64.checked_shl(failures).unwrap_or(u64::MAX));
        // Room for the jitter below the longest pause.
        let middle = grown.min(self.max - self.max / 6);
        let fifth = middle / 5;
        let offset = scrambled(seed ^ u64::from(failures)) % (2 * fifth + 1);
        (middle - fifth + offset).clamp(1, self.max)
    }
}

/// The finisher of SplitMix64 (Steele, Lea, Flood 2014; constants from memory): near seeds give far
/// results.
fn scrambled(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::Backoff;
    use std::time::Duration;

    #[test]
    fn pauses_double_until_the_longest() {
        let backoff = Backoff::new(Duration::from_secs(1), Duration::from_secs(60));
        let around = |seconds: f64, pause: u64| {
            let ratio = pause as f64 / (seconds * 1e6);
            assert!((0.79..=1.21).contains(&ratio), "{pause} us is not around {seconds} s");
        };
        for seed in 0..100 {
            for (failures, seconds) in
                [(0, 1.0), (1, 2.0), (2, 4.0), (3, 8.0), (4, 16.0), (5, 32.0)]
            {
                around(seconds, backoff.pause(failures, seed));
            }
            around(50.0, backoff.pause(6, seed));
            around(50.0, backoff.pause(u32::MAX, seed));
        }
    }

    #[test]
    fn seeds_spread_the_pauses() {
        let backoff = Backoff::new(Duration::from_secs(1), Duration::from_secs(60));
        let pauses: std::collections::BTreeSet<_> = (0..100).map(|s| backoff.pause(3, s)).collect();
        assert!(pauses.len() > 95, "only {} different pauses of 100", pauses.len());
    }

    proptest! {
        #[test]
        fn never_nothing_and_never_beyond_the_longest(
            first in 0_u64..10_000_000, max in 0_u64..100_000_000, n: u32, seed: u64,
        ) {
            let backoff = Backoff::new(Duration::from_micros(first), Duration::from_micros(max));
            let pause = backoff.pause(n, seed);
            prop_assert!(pause >= 1 && pause <= max.max(1));
            prop_assert_eq!(pause, backoff.pause(n, seed));
        }
    }
}
