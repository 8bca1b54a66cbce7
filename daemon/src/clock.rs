//! The only reader of time.
//!
//! Wall time and monotonic time are read together: a board without a battery clock boots in the
//! past, and what arrives before its time is set can only be dated afterwards by how long ago
//! that was. `demo` runs the same daemon with time going faster.

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, LazyLock};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use ebbmark_core::look_round::CLOCK_BEHIND;
use ebbmark_core::time::Moment;
use ebbmark_store::model::Stamp;

/// After this long a clock that is behind the database is believed: the database may hold a time
/// from a day when the clock ran ahead, and readings cannot wait for ever.
const PATIENCE: Duration = Duration::from_secs(15 * 60);

/// Cheap to clone; all clones share what has been learnt about the wall clock.
#[derive(Clone)]
pub struct Clock {
    started: Instant,
    /// `None`: the system's wall clock. Else simulated time at the start, and its speed.
    simulated: Option<(Moment, f64)>,
    /// Newest believable instant in the database at the start, ms.
    not_before: Arc<AtomicI64>,
}

/// Monotonic time is counted from the first use, so that it is the same for all clocks of a run.
static BOOT: LazyLock<Instant> = LazyLock::new(Instant::now);

impl Clock {
    pub fn system() -> Clock {
        Clock {
            started: *BOOT,
            simulated: None,
            not_before: Arc::new(AtomicI64::new(Moment::EARLIEST_BELIEVABLE.0)),
        }
    }

    /// Starts at `from` and runs `speed` times as fast as the world.
    pub fn simulated(from: Moment, speed: f64) -> Clock {
        Clock {
            started: Instant::now(),
            simulated: Some((from, speed)),
            ..Clock::system()
        }
    }

    /// The database knows this much time has passed already.
    pub fn knows(&self, latest: Moment) {
        self.not_before
            .fetch_max((latest - CLOCK_BEHIND).0, Ordering::Relaxed);
    }

    /// Wall time, believable or not.
    pub fn now(&self) -> Moment {
        let elapsed = self.started.elapsed().as_secs_f64();
        match self.simulated {
            Some((from, speed)) => Moment(from.0 + (elapsed * speed * 1000.0) as i64),
            None => match SystemTime::now().duration_since(UNIX_EPOCH) {
                Ok(since) => Moment(since.as_millis() as i64),
                Err(before) => Moment(-(before.duration().as_millis() as i64)),
            },
        }
    }

    fn monotonic_ms(&self) -> i64 {
        let elapsed = BOOT.elapsed().as_secs_f64();
        let speed = self.simulated.map_or(1.0, |(_, speed)| speed);
        (elapsed * speed * 1000.0) as i64
    }

    pub fn is_believable(&self) -> bool {
        let now = self.now();
        now >= Moment(self.not_before.load(Ordering::Relaxed))
            || (now >= Moment::EARLIEST_BELIEVABLE && BOOT.elapsed() > PATIENCE)
    }

    /// For a message that arrives now.
    pub fn stamp(&self) -> Stamp {
        Stamp {
            wall: self.is_believable().then(|| self.now()),
            monotonic_ms: self.monotonic_ms(),
        }
    }

    /// Wall time less monotonic time, ms: what dates the messages that came in undated.
    pub fn offset_ms(&self) -> i64 {
        self.now().0 - self.monotonic_ms()
    }
}

#[cfg(test)]
mod tests {
    use ebbmark_core::time::Span;

    use super::*;

    #[test]
    fn a_clock_behind_the_database_is_not_believed() {
        let clock = Clock::simulated(Moment(1_790_000_000_000), 1.0);
        assert!(clock.stamp().wall.is_some());
        clock.knows(Moment(1_790_000_000_000) + Span::days(3));
        assert_eq!(clock.stamp().wall, None);
        let no_battery = Clock::simulated(Moment(0), 1.0);
        assert_eq!(no_battery.stamp().wall, None);
    }

    #[test]
    fn an_undated_message_is_dated_by_how_long_ago_it_was() {
        let clock = Clock::simulated(Moment(1_790_000_000_000), 60.0);
        let stamp = clock.stamp();
        let dated = clock.offset_ms() + stamp.monotonic_ms;
        let error = dated - stamp.wall.unwrap().0;
        assert!(
            error.abs() < 60_000,
            "{error} ms of simulated time at sixty times the speed"
        );
    }
}
