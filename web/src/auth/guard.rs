//! Slows guesses down. One counter for everybody: there is one password, and an address is
//! cheap to change. The price is that a guesser can hold the owner up, by a minute at most.

use std::time::{Duration, Instant};

/// Wrong tries before waiting starts; a person mistypes.
const FREE: u32 = 5;
const LONGEST: Duration = Duration::from_secs(60);

#[derive(Debug, Default)]
pub(crate) struct Guard {
    failed: u32,
    shut_until: Option<Instant>,
}

impl Guard {
    /// Asks for one try. It counts as failed until [`Guard::succeeded`], so that many tries at
    /// the same moment do not slip through together.
    ///
    /// # Errors
    /// How long to wait first.
    pub fn attempt(&mut self, now: Instant) -> Result<(), Duration> {
        if let Some(until) = self.shut_until
            && now < until
        {
            return Err(until - now);
        }
        self.failed = self.failed.saturating_add(1);
        if self.failed >= FREE {
            let doublings = (self.failed - FREE).min(6);
            let wait = Duration::from_secs(1 << doublings).min(LONGEST);
            self.shut_until = Some(now + wait);
        }
        Ok(())
    }

    pub fn succeeded(&mut self) {
        *self = Guard::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_tries_then_waits_that_double_to_a_minute() {
        let mut guard = Guard::default();
        let mut now = Instant::now();
        for _ in 0..5 {
            assert_eq!(guard.attempt(now), Ok(()));
        }
        let mut waits = Vec::new();
        for _ in 0..8 {
            let wait = guard.attempt(now).unwrap_err();
            waits.push(wait.as_secs());
            now += wait;
            assert_eq!(guard.attempt(now), Ok(()));
        }
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 60, 60]);
        guard.succeeded();
        assert_eq!(guard.attempt(now), Ok(()));
        assert_eq!(guard.attempt(now), Ok(()));
    }
}
