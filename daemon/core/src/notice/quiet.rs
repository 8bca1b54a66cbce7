//! Hours in which the maker is not to be woken, by his own clock.

use std::collections::BTreeSet;
use std::fmt;

use jiff::civil::{Date, DateTime};
use jiff::tz::{AmbiguousOffset, TimeZone};
use serde::{Deserialize, Serialize};

use super::NoticeKind;
use crate::time::Moment;

/// A time of day, to the minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct TimeOfDay {
    hour: i8,
    minute: i8,
}

impl TimeOfDay {
    /// `None` when there is no such time.
    pub fn new(hour: i8, minute: i8) -> Option<TimeOfDay> {
        ((0..24).contains(&hour) && (0..60).contains(&minute)).then_some(TimeOfDay { hour, minute })
    }

    /// Reads "22:30".
    ///
    /// # Errors
    /// It is no time of day.
    pub fn parse(text: &str) -> Result<TimeOfDay, String> {
        let part = |text: &str| {
            let digits = (1..=2).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
            digits.then(|| text.parse().ok()).flatten()
        };
        text.trim()
            .split_once(':')
            .and_then(|(hour, minute)| TimeOfDay::new(part(hour)?, part(minute)?))
            .ok_or_else(|| format!("\"{text}\" is not a time like 22:30"))
    }

    fn on(self, day: Date) -> DateTime {
        day.at(self.hour, self.minute, 0, 0)
    }

    /// On that day by that clock: the earlier one where the clock shows it twice, the moment of the
    /// jump where it leaves it out.
    pub(super) fn first_on(self, day: Date, zone: &TimeZone) -> Option<Moment> {
        resolve(self.on(day), zone, false)
    }

    /// As [`Self::first_on`], but the later one of two.
    fn last_on(self, day: Date, zone: &TimeZone) -> Option<Moment> {
        resolve(self.on(day), zone, true)
    }
}

impl fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.hour, self.minute)
    }
}

impl TryFrom<String> for TimeOfDay {
    type Error = String;
    fn try_from(text: String) -> Result<TimeOfDay, String> {
        TimeOfDay::parse(&text)
    }
}

impl From<TimeOfDay> for String {
    fn from(time: TimeOfDay) -> String {
        time.to_string()
    }
}

/// `None` past the end of the calendar.
fn resolve(local: DateTime, zone: &TimeZone, later: bool) -> Option<Moment> {
    let ambiguous = zone.to_ambiguous_timestamp(local);
    let at = match ambiguous.offset() {
        AmbiguousOffset::Gap { .. } => {
            let before = ambiguous.earlier().ok()?;
            zone.following(before).next()?.timestamp()
        }
        _ if later => ambiguous.later().ok()?,
        _ => ambiguous.earlier().ok()?,
    };
    Some(Moment(at.as_millisecond()))
}

/// The day it is at that moment by that clock.
pub(super) fn day_of(at: Moment, zone: &TimeZone) -> Option<Date> {
    Some(zone.to_datetime(at.timestamp()?).date())
}

/// Every day from one time to another; over midnight when the second is the earlier one. Where the
/// clock is put back within them they are an hour longer, never cut in two.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Quiet {
    pub from: TimeOfDay,
    pub until: TimeOfDay,
    /// What may be told all the same.
    #[serde(default)]
    pub broken_by: BTreeSet<NoticeKind>,
    /// Whether what is pressing may (see [`super::is_pressing`]).
    pub broken_by_pressing: bool,
}

impl Quiet {
    /// When the quiet hours end that it is in at that moment; `None` outside them.
    pub fn ends(&self, at: Moment, zone: &TimeZone) -> Option<Moment> {
        let mut end = self.one_end(at, zone)?;
        // Where hardly a gap is left between two days' hours, a change of the clock may close it.
        if let Some(next) = self.one_end(end, zone) {
            end = next;
        }
        Some(end)
    }

    /// Of one day's hours.
    fn one_end(&self, at: Moment, zone: &TimeZone) -> Option<Moment> {
        let today = day_of(at, zone)?;
        let over_midnight = self.until <= self.from;
        [today.yesterday().ok(), Some(today)]
            .into_iter()
            .flatten()
            .find_map(|day| {
                let last_day = if over_midnight {
                    day.tomorrow().ok()?
                } else {
                    day
                };
                let from = self.from.first_on(day, zone)?;
                let until = self.until.last_on(last_day, zone)?;
                (from <= at && at < until).then_some(until)
            })
    }

    /// Until when this has to wait; `None` when it may go at once.
    pub fn holds(
        &self,
        kind: NoticeKind,
        pressing: bool,
        at: Moment,
        zone: &TimeZone,
    ) -> Option<Moment> {
        let breaks = (pressing && self.broken_by_pressing)
            || self.broken_by.contains(&kind)
            // Asked for by the maker himself, for just now.
            || matches!(kind, NoticeKind::Test | NoticeKind::Summary);
        if breaks { None } else { self.ends(at, zone) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quiet(from: &str, until: &str) -> Quiet {
        Quiet {
            from: TimeOfDay::parse(from).unwrap(),
            until: TimeOfDay::parse(until).unwrap(),
            broken_by: BTreeSet::new(),
            broken_by_pressing: true,
        }
    }

    fn at(text: &str) -> Moment {
        Moment::parse_rfc3339(text).unwrap()
    }

    /// Summer time in the European Union begins and ends at 01:00 UTC on the last Sundays of March
    /// and October: Directive 2000/84/EC, articles 2 and 3. Those of 2026 are 29 March and 25 October.
    #[test]
    fn over_midnight_and_over_the_change_of_the_clock() {
        let vienna = TimeZone::get("Europe/Vienna").unwrap();
        let night = quiet("22:00", "07:00");
        for (now, ends) in [
            ("2026-01-10T20:59:59Z", None),
            ("2026-01-10T21:00:00Z", Some("2026-01-11T06:00:00Z")),
            ("2026-01-11T05:59:59Z", Some("2026-01-11T06:00:00Z")),
            ("2026-01-11T06:00:00Z", None),
            // An hour shorter in spring, an hour longer in autumn.
            ("2026-03-28T21:00:00Z", Some("2026-03-29T05:00:00Z")),
            ("2026-10-24T20:00:00Z", Some("2026-10-25T06:00:00Z")),
            // Over a leap day, over the end of February of other years, into another year.
            ("2028-02-28T21:00:00Z", Some("2028-02-29T06:00:00Z")),
            ("2028-02-29T21:00:00Z", Some("2028-03-01T06:00:00Z")),
            ("2027-02-28T21:00:00Z", Some("2027-03-01T06:00:00Z")),
            ("2026-12-31T23:00:00Z", Some("2027-01-01T06:00:00Z")),
        ] {
            assert_eq!(night.ends(at(now), &vienna), ends.map(at), "{now}");
        }
        // 02:30 is left out in spring: they end with the jump. In autumn it comes twice: the second.
        let early = quiet("22:00", "02:30");
        assert_eq!(
            early.ends(at("2026-03-29T00:59:00Z"), &vienna),
            Some(at("2026-03-29T01:00:00Z"))
        );
        assert_eq!(early.ends(at("2026-03-29T01:00:00Z"), &vienna), None);
        assert_eq!(
            early.ends(at("2026-10-25T00:45:00Z"), &vienna),
            Some(at("2026-10-25T01:30:00Z"))
        );
        let late = quiet("02:30", "06:00");
        assert_eq!(late.ends(at("2026-03-29T00:59:00Z"), &vienna), None);
        assert_eq!(
            late.ends(at("2026-03-29T01:00:00Z"), &vienna),
            Some(at("2026-03-29T04:00:00Z"))
        );
        // The half hour between two nights is left out in spring: they are one.
        let nearly_all = quiet("02:30", "02:00");
        assert_eq!(
            nearly_all.ends(at("2026-03-29T00:59:00Z"), &vienna),
            Some(at("2026-03-30T00:00:00Z"))
        );
        let noon = quiet("12:00", "14:00");
        assert_eq!(
            noon.ends(at("2026-07-01T10:30:00Z"), &vienna),
            Some(at("2026-07-01T12:00:00Z"))
        );
        assert_eq!(noon.ends(at("2026-07-01T12:00:00Z"), &vienna), None);
    }

    #[test]
    fn what_may_break_them() {
        let mut night = quiet("22:00", "07:00");
        let midnight = at("2026-01-10T00:00:00Z");
        let zone = TimeZone::UTC;
        let waits = |q: &Quiet, kind, pressing| q.holds(kind, pressing, midnight, &zone).is_some();
        assert!(waits(&night, NoticeKind::Restarted, false));
        assert!(!waits(&night, NoticeKind::Restarted, true));
        assert!(waits(&night, NoticeKind::FloatStuck, false));
        assert!(!waits(&night, NoticeKind::Test, false));
        night.broken_by.insert(NoticeKind::Temperature);
        night.broken_by_pressing = false;
        assert!(!waits(&night, NoticeKind::Temperature, false));
        assert!(waits(&night, NoticeKind::Restarted, true));
    }

    #[test]
    fn times_as_they_are_written() {
        assert_eq!(TimeOfDay::parse(" 7:05 ").unwrap().to_string(), "07:05");
        for text in ["24:00", "7", "07:60", "-1:00", "", "7:5x", "+7:00"] {
            assert!(TimeOfDay::parse(text).is_err(), "{text}");
        }
    }
}
