//! Slows guesses down. One counter for everybody: there is one password, and an address is
//! cheap to change. The price is that a guesser can hold the owner up, by a minute at most.

use std::time::{Duration, Instant};

/// Wrong tries before waiting starts; a person mistypes.
const FREE: u32 = 5;
const FIRST: Duration = Duration::from_secs(10);
const LONGEST: Duration = Duration::from_secs(60);

#[derive(Debug, Default)]
pub struct Guard {
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
        self.shut(now);
        Ok(())
    }

    /// The try of [`Guard::attempt`] was wrong; the wait runs from the answer, as checking takes
    /// a while on a small board.
    pub fn failed(&mut self, now: Instant) {
        self.shut(now);
    }

    fn shut(&mut self, now: Instant) {
        if self.failed >= FREE {
            let doublings = (self.failed - FREE).min(3);
            self.shut_until = Some(now + (FIRST * (1 << doublings)).min(LONGEST));
        }
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
        for _ in 0..5 {
            let wait = guard.attempt(now).unwrap_err();
            waits.push(wait.as_secs());
            now += wait;
            assert_eq!(guard.attempt(now), Ok(()));
        }
        assert_eq!(waits, [10, 20, 40, 60, 60]);
        guard.succeeded();
        assert_eq!(guard.attempt(now), Ok(()));
        assert_eq!(guard.attempt(now), Ok(()));
    }
}
