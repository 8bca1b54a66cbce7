//! The only reader of time.
//!
//! Wall time and monotonic time are read together: a board without a battery clock boots in the
//! past, and what arrives before its time is set can only be dated afterwards by how long ago
//! that was. `demo` runs the same daemon with time going faster.
//!
//! Once the wall clock was believed, time runs on a line: wall time as it was believed and the
//! monotonic time since. Small differences are followed, as a server of time makes them. A step is
//! not: an hour or two years that did not pass are no silence of the feeds and no end of a mead.
//! Only a clock that stays where it stepped to is followed in the end, since it may be that one
//! which is right. A board that learns the time soon after its start is followed at once.
//!
//! While the machine sleeps time passes, so monotonic time is one that counts it. Nothing is heard
//! meanwhile, which is no silence of the feeds: how long it slept is seen by a second clock that stands
//! still with it.

use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use ebbmark_core::look_round::CLOCK_BEHIND;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::Stamp;

/// After this long a clock is believed that does not fit the database or stepped: the database may hold a
/// time from a day when the clock ran ahead, and readings cannot wait for ever.
const PATIENCE: Span = Span::minutes(15);

/// A clock further ahead of the database than this may be one that lost its battery, or a cellar that was
/// shut for a while. A step on of as much soon after the start is a board that learns the time.
const LONG_PAUSE: Span = Span::days(30);

/// Differences up to this are followed: more than a server of time corrects little by little.
const STEP: Span = Span::minutes(10);

/// What time is read from.
pub trait Source: Send + Sync {
    fn wall(&self) -> Moment;
    /// Counted from whenever, never back, ms; also while the machine sleeps.
    fn monotonic_ms(&self) -> i64;
    /// The same without what the machine slept.
    fn awake_ms(&self) -> i64 {
        self.monotonic_ms()
    }
}

/// Monotonic time is counted from the first use, so that it is the same for all clocks of a run.
static BOOT: LazyLock<(Duration, Instant)> = LazyLock::new(|| (with_sleep(), Instant::now()));

/// [`Instant`] stands still while a machine under Linux sleeps.
#[cfg(target_os = "linux")]
fn with_sleep() -> Duration {
    use rustix::time::{ClockId, clock_gettime};
    // It is never before the boot.
    Duration::try_from(clock_gettime(ClockId::Boottime)).unwrap_or_default()
}

#[cfg(not(target_os = "linux"))]
fn with_sleep() -> Duration {
    static FIRST: LazyLock<Instant> = LazyLock::new(Instant::now);
    FIRST.elapsed()
}

struct System;

impl Source for System {
    fn wall(&self) -> Moment {
        match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => Moment(ms(since)),
            Err(before) => Moment(-ms(before.duration())),
        }
    }

    fn monotonic_ms(&self) -> i64 {
        ms(with_sleep().saturating_sub(BOOT.0))
    }

    fn awake_ms(&self) -> i64 {
        ms(BOOT.1.elapsed())
    }
}

fn ms(span: Duration) -> i64 {
    i64::try_from(span.as_millis()).unwrap_or(i64::MAX)
}

/// Starts at `from` and runs `speed` times as fast as the world.
struct Simulated {
    from: Moment,
    speed: f64,
    started: Instant,
}

impl Simulated {
    fn elapsed_ms(&self) -> i64 {
        (self.started.elapsed().as_secs_f64() * self.speed * 1000.0) as i64
    }
}

impl Source for Simulated {
    fn wall(&self) -> Moment {
        Moment(self.from.0 + self.elapsed_ms())
    }

    fn monotonic_ms(&self) -> i64 {
        self.elapsed_ms()
    }
}

/// Cheap to clone; all clones share what has been learnt about the wall clock.
#[derive(Clone)]
pub struct Clock {
    source: Arc<dyn Source>,
    learnt: Arc<Mutex<Learnt>>,
}

struct Learnt {
    /// Newest believable instant in the database at the start, less what a clock may be behind it.
    not_before: Moment,
    /// The same, and as long as a cellar may have been shut. `None`: nothing is known.
    not_after: Option<Moment>,
    /// Wall time less monotonic time on the line that is gone by, ms; `None` until the clock could be believed.
    line: Option<i64>,
    /// Where the wall clock stepped to, as wall time less monotonic time, and when on the monotonic clock.
    stepped: Option<(i64, i64)>,
    /// How many steps were followed, and how often the machine slept.
    followed: u64,
    /// How long it slept in all, as far as it was looked at, ms.
    slept: i64,
}

/// Time as it is gone by.
struct Now {
    at: Moment,
    monotonic_ms: i64,
    believable: bool,
}

impl Clock {
    pub fn new(source: impl Source + 'static) -> Clock {
        Clock {
            source: Arc::new(source),
            learnt: Arc::new(Mutex::new(Learnt {
                not_before: Moment::EARLIEST_BELIEVABLE,
                not_after: None,
                line: None,
                stepped: None,
                followed: 0,
                slept: 0,
            })),
        }
    }

    pub fn system() -> Clock {
        LazyLock::force(&BOOT);
        Clock::new(System)
    }

    /// Starts at `from` and runs `speed` times as fast as the world.
    pub fn simulated(from: Moment, speed: f64) -> Clock {
        Clock::new(Simulated {
            from,
            speed,
            started: Instant::now(),
        })
    }

    /// The database knows this much time has passed already. To be said before anything is dated.
    pub fn knows(&self, latest: Moment) {
        let mut learnt = self.learnt.lock().unwrap_or_else(PoisonError::into_inner);
        learnt.not_before = learnt.not_before.max(latest - CLOCK_BEHIND);
        learnt.not_after = learnt.not_after.max(Some(latest + LONG_PAUSE));
        // What was believed without knowing it is looked at again.
        learnt.line = None;
    }

    fn look(&self) -> Now {
        let mut learnt = self.learnt.lock().unwrap_or_else(PoisonError::into_inner);
        let monotonic_ms = self.source.monotonic_ms();
        learnt.sleep(monotonic_ms - self.source.awake_ms());
        learnt.look(self.source.wall(), monotonic_ms)
    }

    /// Wall time, believable or not; once it was believed, on the line.
    pub fn now(&self) -> Moment {
        self.look().at
    }

    pub fn is_believable(&self) -> bool {
        self.look().believable
    }

    /// Changes with every step that was followed, and with every sleep of the machine: in spans over one
    /// nobody listened.
    pub fn steps_followed(&self) -> u64 {
        self.look();
        let learnt = self.learnt.lock().unwrap_or_else(PoisonError::into_inner);
        learnt.followed
    }

    /// For a message that arrives now.
    pub fn stamp(&self) -> Stamp {
        let now = self.look();
        Stamp {
            wall: now.believable.then_some(now.at),
            monotonic_ms: now.monotonic_ms,
        }
    }

    /// Wall time less monotonic time, ms: what dates the messages that came in undated.
    pub fn offset_ms(&self) -> i64 {
        let now = self.look();
        now.at.0 - now.monotonic_ms
    }
}

impl Learnt {
    fn sleep(&mut self, in_all: i64) {
        let slept = in_all - self.slept;
        // Two clocks are not read at the same time.
        if slept > STEP.0 {
            tracing::warn!(
                minutes = slept / 60_000,
                "the machine slept; nothing was heard meanwhile"
            );
            self.followed += 1;
            self.slept = in_all;
        }
    }

    fn look(&mut self, wall: Moment, monotonic_ms: i64) -> Now {
        let offset = wall.0 - monotonic_ms;
        let believable = wall >= Moment::EARLIEST_BELIEVABLE;
        let line = match self.line {
            None => {
                let fits =
                    wall >= self.not_before && self.not_after.is_none_or(|last| wall <= last);
                if believable && (fits || monotonic_ms > PATIENCE.0) {
                    self.line = Some(offset);
                }
                offset
            }
            Some(line) => {
                let line = self.follow(line, offset, believable, monotonic_ms);
                self.line = Some(line);
                line
            }
        };
        Now {
            at: Moment(line + monotonic_ms),
            monotonic_ms,
            believable: self.line.is_some(),
        }
    }

    /// The line to go by from now on.
    fn follow(&mut self, line: i64, offset: i64, believable: bool, monotonic_ms: i64) -> i64 {
        let near = |a: i64, b: i64| (a - b).abs() <= STEP.0;
        if near(offset, line) {
            if self.stepped.take().is_some() {
                tracing::info!("the clock is back where it was");
            }
            return offset;
        }
        let learns = monotonic_ms <= PATIENCE.0 && (0..=LONG_PAUSE.0).contains(&(offset - line));
        let stays = match self.stepped {
            Some((to, since)) if near(offset, to) => monotonic_ms - since >= PATIENCE.0,
            _ => {
                self.stepped = Some((offset, monotonic_ms));
                if !learns {
                    tracing::warn!(
                        seconds = (offset - line) / 1000,
                        "the clock stepped; time goes on as it passed, unless the clock stays there for a quarter of an hour"
                    );
                }
                false
            }
        };
        if believable && (learns || stays) {
            tracing::info!(
                seconds = (offset - line) / 1000,
                "a step of the clock is followed"
            );
            self.stepped = None;
            self.followed += 1;
            return offset;
        }
        line
    }
}

/// A clock whose hands are set by a test.
#[cfg(test)]
#[derive(Clone)]
pub struct Hands(Arc<Mutex<(Moment, i64, i64)>>);

#[cfg(test)]
impl Hands {
    pub fn at(wall: Moment) -> Hands {
        Hands(Arc::new(Mutex::new((wall, 0, 0))))
    }

    /// Time passes.
    pub fn pass(&self, span: Span) {
        self.sleep(span);
        self.0.lock().unwrap().2 += span.0;
    }

    /// Time passes, and the machine sleeps.
    pub fn sleep(&self, span: Span) {
        let mut hands = self.0.lock().unwrap();
        hands.0 = hands.0 + span;
        hands.1 += span.0;
    }

    /// The wall clock is set, and no time passes.
    pub fn step(&self, span: Span) {
        let mut hands = self.0.lock().unwrap();
        hands.0 = hands.0 + span;
    }
}

#[cfg(test)]
impl Source for Hands {
    fn wall(&self) -> Moment {
        self.0.lock().unwrap().0
    }

    fn monotonic_ms(&self) -> i64 {
        self.0.lock().unwrap().1
    }

    fn awake_ms(&self) -> i64 {
        self.0.lock().unwrap().2
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: Moment = Moment(1_790_000_000_000);
    const YEARS: Span = Span::days(730);

    fn clock(wall: Moment) -> (Hands, Clock) {
        let hands = Hands::at(wall);
        (hands.clone(), Clock::new(hands))
    }

    /// A step that was made is looked at a minute later, as the daemon does all the time.
    fn passes(hands: &Hands, clock: &Clock, minutes: i64) {
        for _ in 0..minutes {
            hands.pass(Span::minutes(1));
            clock.now();
        }
    }

    #[test]
    fn a_clock_behind_the_database_is_not_believed() {
        let (hands, clock) = clock(START);
        assert!(clock.stamp().wall.is_some());
        clock.knows(START + Span::days(3));
        assert_eq!(clock.stamp().wall, None);
        // It is set.
        hands.step(Span::days(3));
        assert_eq!(clock.stamp().wall, Some(START + Span::days(3)));
    }

    #[test]
    fn a_board_without_a_battery_clock() {
        let (hands, clock) = clock(Moment(0));
        clock.knows(START);
        passes(&hands, &clock, 40);
        assert_eq!(clock.stamp().wall, None, "however long it takes");
        let before = clock.stamp();
        hands.step(Span(START.0) + Span::days(1));
        assert!(clock.is_believable());
        assert_eq!(
            clock.offset_ms() + before.monotonic_ms,
            (START + Span::days(1) + Span::minutes(40)).0
        );
        assert_eq!(clock.steps_followed(), 0, "nothing was dated by 1970");
    }

    #[test]
    fn a_clock_years_ahead_at_the_start_waits_to_be_put_right() {
        let (hands, clock) = clock(START + YEARS);
        clock.knows(START);
        passes(&hands, &clock, 10);
        assert_eq!(clock.stamp().wall, None);
        hands.step(Span(-YEARS.0));
        assert_eq!(clock.stamp().wall, Some(START + Span::minutes(10)));
    }

    /// A cellar that was shut for two years is believed in the end; without a database at once.
    #[test]
    fn or_it_is_right() {
        let (hands, clock) = clock(START + YEARS);
        clock.knows(START);
        passes(&hands, &clock, 16);
        assert_eq!(clock.stamp().wall, Some(START + YEARS + Span::minutes(16)));
        let fresh = Clock::new(hands);
        assert!(fresh.is_believable());
    }

    #[test]
    fn a_step_that_is_taken_back_was_none() {
        for step in [
            YEARS,
            Span(-YEARS.0),
            Span(-Span::hours(1).0),
            Span::days(1),
        ] {
            let (hands, clock) = clock(START);
            passes(&hands, &clock, 60);
            hands.step(step);
            for minute in 1..=14 {
                hands.pass(Span::minutes(1));
                let wanted = START + Span::minutes(60 + minute);
                assert_eq!(clock.now(), wanted, "{step:?}");
                assert_eq!(clock.stamp().wall, Some(wanted));
            }
            hands.step(Span(-step.0));
            passes(&hands, &clock, 60);
            assert_eq!(clock.now(), START + Span::minutes(134));
            assert_eq!(clock.steps_followed(), 0);
        }
    }

    #[test]
    fn a_step_that_stays_is_followed_once() {
        for step in [YEARS, Span(-Span::hours(1).0)] {
            let (hands, clock) = clock(START);
            passes(&hands, &clock, 60);
            hands.step(step);
            passes(&hands, &clock, 20);
            assert_eq!(clock.now(), START + Span::minutes(80) + step);
            assert_eq!(clock.steps_followed(), 1);
            // Put right later, likewise.
            hands.step(Span(-step.0));
            passes(&hands, &clock, 20);
            assert_eq!(clock.now(), START + Span::minutes(100));
            assert_eq!(clock.steps_followed(), 2);
        }
    }

    /// Never, however long: it cannot be a clock that is right.
    #[test]
    fn a_step_back_to_1970_is_not_followed() {
        let (hands, clock) = clock(START);
        passes(&hands, &clock, 60);
        hands.step(Span(-START.0));
        passes(&hands, &clock, 600);
        assert_eq!(clock.now(), START + Span::minutes(660));
    }

    #[test]
    fn a_board_that_learns_the_time_soon_after_its_start_is_followed_at_once() {
        let (hands, clock) = clock(START);
        passes(&hands, &clock, 1);
        hands.step(Span::days(5));
        assert_eq!(clock.now(), START + Span::days(5) + Span::minutes(1));
    }

    /// Dated by the time it woke from the first message on, and one sleep is one.
    #[test]
    fn a_machine_that_sleeps() {
        let (hands, clock) = clock(START);
        passes(&hands, &clock, 60);
        hands.sleep(Span::hours(8));
        let woken = START + Span::hours(9);
        assert_eq!(clock.stamp().wall, Some(woken));
        assert_eq!(clock.steps_followed(), 1);
        passes(&hands, &clock, 60);
        assert_eq!(clock.now(), woken + Span::hours(1));
        assert_eq!(clock.steps_followed(), 1);
        // A nap is no reason to begin anew.
        hands.sleep(Span::minutes(9));
        assert_eq!(clock.now(), woken + Span::minutes(69));
        assert_eq!(clock.steps_followed(), 1);
    }

    /// The clocks of this system agree while it does not sleep.
    #[test]
    fn the_system_s_own_clocks() {
        let first = System.monotonic_ms();
        let clock = Clock::system();
        assert!(clock.is_believable());
        assert_eq!(clock.steps_followed(), 0);
        assert!(System.monotonic_ms() >= first);
    }

    /// As a server of time does: a second in a minute, for days.
    #[test]
    fn small_differences_are_followed() {
        let (hands, clock) = clock(START);
        for minute in 1..=5000 {
            hands.pass(Span::minutes(1));
            hands.step(Span::seconds(1));
            let wanted = START + Span::minutes(minute) + Span::seconds(minute);
            assert_eq!(clock.now(), wanted);
        }
        assert_eq!(clock.steps_followed(), 0);
    }

    #[test]
    fn an_undated_message_is_dated_by_how_long_ago_it_was() {
        let clock = Clock::simulated(START, 60.0);
        let stamp = clock.stamp();
        let dated = clock.offset_ms() + stamp.monotonic_ms;
        let error = dated - stamp.wall.unwrap().0;
        assert!(
            error.abs() < 60_000,
            "{error} ms of simulated time at sixty times the speed"
        );
    }
}
