//! Quiet hours over the change of the clock, and that nothing that waits is lost.
//!
//! The changes of the clock are those of the IANA time zone database: Vienna's and New York's of 2026
//! (an hour), Lord Howe Island's (half an hour), and one zone without any.

use std::collections::BTreeSet;

use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::post::{Item, Rules, sort};
use ebbmark_core::notice::quiet::{Quiet, TimeOfDay};
use ebbmark_core::time::{Moment, Span};
use jiff::tz::TimeZone;
use proptest::prelude::*;

/// A zone, and about when its clock changes.
const CHANGES: [(&str, &str); 7] = [
    ("Europe/Vienna", "2026-03-29T01:00:00Z"),
    ("Europe/Vienna", "2026-10-25T01:00:00Z"),
    ("America/New_York", "2026-03-08T07:00:00Z"),
    ("America/New_York", "2026-11-01T06:00:00Z"),
    ("Australia/Lord_Howe", "2026-04-04T15:00:00Z"),
    ("Australia/Lord_Howe", "2026-10-03T15:30:00Z"),
    ("Asia/Tokyo", "2026-06-01T00:00:00Z"),
];

fn time() -> impl Strategy<Value = TimeOfDay> {
    (0..24_i8, 0..60_i8).prop_map(|(h, m)| TimeOfDay::new(h, m).expect("in range"))
}

fn quiet() -> impl Strategy<Value = Quiet> {
    (time(), time(), any::<bool>())
        .prop_filter("they begin and end at two times", |(from, until, _)| {
            from != until
        })
        .prop_map(|(from, until, broken_by_pressing)| Quiet {
            from,
            until,
            broken_by: BTreeSet::from([NoticeKind::Temperature]),
            broken_by_pressing,
        })
}

fn change() -> impl Strategy<Value = (TimeZone, Moment)> {
    (0..CHANGES.len()).prop_map(|n| {
        let (zone, at) = CHANGES[n];
        (
            TimeZone::get(zone).expect("an IANA zone"),
            Moment::parse_rfc3339(at).expect("RFC 3339"),
        )
    })
}

fn on_the_wall(at: Moment, zone: &TimeZone) -> TimeOfDay {
    let local = zone.to_datetime(at.timestamp().expect("a year of four digits"));
    TimeOfDay::new(local.hour(), local.minute()).expect("a clock shows it")
}

fn item() -> impl Strategy<Value = (i64, NoticeKind, bool)> {
    let kind = (0..NoticeKind::ALL.len()).prop_map(|n| NoticeKind::ALL[n]);
    (0..3 * 24 * 60_i64, kind, any::<bool>())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// Away from the change they are what the clock on the wall shows; once begun they end once, at
    /// one moment, and that is not again within them.
    #[test]
    fn quiet_hours_are_those_on_the_wall(
        quiet in quiet(), (zone, change) in change(), off in -3 * 24 * 60..3 * 24 * 60_i64,
    ) {
        let now = change + Span::minutes(off);
        let ends = quiet.ends(now, &zone);
        if let Some(end) = ends {
            prop_assert!(end > now && end.since(now) <= Span::hours(49));
            prop_assert_eq!(quiet.ends(end, &zone), None);
            let (mut at, step) = (now, Span::minutes(7));
            while at < end {
                prop_assert_eq!(quiet.ends(at, &zone), Some(end));
                at = at + step;
            }
        }
        if off.abs() > 120 {
            let wall = on_the_wall(now, &zone);
            let within = if quiet.from < quiet.until {
                quiet.from <= wall && wall < quiet.until
            } else {
                quiet.from <= wall || wall < quiet.until
            };
            prop_assert_eq!(ends.is_some(), within, "{} on the wall", wall);
        }
    }

    /// Whatever comes and whenever: each goes out once, none within the quiet hours that may not break
    /// them, and none later than gathering or the quiet hours ask.
    #[test]
    fn nothing_is_lost_and_nothing_goes_twice(
        quiet in proptest::option::of(quiet()),
        (zone, change) in change(),
        gather in 0..5_i64,
        mut coming in proptest::collection::vec(item(), 1..25),
    ) {
        coming.sort_by_key(|(minute, ..)| *minute);
        let start = change - Span::hours(36);
        let rules = Rules { quiet: quiet.as_ref(), gather: Span::minutes(gather), since: start, zone: &zone };
        let mut waiting: Vec<Item> = Vec::new();
        let mut sent = 0;
        let mut look = start;
        let mut coming = coming.into_iter().peekable();
        let total = coming.len();
        // As the dispatcher does: it looks when something comes and when it was told to.
        for _ in 0..10_000 {
            while let Some((minute, kind, pressing)) = coming.next_if(|(m, ..)| start + Span::minutes(*m) <= look) {
                waiting.push(Item { kind, pressing, at: start + Span::minutes(minute), tried: false });
            }
            let sorted = sort(&waiting, &rules, look);
            let mut gone: Vec<usize> = sorted.messages.concat();
            gone.sort_unstable();
            let each = gone.len();
            gone.dedup();
            prop_assert_eq!(gone.len(), each, "one item in two messages");
            for number in &gone {
                let item = waiting[*number];
                if let Some(quiet) = &quiet {
                    prop_assert_eq!(quiet.holds(item.kind, item.pressing, look, &zone), None);
                }
                let free = quiet.as_ref().and_then(|q| q.holds(item.kind, item.pressing, item.at, &zone));
                let latest = free.unwrap_or(item.at).max(start) + Span::minutes(3 * gather);
                let held_then = quiet.as_ref().and_then(|q| q.holds(item.kind, item.pressing, latest, &zone));
                prop_assert!(look <= held_then.unwrap_or(latest), "{:?} at {:?}", item, look);
            }
            for number in gone.iter().rev() {
                waiting.remove(*number);
                sent += 1;
            }
            prop_assert_eq!(sorted.waits.is_some(), !waiting.is_empty(), "what waits is looked at again");
            if let Some(until) = sorted.waits {
                prop_assert!(until > look);
            }
            let next = coming.peek().map(|(m, ..)| start + Span::minutes(*m));
            match [sorted.waits, next].into_iter().flatten().min() {
                Some(at) => look = at,
                None => break,
            }
        }
        prop_assert_eq!(sent, total);
    }
}
