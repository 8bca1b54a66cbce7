//! When a notice that was told is told again, and what the maker may answer to it.

use jiff::tz::TimeZone;

use super::NoticeKind;
use super::quiet::{TimeOfDay, day_of};
use crate::time::{Moment, Span};

/// A mead that falls again is told anew until somebody has seen it: after four hours, then daily
/// (common practice, no source). Nothing else is.
const FIRST: Span = Span::hours(4);
const THEN: Span = Span::hours(24);

/// When to tell again what was told at that moment and stands unanswered; `times`: how often it was
/// told again before.
pub fn repeats(kind: NoticeKind, times: u32, told: Moment) -> Option<Moment> {
    let wait = if times == 0 { FIRST } else { THEN };
    (kind == NoticeKind::Restarted).then(|| told + wait)
}

/// What the maker answers to a notice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// Not again until it has ended and come anew.
    Seen,
    InFourHours,
    Tomorrow,
}

impl Reply {
    pub const ALL: [Reply; 3] = [Reply::Seen, Reply::InFourHours, Reply::Tomorrow];

    pub fn key(self) -> &'static str {
        match self {
            Reply::Seen => "seen",
            Reply::InFourHours => "in-4-hours",
            Reply::Tomorrow => "tomorrow",
        }
    }

    pub fn from_key(key: &str) -> Option<Reply> {
        Reply::ALL.into_iter().find(|reply| reply.key() == key)
    }

    /// What stands on its button.
    pub fn label(self) -> &'static str {
        match self {
            Reply::Seen => "Seen: not again until it changes",
            Reply::InFourHours => "Remind me again in 4 hours",
            Reply::Tomorrow => "Remind me again tomorrow morning",
        }
    }

    /// The same where there is little room.
    pub fn short(self) -> &'static str {
        match self {
            Reply::Seen => "Seen",
            Reply::InFourHours => "Again in 4 hours",
            Reply::Tomorrow => "Again tomorrow morning",
        }
    }

    /// When it is to be told again if it stands then.
    pub fn again(self, now: Moment, zone: &TimeZone) -> Option<Moment> {
        match self {
            Reply::Seen => None,
            Reply::InFourHours => Some(now + Span::hours(4)),
            Reply::Tomorrow => Some(morning(now, zone).unwrap_or(now + Span::hours(12))),
        }
    }
}

/// Eight o'clock of the next day. Before five in the night it is still the day before.
fn morning(now: Moment, zone: &TimeZone) -> Option<Moment> {
    let day = day_of(now - Span::hours(5), zone)?.tomorrow().ok()?;
    TimeOfDay::new(8, 0)?.first_on(day, zone)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_mead_that_falls_again_repeats() {
        let told = Moment(1_790_000_000_000);
        assert_eq!(
            [0, 1, 2].map(|n| repeats(NoticeKind::Restarted, n, told)),
            [4, 24, 24].map(|h| Some(told + Span::hours(h)))
        );
        for kind in NoticeKind::ALL {
            let repeats = repeats(kind, 0, told).is_some();
            assert_eq!(repeats, kind == NoticeKind::Restarted);
        }
    }

    #[test]
    fn tomorrow_morning_is_the_next_one_he_gets_up_to() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let at = |text| Moment::parse_rfc3339(text).unwrap();
        for (now, then) in [
            ("2026-11-26T17:00:00Z", "2026-11-27T07:00:00Z"),
            // 01:30 there.
            ("2026-11-27T00:30:00Z", "2026-11-27T07:00:00Z"),
            ("2026-11-27T06:30:00Z", "2026-11-28T07:00:00Z"),
            // The night the clock goes forward: Directive 2000/84/EC, article 2.
            ("2026-03-28T20:00:00Z", "2026-03-29T06:00:00Z"),
        ] {
            assert_eq!(
                Reply::Tomorrow.again(at(now), &zone),
                Some(at(then)),
                "{now}"
            );
        }
        assert_eq!(Reply::Seen.again(at("2026-11-26T17:00:00Z"), &zone), None);
        for reply in Reply::ALL {
            assert_eq!(Reply::from_key(reply.key()), Some(reply));
        }
    }
}
