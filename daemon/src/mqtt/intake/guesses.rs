//! Slows guessed passwords down without keeping the floats out.
//!
//! Each address has its own count, so that a guesser waits alone. Somebody who has many addresses
//! meets the limit of all strangers together; an address that has shown the right password before
//! is no stranger.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use ebbmark_web::auth::guard::Guard;

/// Addresses counted at a time; beyond that the one counted first is forgotten.
const MOST_COUNTED: usize = 256;
/// Addresses remembered for the right password: as many as are let in at once, unless the configuration says
/// otherwise. Of more the one that showed it longest ago is a stranger again, which only matters while
/// strangers guess.
const MOST_TRUSTED: usize = 64;
/// Wrong passwords of strangers in one span, whatever addresses they come from.
const STRANGERS: u32 = 60;
const SPAN: Duration = Duration::from_secs(60);

/// The password was not looked at.
#[derive(Debug, PartialEq, Eq)]
pub struct Wait;

#[derive(Default)]
pub struct Guesses(Mutex<Inner>);

#[derive(Default)]
struct Inner {
    guards: HashMap<IpAddr, Guard>,
    counted: VecDeque<IpAddr>,
    trusted: VecDeque<IpAddr>,
    wrong: u32,
    since: Option<Instant>,
}

impl Guesses {
    /// # Errors
    /// Too many were wrong of late.
    pub fn attempt(&self, from: IpAddr, now: Instant) -> Result<(), Wait> {
        let from = from.to_canonical();
        let mut inner = self.inner();
        if inner.since.is_none_or(|since| now >= since + SPAN) {
            inner.since = Some(now);
            inner.wrong = 0;
        }
        if inner.wrong >= STRANGERS && !inner.trusted.contains(&from) {
            return Err(Wait);
        }
        match inner.guards.get_mut(&from) {
            Some(guard) => guard.attempt(now).map_err(|_| Wait),
            None => Ok(()),
        }
    }

    pub fn failed(&self, from: IpAddr, now: Instant) {
        let from = from.to_canonical();
        let mut inner = self.inner();
        inner.wrong = inner.wrong.saturating_add(1);
        if let Some(guard) = inner.guards.get_mut(&from) {
            guard.failed(now);
            return;
        }
        if inner.counted.len() == MOST_COUNTED
            && let Some(first) = inner.counted.pop_front()
        {
            inner.guards.remove(&first);
        }
        let mut guard = Guard::default();
        // The try that has just gone wrong; a new guard lets it pass.
        let _ = guard.attempt(now);
        inner.guards.insert(from, guard);
        inner.counted.push_back(from);
    }

    pub fn succeeded(&self, from: IpAddr) {
        let from = from.to_canonical();
        let mut inner = self.inner();
        if inner.guards.remove(&from).is_some() {
            inner.counted.retain(|other| *other != from);
        }
        inner.trusted.retain(|other| *other != from);
        if inner.trusted.len() == MOST_TRUSTED {
            inner.trusted.pop_front();
        }
        inner.trusted.push_back(from);
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        // Nothing in here can be left half done, so a poisoned lock is still sound.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(n: u32) -> IpAddr {
        IpAddr::from(n.to_be_bytes())
    }

    /// Guesses wrong; whether the guess was looked at.
    fn guess(guesses: &Guesses, from: IpAddr, now: Instant) -> bool {
        let looked_at = guesses.attempt(from, now).is_ok();
        if looked_at {
            guesses.failed(from, now);
        }
        looked_at
    }

    #[test]
    fn a_guesser_waits_alone() {
        let guesses = Guesses::default();
        let now = Instant::now();
        let looked_at = (0..50).filter(|_| guess(&guesses, at(1), now)).count();
        assert_eq!(looked_at, 5);
        assert_eq!(guesses.attempt(at(2), now), Ok(()));
        // As on the page, the first wait is ten seconds.
        let later = now + Duration::from_secs(10);
        assert!(guess(&guesses, at(1), later));
        assert!(!guess(&guesses, at(1), later));
    }

    #[test]
    fn many_addresses_do_not_help_and_the_floats_come_in() {
        let guesses = Guesses::default();
        let now = Instant::now();
        let float = at(0xffff_ffff);
        assert_eq!(guesses.attempt(float, now), Ok(()));
        guesses.succeeded(float);
        let looked_at = (0..10_000).filter(|n| guess(&guesses, at(*n), now)).count();
        assert_eq!(looked_at, 60);
        assert_eq!(guesses.attempt(float, now), Ok(()));
        assert!(guesses.inner().guards.len() <= MOST_COUNTED);
        let later = now + SPAN;
        assert_eq!(guesses.attempt(at(20_000), later), Ok(()));
    }

    #[test]
    fn the_right_password_starts_afresh() {
        let guesses = Guesses::default();
        let now = Instant::now();
        for _ in 0..3 {
            assert!((0..4).all(|_| guess(&guesses, at(1), now)));
            assert_eq!(guesses.attempt(at(1), now), Ok(()));
            guesses.succeeded(at(1));
        }
    }

    #[test]
    fn what_is_remembered_is_bounded() {
        let guesses = Guesses::default();
        let mut now = Instant::now();
        for n in 0..1000 {
            if n % 50 == 0 {
                now += SPAN;
            }
            assert!(guess(&guesses, at(n), now));
            guesses.succeeded(at(n + 5000));
        }
        let inner = guesses.inner();
        assert_eq!(inner.guards.len(), MOST_COUNTED);
        assert_eq!(inner.counted.len(), MOST_COUNTED);
        assert_eq!(inner.trusted.len(), MOST_TRUSTED);
    }
}
