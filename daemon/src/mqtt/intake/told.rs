//! How many refusals go into the log: a flood of them must not fill the board's card.

use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

const SPAN: Duration = Duration::from_secs(60);
/// Lines in one span; all of them are counted on the page and in the metrics.
const MOST: u32 = 60;

#[derive(Debug, Default)]
pub struct Told(Mutex<Inner>);

#[derive(Debug, Default)]
struct Inner {
    since: Option<Instant>,
    lines: u32,
    left_out: u64,
}

impl Told {
    /// Whether one more may be told now.
    pub fn may_tell(&self, now: Instant) -> bool {
        // Nothing in here can be left half done, so a poisoned lock is still sound.
        let mut inner = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if inner.since.is_none_or(|since| now >= since + SPAN) {
            let left_out = std::mem::take(&mut inner.left_out);
            if left_out > 0 {
                tracing::info!(left_out, "refusals that were counted and not logged");
            }
            inner.since = Some(now);
            inner.lines = 0;
        }
        if inner.lines < MOST {
            inner.lines += 1;
            return true;
        }
        inner.left_out += 1;
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn so_many_a_minute() {
        let told = Told::default();
        let now = Instant::now();
        assert_eq!((0..1000).filter(|_| told.may_tell(now)).count(), 60);
        assert!(told.may_tell(now + SPAN));
    }
}
