//! How long to wait before connecting again.

use std::time::Duration;

const SHORTEST: Duration = Duration::from_secs(1);
const LONGEST: Duration = Duration::from_secs(60);
/// A connection that lasted this long was a good one; the next break starts afresh.
const GOOD: Duration = Duration::from_secs(30);

#[derive(Default)]
pub struct Backoff {
    failures: u32,
}

impl Backoff {
    /// After a break: how long to wait. `lasted` is for how long there was a connection;
    /// `random` spreads clients that lost the same broker at the same moment.
    pub fn after(&mut self, lasted: Duration, random: u32) -> Duration {
        if lasted >= GOOD {
            self.failures = 0;
        }
        let doubled = SHORTEST.saturating_mul(1u32.checked_shl(self.failures).unwrap_or(u32::MAX));
        self.failures = self.failures.saturating_add(1);
        let full = doubled.min(LONGEST);
        // Between half and all of it.
        let half = full / 2;
        half + half.mul_f64(f64::from(random) / f64::from(u32::MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_doubles_up_to_a_minute_and_starts_afresh_after_a_good_connection() {
        let mut backoff = Backoff::default();
        let waits: Vec<u64> = (0..8)
            .map(|_| backoff.after(Duration::ZERO, u32::MAX).as_secs())
            .collect();
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 60, 60]);
        assert_eq!(backoff.after(GOOD, u32::MAX), SHORTEST);
        // One that broke at once does not count as good.
        assert_eq!(backoff.after(GOOD / 2, u32::MAX), 2 * SHORTEST);
    }

    #[test]
    fn it_never_ends_and_never_falls_below_half() {
        let mut backoff = Backoff::default();
        for _ in 0..1000 {
            let wait = backoff.after(Duration::ZERO, 0);
            assert!(wait >= SHORTEST / 2 && wait <= LONGEST);
        }
    }
}
