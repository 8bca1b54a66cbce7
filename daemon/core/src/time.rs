//! Time as plain data. Nothing in this crate reads a clock: every function that needs
//! "now" takes it as an argument, so that the live daemon, `replay` and tests run the same code.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

/// An instant, in whole milliseconds since 1970-01-01T00:00:00Z.
///
/// Integer milliseconds because that is what floats send, what SQLite stores compactly and
/// what survives any round trip; a verdict never needs finer time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(pub i64);

/// A length of time in whole milliseconds. May be negative.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Span(pub i64);

impl Span {
    pub const ZERO: Span = Span(0);

    pub const fn seconds(n: i64) -> Span {
        Span(n * 1_000)
    }
    pub const fn minutes(n: i64) -> Span {
        Span(n * 60_000)
    }
    pub const fn hours(n: i64) -> Span {
        Span(n * 3_600_000)
    }
    pub const fn days(n: i64) -> Span {
        Span(n * 86_400_000)
    }
    /// From a fractional number of days, rounded to the millisecond. Saturates.
    pub fn from_days(days: f64) -> Span {
        Span((days * 86_400_000.0).round() as i64)
    }
    /// In days, fractional.
    pub fn as_days(self) -> f64 {
        self.0 as f64 / 86_400_000.0
    }
    /// In hours, fractional.
    pub fn as_hours(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }
}

impl Moment {
    /// Before this no reading is believed: the project did not exist, so a clock that says
    /// so has no battery. 2025-01-01T00:00:00Z.
    pub const EARLIEST_BELIEVABLE: Moment = Moment(1_735_689_600_000);

    pub fn since(self, earlier: Moment) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }

    /// Reads RFC 3339 (`2026-03-01T06:30:00Z`, any offset).
    ///
    /// # Errors
    /// The text is not an RFC 3339 date and time with an offset.
    pub fn parse_rfc3339(text: &str) -> Result<Moment, String> {
        text.trim()
            .parse::<Timestamp>()
            .map(|t| Moment(t.as_millisecond()))
            .map_err(|_| format!("\"{text}\" is not a date and time like 2026-03-01T06:30:00Z"))
    }

    /// RFC 3339 in UTC; whole seconds when the milliseconds are zero.
    pub fn to_rfc3339(self) -> String {
        match self.timestamp() {
            Some(t) => t.to_string(),
            None => format!("{} ms", self.0),
        }
    }

    /// `None` outside the years -9999 to 9999.
    pub fn timestamp(self) -> Option<Timestamp> {
        Timestamp::from_millisecond(self.0).ok()
    }
}

impl std::ops::Add for Span {
    type Output = Span;
    fn add(self, rhs: Span) -> Span {
        Span(self.0.saturating_add(rhs.0))
    }
}

impl std::ops::Add<Span> for Moment {
    type Output = Moment;
    fn add(self, rhs: Span) -> Moment {
        Moment(self.0.saturating_add(rhs.0))
    }
}

impl std::ops::Sub<Span> for Moment {
    type Output = Moment;
    fn sub(self, rhs: Span) -> Moment {
        Moment(self.0.saturating_sub(rhs.0))
    }
}

/// Reads a date and time as a form sends it (`2026-03-01T06:30`, local), or RFC 3339.
///
/// # Errors
/// It is neither.
pub fn read_local(text: &str, zone: &TimeZone) -> Result<Moment, String> {
    if let Ok(at) = Moment::parse_rfc3339(text) {
        return Ok(at);
    }
    text.trim()
        .parse::<DateTime>()
        .and_then(|local| local.to_zoned_datetime(zone.clone()))
        .map(|zoned| Moment(zoned.timestamp().as_millisecond()))
        .map_err(|_| format!("\"{text}\" is not a date and time like 2026-03-01 06:30"))
}

/// An instant as a date-and-time field of a form takes it, in local time.
pub fn local_text(at: Moment, zone: &TimeZone) -> Option<String> {
    let local = zone.to_datetime(at.timestamp()?);
    Some(local.strftime("%Y-%m-%dT%H:%M").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc3339_examples() {
        // RFC 3339 section 5.8, first and second examples.
        let a = Moment::parse_rfc3339("1985-04-12T23:20:50.52Z").unwrap();
        assert_eq!(a.to_rfc3339(), "1985-04-12T23:20:50.52Z");
        let b = Moment::parse_rfc3339("1996-12-19T16:39:57-08:00").unwrap();
        assert_eq!(b, Moment::parse_rfc3339("1996-12-20T00:39:57Z").unwrap());
        assert!(Moment::parse_rfc3339("1996-12-19T16:39:57").is_err());
        assert!(Moment::parse_rfc3339("yesterday").is_err());
    }
}
