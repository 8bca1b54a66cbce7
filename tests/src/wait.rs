//! Waiting for what another process does.

use std::thread::sleep;
use std::time::{Duration, Instant};

/// Far beyond what anything here takes; only a fault makes a test wait this long.
pub const DEADLINE: Duration = Duration::from_secs(120);

const AGAIN: Duration = Duration::from_millis(50);

/// Asks until there is an answer.
///
/// # Panics
/// There was none in [`DEADLINE`]; names what was waited for.
pub fn until<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let begin = Instant::now();
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(
            begin.elapsed() < DEADLINE,
            "{what}: not within {DEADLINE:?}"
        );
        sleep(AGAIN);
    }
}

/// Asks until it is so.
///
/// # Panics
/// As [`until`].
pub fn until_true(what: &str, mut ask: impl FnMut() -> bool) {
    until(what, || ask().then_some(()));
}
