//! When a delivery that failed is tried again, and when it is given up.

use std::hash::{DefaultHasher, Hash, Hasher};

use ebbmark_core::time::Span;

const FIRST: Span = Span::seconds(30);
const MOST: Span = Span::hours(1);

/// What is done after the `tries`-th try of a delivery failed (the first is 1).
///
/// `None`: it is given up, because waiting once more would make it more than `give_up_after` of
/// waiting in all. Time the daemon was off does not count: a notice is never given up for the
/// length of a power cut.
pub fn wait_after(tries: u32, give_up_after: Span, key: impl Hash) -> Option<Span> {
    // Doubling is over after eight; the rest are all the longest.
    let doubling: i64 = (1..tries.min(9)).map(|n| step(n).0).sum();
    let longest = MOST.0 * i64::from(tries.saturating_sub(9));
    let next = step(tries);
    if doubling + longest + next.0 > give_up_after.0 {
        return None;
    }
    // Spread by a fifth either way, so that what failed together does not come back together.
    // From a hash, so that a run can be repeated.
    let mut hasher = DefaultHasher::new();
    (key, tries).hash(&mut hasher);
    let spread = (hasher.finish() % 401) as i64 - 200;
    Some(Span(next.0 + next.0 * spread / 1000))
}

fn step(tries: u32) -> Span {
    let doublings = tries.saturating_sub(1).min(16);
    Span((FIRST.0 << doublings).min(MOST.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubles_from_half_a_minute_to_an_hour() {
        let waits: Vec<f64> = (1..=9).map(|n| step(n).0 as f64 / 1000.0).collect();
        assert_eq!(
            waits,
            [
                30.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3600.0, 3600.0
            ]
        );
    }

    #[test]
    fn a_day_of_waiting_then_given_up() {
        let day = Span::hours(24);
        let tries = (1..).find(|n| wait_after(*n, day, 0).is_none());
        // 3810 s in seven waits, then hours: 22 of them fit in the rest of the day.
        assert_eq!(tries, Some(30));
        // Not at all when that is what was asked for.
        assert_eq!(wait_after(1, Span::ZERO, 0), None);
        assert_eq!(wait_after(u32::MAX, Span::days(30), 0), None);
    }

    #[test]
    fn spread_stays_within_a_fifth() {
        let waits: Vec<i64> = (0..500)
            .filter_map(|key| wait_after(3, Span::hours(24), key))
            .map(|w| w.0)
            .collect();
        let (low, high) = (waits.iter().min().unwrap(), waits.iter().max().unwrap());
        assert!(*low >= 96_000 && *low < 100_000, "{low}");
        assert!(*high <= 144_000 && *high > 140_000, "{high}");
    }
}
