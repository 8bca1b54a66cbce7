//! The cellar in one message, daily or weekly, if the maker wishes it.

use std::fmt::Write;

use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::quiet::{TimeOfDay, day_of};
use super::{Call, NoticeKind};
use crate::show;
use crate::tasks::Task;
use crate::text::Style;
use crate::time::{Moment, Span};

/// When he wants it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Schedule {
    pub on: On,
    pub at: TimeOfDay,
    /// Chosen at that moment: what would have been due before is not made up for.
    pub since: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum On {
    EveryDay,
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

impl On {
    /// With key and what it is called.
    pub const ALL: [(On, &'static str, &'static str); 8] = [
        (On::EveryDay, "every-day", "every day"),
        (On::Monday, "monday", "on Mondays"),
        (On::Tuesday, "tuesday", "on Tuesdays"),
        (On::Wednesday, "wednesday", "on Wednesdays"),
        (On::Thursday, "thursday", "on Thursdays"),
        (On::Friday, "friday", "on Fridays"),
        (On::Saturday, "saturday", "on Saturdays"),
        (On::Sunday, "sunday", "on Sundays"),
    ];

    fn includes(self, day: Weekday) -> bool {
        let wanted = match self {
            On::EveryDay => return true,
            On::Monday => Weekday::Monday,
            On::Tuesday => Weekday::Tuesday,
            On::Wednesday => Weekday::Wednesday,
            On::Thursday => Weekday::Thursday,
            On::Friday => Weekday::Friday,
            On::Saturday => Weekday::Saturday,
            On::Sunday => Weekday::Sunday,
        };
        wanted == day
    }
}

/// One that could not be made at its time is made up for until then; after that it is stale.
const MADE_UP_FOR: Span = Span::hours(12);

impl Schedule {
    /// The key of the one that is due, which names its day: made under that key once, it is made.
    pub fn due(&self, now: Moment, zone: &TimeZone) -> Option<String> {
        let today = day_of(now, zone)?;
        [Some(today), today.yesterday().ok()]
            .into_iter()
            .flatten()
            .filter(|day| self.on.includes(day.weekday()))
            .find(|day| {
                self.at
                    .first_on(*day, zone)
                    .is_some_and(|at| at <= now && at > self.since && now.since(at) <= MADE_UP_FOR)
            })
            .map(|day| format!("{}:{day}", NoticeKind::Summary.key()))
    }
}

/// One vessel's part.
#[derive(Clone, Copy, Debug)]
pub struct InVessel<'a> {
    pub name: &'a str,
    pub sentence: &'a str,
    /// What is due first.
    pub tasks: &'a [Task],
}

/// A feed that is silent, and its last reading.
#[derive(Clone, Copy, Debug)]
pub struct Silent<'a> {
    pub name: &'a str,
    pub last: Option<Moment>,
}

/// A sentence for each vessel, what is due, what is silent, what waits. `standing`: titles of notices
/// that nobody has answered.
pub fn summary(
    vessels: &[InVessel],
    silent: &[Silent],
    standing: &[&str],
    now: Moment,
    style: &Style,
) -> Call {
    let mut body = String::new();
    if vessels.is_empty() {
        body.push_str("No mead is in a vessel.\n");
    }
    // Writing to a String cannot fail.
    for vessel in vessels {
        let _ = writeln!(body, "{}: {}", vessel.name, vessel.sentence);
    }
    let tasks = || {
        let each = vessels.iter().map(|v| v.tasks.iter().map(|t| (v.name, t)));
        each.flatten()
    };
    let due = tasks()
        .filter(|(_, t)| t.is_due(now))
        .map(|(name, t)| format!("{name}: {}", t.title));
    list(&mut body, "To do now", due);
    let silent = silent.iter().map(|feed| match feed.last {
        Some(last) => format!(
            "{}, last reading {}",
            feed.name,
            show::day_and_time(last, now, style)
        ),
        None => feed.name.to_owned(),
    });
    list(&mut body, "Silent", silent);
    let waits = tasks()
        .filter(|(_, t)| !t.is_due(now))
        .map(|(name, t)| format!("{name}: {}, {}", t.title, t.when(now, style)));
    list(&mut body, "It waits", waits);
    let standing = standing.iter().map(|title| (*title).to_owned());
    list(&mut body, "Told before and not answered", standing);
    Call {
        kind: NoticeKind::Summary,
        title: format!("The cellar on {}", show::day(now, now, style)),
        body: body.trim_end().to_owned(),
    }
}

fn list(body: &mut String, head: &str, lines: impl Iterator<Item = String>) {
    for (number, line) in lines.enumerate() {
        if number == 0 {
            let _ = writeln!(body, "\n{head}:");
        }
        let _ = writeln!(body, "- {line}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Preferences;

    fn at(text: &str) -> Moment {
        Moment::parse_rfc3339(text).unwrap()
    }

    fn schedule(on: On, time: &str) -> Schedule {
        Schedule {
            on,
            at: TimeOfDay::parse(time).unwrap(),
            since: at("2026-03-01T00:00:00Z"),
        }
    }

    /// For the days of the clock's change see `quiet`.
    #[test]
    fn once_a_day_by_his_clock() {
        let vienna = TimeZone::get("Europe/Vienna").unwrap();
        let due = |s: &Schedule, now| s.due(at(now), &vienna);
        let daily = schedule(On::EveryDay, "08:00");
        assert_eq!(
            due(&daily, "2026-03-28T07:00:00Z").as_deref(),
            Some("summary:2026-03-28")
        );
        assert_eq!(
            due(&daily, "2026-03-29T06:00:00Z").as_deref(),
            Some("summary:2026-03-29")
        );
        // Off at eight and back in the afternoon, or only at night.
        assert_eq!(
            due(&daily, "2026-03-28T18:59:00Z").as_deref(),
            Some("summary:2026-03-28")
        );
        assert_eq!(due(&daily, "2026-03-28T19:01:00Z"), None);
        assert_eq!(due(&daily, "2026-03-28T06:59:59Z"), None);
        // In the hour that is left out, and in the one that comes twice: one key, so one summary.
        let night = schedule(On::EveryDay, "02:30");
        assert_eq!(due(&night, "2026-03-29T00:59:59Z"), None);
        assert!(due(&night, "2026-03-29T01:00:00Z").is_some());
        let twice = ["2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z"].map(|now| due(&night, now));
        assert_eq!(twice[0].as_deref(), Some("summary:2026-10-25"));
        assert_eq!(twice[0], twice[1]);
        // Made up for past midnight it keeps the day it was due on.
        let late = schedule(On::EveryDay, "23:00");
        assert_eq!(
            due(&late, "2026-03-11T02:00:00Z").as_deref(),
            Some("summary:2026-03-10")
        );
        let chosen = Schedule {
            since: at("2026-03-28T09:00:00Z"),
            ..daily
        };
        assert_eq!(due(&chosen, "2026-03-28T09:01:00Z"), None);
    }

    /// 2028 is a leap year, 2027 and 2100 are none: each day has one summary, and no day that is none.
    #[test]
    fn over_a_leap_day_and_into_another_year() {
        let vienna = TimeZone::get("Europe/Vienna").unwrap();
        let daily = schedule(On::EveryDay, "08:00");
        let keys = |from: &str, days: i64| {
            let from = at(from);
            let hours = (0..days * 24).map(|hour| from + crate::time::Span::hours(hour));
            let mut keys: Vec<String> = hours.filter_map(|now| daily.due(now, &vienna)).collect();
            keys.dedup();
            keys.iter()
                .map(|key| key["summary:".len()..].to_owned())
                .collect::<Vec<_>>()
        };
        for (from, days) in [
            (
                "2028-02-28T00:00:00Z",
                &["2028-02-28", "2028-02-29", "2028-03-01"][..],
            ),
            ("2027-02-28T00:00:00Z", &["2027-02-28", "2027-03-01"]),
            ("2100-02-28T00:00:00Z", &["2100-02-28", "2100-03-01"]),
            ("2027-12-31T00:00:00Z", &["2027-12-31", "2028-01-01"]),
        ] {
            assert_eq!(keys(from, days.len() as i64), days, "{from}");
        }
    }

    #[test]
    fn once_a_week() {
        let weekly = schedule(On::Sunday, "09:30");
        let due = |now| weekly.due(at(now), &TimeZone::UTC);
        // 22 March 2026 is a Sunday.
        assert!(due("2026-03-22T09:30:00Z").is_some());
        assert_eq!(due("2026-03-23T09:30:00Z"), None);
        assert_eq!(due("2026-03-21T09:30:00Z"), None);
    }

    #[test]
    fn it_says_what_there_is_and_leaves_out_what_there_is_not() {
        let style = Style {
            units: Preferences::default(),
            zone: &TimeZone::UTC,
        };
        let now = at("2026-11-26T08:00:00Z");
        let vessel = InVessel {
            name: "Jar",
            sentence: "Still falling.",
            tasks: &[],
        };
        let calm = summary(&[vessel], &[], &[], now, &style);
        assert_eq!(calm.title, "The cellar on Thu 26 Nov");
        assert_eq!(calm.body, "Jar: Still falling.");
        let silent = Silent {
            name: "Jar's float",
            last: Some(at("2026-11-26T04:10:00Z")),
        };
        let said = summary(&[vessel], &[silent], &["Jar: no readings"], now, &style);
        assert_eq!(
            said.body,
            "Jar: Still falling.\n\nSilent:\n- Jar's float, last reading today 04:10\n\n\
             Told before and not answered:\n- Jar: no readings"
        );
        assert_eq!(
            summary(&[], &[], &[], now, &style).body,
            "No mead is in a vessel."
        );
    }
}
