//! Conditions that are not the mead's: a feed gone quiet, a battery running down, a vessel too
//! warm or too cold. Each has a line to cross to be raised and another to be cleared, so that a
//! value near the line does not chatter.

use crate::time::{Moment, Span};
use crate::units::{Battery, Celsius};

/// What to do about a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Watch {
    Raise,
    Clear,
    /// Between the lines: as it was.
    Leave,
}

/// A feed's usual spacing: the median of the gaps between its latest readings.
pub fn usual_gap(times: &[Moment]) -> Option<Span> {
    let mut gaps: Vec<i64> = times
        .windows(2)
        .map(|w| w[1].since(w[0]).0)
        .filter(|g| *g > 0)
        .collect();
    if gaps.len() < 3 {
        return None;
    }
    gaps.sort_unstable();
    Some(Span(gaps[gaps.len() / 2]))
}

/// How long a feed may be quiet before it is called silent.
pub fn silence_limit(usual: Option<Span>) -> Span {
    match usual {
        Some(gap) => Span((gap.0.saturating_mul(6)).clamp(Span::hours(1).0, Span::hours(36).0)),
        None => Span::hours(12),
    }
}

/// A feed as silence is judged: its last reading, and how long it may be quiet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quiet {
    pub last: Moment,
    pub limit: Span,
}

/// A third of the limit is two of its usual gaps: it has missed a reading.
const MISSED: i64 = 3;
/// And a sixth is one.
const GAP: i64 = 6;

/// What to do about each of the feeds. `listening_since`: when the daemon began to listen. After an
/// outage of our own no feed is called silent before it had its chance.
///
/// Where one has passed its limit, those that fell silent with it (a power cut, a network that is
/// gone) are raised along, although they may be quiet for longer: it is one piece of news, not one
/// now and the next in half an hour.
pub fn silence(feeds: &[Quiet], listening_since: Moment, now: Moment) -> Vec<Watch> {
    let quiet = |feed: &Quiet| now.since(feed.last.max(listening_since));
    let past: Vec<&Quiet> = feeds.iter().filter(|f| quiet(f) > f.limit).collect();
    let fell_with = |feed: &Quiet| {
        quiet(feed).0 > feed.limit.0 / MISSED
            && past.iter().any(|other| {
                let apart = feed.last.since(other.last).0.abs();
                apart <= feed.limit.0.max(other.limit.0) / GAP
            })
    };
    let of = |feed: &Quiet| {
        if quiet(feed) > feed.limit || fell_with(feed) {
            Watch::Raise
        } else if now.since(feed.last).0 <= feed.limit.0 / MISSED {
            Watch::Clear
        } else {
            Watch::Leave
        }
    };
    feeds.iter().map(of).collect()
}

/// Per cent as sent. Volts are judged only in the range of a single lithium cell, which is
/// nearly empty at 3.4 V (common practice, no source); other chemistries are not guessed at.
pub fn battery(state: Battery) -> Watch {
    let (value, low, well) = match state {
        Battery::Percent(p) => (p, 15.0, 25.0),
        Battery::Volts(v) if (2.5..=4.5).contains(&v) => (v, 3.4, 3.55),
        Battery::Volts(_) => return Watch::Leave,
    };
    if value < low {
        Watch::Raise
    } else if value > well {
        Watch::Clear
    } else {
        Watch::Leave
    }
}

/// A vessel's temperature against its band. Half a kelvin inside clears.
pub fn temperature(now: Celsius, low: Option<Celsius>, high: Option<Celsius>) -> Watch {
    let t = now.get();
    let above = high.map(|h| t - h.get());
    let below = low.map(|l| l.get() - t);
    let worst = match (above, below) {
        (None, None) => return Watch::Clear,
        (a, b) => a
            .unwrap_or(f64::NEG_INFINITY)
            .max(b.unwrap_or(f64::NEG_INFINITY)),
    };
    if worst > 0.0 {
        Watch::Raise
    } else if worst <= -0.5 {
        Watch::Clear
    } else {
        Watch::Leave
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn c(v: f64) -> Celsius {
        Celsius::new(v).unwrap()
    }

    #[test]
    fn band_with_hysteresis() {
        let band = (Some(c(16.0)), Some(c(22.0)));
        let at = |t: f64| temperature(c(t), band.0, band.1);
        assert_eq!(at(22.1), Watch::Raise);
        assert_eq!(at(21.8), Watch::Leave);
        assert_eq!(at(21.4), Watch::Clear);
        assert_eq!(at(15.9), Watch::Raise);
        assert_eq!(temperature(c(30.0), None, None), Watch::Clear);
    }

    #[test]
    fn silence_waits_for_the_feeds_chance() {
        let feed = Quiet {
            last: Moment(0),
            limit: Span::hours(1),
        };
        let at = |since: Span, minutes| {
            let now = feed.last + since + Span::minutes(minutes);
            silence(&[feed], feed.last + since, now)[0]
        };
        assert_eq!(at(Span::ZERO, 61), Watch::Raise);
        assert_eq!(at(Span::ZERO, 59), Watch::Leave);
        assert_eq!(at(Span::ZERO, 19), Watch::Clear);
        // The daemon was away for a day and has just come back.
        assert_eq!(at(Span::days(1), 5), Watch::Leave);
        assert_eq!(at(Span::days(1), 61), Watch::Raise);
    }

    #[test]
    fn those_that_fell_silent_with_one_are_raised_with_it() {
        let feed = |last, limit| Quiet {
            last: Moment(0) + Span::minutes(last),
            limit: Span::minutes(limit),
        };
        // Two that send every quarter of an hour, one that sends every half, one that still speaks,
        // and one that sends once a day.
        let feeds = [
            feed(0, 90),
            feed(9, 90),
            feed(12, 180),
            feed(88, 90),
            feed(-300, 2160),
        ];
        let at = |minutes| silence(&feeds, Moment(0), Moment(0) + Span::minutes(minutes));
        use Watch::{Clear, Leave, Raise};
        assert_eq!(at(90), [Leave, Leave, Leave, Clear, Clear]);
        assert_eq!(at(91), [Raise, Raise, Raise, Clear, Clear]);
    }

    #[test]
    fn gaps_and_limits() {
        let every = |m: i64| -> Vec<Moment> { (0..10).map(|i| Moment(i * m * 60_000)).collect() };
        assert_eq!(silence_limit(usual_gap(&every(15))), Span::minutes(90));
        assert_eq!(silence_limit(usual_gap(&every(1))), Span::hours(1));
        assert_eq!(silence_limit(usual_gap(&every(24 * 60))), Span::hours(36));
        assert_eq!(usual_gap(&[Moment(0), Moment(1)]), None);
    }

    #[test]
    fn batteries() {
        assert_eq!(battery(Battery::Percent(10.0)), Watch::Raise);
        assert_eq!(battery(Battery::Percent(20.0)), Watch::Leave);
        assert_eq!(battery(Battery::Volts(3.3)), Watch::Raise);
        assert_eq!(battery(Battery::Volts(9.0)), Watch::Leave);
    }
}
