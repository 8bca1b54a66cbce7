//! How fast a connection may send: a token bucket that slows down and never drops.

use std::time::Duration;

use tokio::time::Instant;

pub struct TokenBucket {
    /// Tokens a second; zero sets no limit.
    rate: f64,
    burst: f64,
    tokens: f64,
    filled: Instant,
}

impl TokenBucket {
    pub fn new(per_second: u32, burst: u32, now: Instant) -> TokenBucket {
        TokenBucket {
            rate: per_second.into(),
            burst: burst.into(),
            tokens: burst.into(),
            filled: now,
        }
    }

    /// Takes a token for a message already here. If that leaves a debt, says until when
    /// nothing more may be read.
    pub fn take(&mut self, now: Instant) -> Option<Instant> {
        if self.rate <= 0.0 {
            return None;
        }
        let gained = now.saturating_duration_since(self.filled).as_secs_f64() * self.rate;
        self.filled = now;
        self.tokens = (self.tokens + gained).min(self.burst) - 1.0;
        (self.tokens < 0.0).then(|| now + Duration::from_secs_f64(-self.tokens / self.rate))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn after_the_burst_the_rate_holds() {
        let start = Instant::now();
        let mut bucket = TokenBucket::new(10, 3, start);
        for _ in 0..3 {
            assert_eq!(bucket.take(start), None);
        }
        let free = bucket.take(start).unwrap();
        assert_eq!(free - start, Duration::from_millis(100));
        // The debt is paid by then, so the next one again has to wait its turn.
        assert_eq!(bucket.take(free), Some(free + Duration::from_millis(100)));
        // A long pause fills the bucket to the burst and no further.
        let later = start + Duration::from_secs(3600);
        for _ in 0..3 {
            assert_eq!(bucket.take(later), None);
        }
        assert!(bucket.take(later).is_some());
    }

    #[test]
    fn zero_sets_no_limit() {
        let now = Instant::now();
        let mut bucket = TokenBucket::new(0, 1, now);
        assert!((0..10_000).all(|_| bucket.take(now).is_none()));
    }
}
