//! Yeast's own time: a warm day counts for more than a cold one.
//!
//! Curves are fitted against days at 20 °C, so that a cold night or a cellar that cools does not
//! bend them, and paces of different batches can be compared. Uptake and growth rates rise with
//! temperature as e^(0.077·T): ln β and ln μ of Coleman, Fish & Block 2007 (Appl. Environ.
//! Microbiol. 73:5875-5884) have slopes of 0.0771 and 0.0782 a kelvin (quoted second-hand). The
//! shape of the course does not depend on temperature (Bely, Sablayrolles & Barre; abstract).

use super::case::{Case, Stretch, days_since};
use crate::hours::HOUR_MS;
use crate::time::{Moment, Span};

const PER_KELVIN: f64 = 0.077;
const REFERENCE: f64 = 20.0;
/// Outside this range of °C the law does not hold; it is not stretched beyond.
const HOLDS: (f64, f64) = (5.0, 30.0);

/// Knots that are kept, as long as the curves are: the hours of half a year. Between those of a longer
/// stretch the warmth of some hours is evened out.
const KNOTS: usize = 4096;

#[derive(Debug)]
pub(super) struct Pace {
    /// (days since the stretch began, days at 20 °C since then), both rising.
    knots: Vec<(f64, f64)>,
    /// Days at 20 °C in a day as it is now.
    now: f64,
}

fn rate(celsius: f64) -> f64 {
    (PER_KELVIN * (celsius.clamp(HOLDS.0, HOLDS.1) - REFERENCE)).exp()
}

/// Every so many of them and the last, which the time to come counts from.
fn thinned(knots: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let apart = knots.len().div_ceil(KNOTS).max(1);
    let last = knots.last().filter(|_| knots.len() % apart != 1 % apart);
    knots.iter().step_by(apart).chain(last).copied().collect()
}

impl Pace {
    /// Without any temperature every day counts as one.
    pub fn new(case: &Case, stretch: &Stretch) -> Pace {
        let start = case
            .hours
            .partition_point(|h| h.index * HOUR_MS + HOUR_MS <= stretch.from.0);
        let last = stretch.last;
        let mut knots = vec![(0.0, 0.0)];
        let (mut days, mut clock) = (0.0, 0.0);
        let mut known = case.hours[start..]
            .iter()
            .find_map(|h| h.temperature)
            .map_or(1.0, |t| rate(t.median));
        for hour in &case.hours[start..] {
            let end = Moment((hour.index + 1) * HOUR_MS).min(last);
            let to = days_since(stretch.from, end);
            if to <= days {
                continue;
            }
            if let Some(t) = hour.temperature {
                // What is known of an hour holds from the last one known to its end.
                known = rate(t.median);
            }
            clock += known * (to - days);
            days = to;
            knots.push((days, clock));
        }
        let knots = thinned(&knots);
        let now = case
            .temperature(last - Span::days(1), last)
            .map_or(known, rate);
        Pace { knots, now }
    }

    /// Days at 20 °C after so many days.
    pub fn clock(&self, days: f64) -> f64 {
        let after = self.knots.partition_point(|k| k.0 <= days);
        match (
            after.checked_sub(1).and_then(|i| self.knots.get(i)),
            self.knots.get(after),
        ) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (days - a.0) / (b.0 - a.0),
            (Some(a), None) => a.1 + self.now * (days - a.0),
            (None, _) => days,
        }
    }

    /// The days after which so many days at 20 °C have gone by, if it stays as warm as now.
    pub fn days(&self, clock: f64) -> f64 {
        let after = self.knots.partition_point(|k| k.1 <= clock);
        match (
            after.checked_sub(1).and_then(|i| self.knots.get(i)),
            self.knots.get(after),
        ) {
            (Some(a), Some(b)) => a.0 + (b.0 - a.0) * (clock - a.1) / (b.1 - a.1),
            (Some(a), None) => a.0 + (clock - a.1) / self.now,
            (None, _) => clock,
        }
    }

    /// Days for a span of days at 20 °C, at the present temperature.
    pub fn span(&self, clock: f64) -> f64 {
        clock / self.now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_stretch_keeps_no_more_than_there_is_room_for() {
        for hours in [
            1,
            2,
            KNOTS,
            KNOTS + 1,
            2 * KNOTS,
            2 * KNOTS + 1,
            10 * KNOTS + 3,
        ] {
            let all: Vec<(f64, f64)> = (0..hours).map(|h| (h as f64, 2.0 * h as f64)).collect();
            let kept = thinned(&all);
            assert!(kept.len() <= KNOTS + 1);
            assert!(hours > KNOTS || kept == all, "{hours}");
            assert_eq!((kept.first(), kept.last()), (all.first(), all.last()));
            assert!(kept.windows(2).all(|k| k[0].0 < k[1].0), "{hours}");
        }
    }

    #[test]
    fn warm_days_count_for_more_and_the_way_back_is_exact() {
        assert_eq!(rate(20.0), 1.0);
        assert!((rate(29.0) / rate(20.0) - 2.0).abs() < 0.01);
        let pace = Pace {
            knots: vec![(0.0, 0.0), (1.0, 2.0), (3.0, 3.0)],
            now: 0.5,
        };
        for days in [0.0, 0.3, 1.0, 2.5, 3.0, 9.0] {
            assert!((pace.days(pace.clock(days)) - days).abs() < 1e-12);
        }
        assert_eq!(pace.clock(5.0), 4.0);
        assert_eq!(pace.span(1.0), 2.0);
    }
}
