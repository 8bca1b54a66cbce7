//! Which of the dated copies of the cellar's database are kept.
//!
//! The newest copy of each of the last so many days, weeks and months stays; what none of them
//! asks for goes. Counted are days, weeks and months of which there is a copy, not those that have
//! passed: a board that was off for a year comes back to as many copies as it left. The numbers
//! are common practice, no source.
//!
//! Of a period the *newest* copy is the one that stays. So what is wanted at the end of a month was
//! wanted on every day before it, and thinning out day by day comes to the same as doing it once.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::time::Moment;

/// How many copies stay, one of each period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Keep {
    pub daily: u32,
    pub weekly: u32,
    pub monthly: u32,
}

/// Those of `copies` that stay, the newest first. There is always one as long as there is any.
pub fn kept(copies: &[Moment], keep: Keep) -> Vec<Moment> {
    let mut newest_first = copies.to_vec();
    newest_first.sort_unstable_by(|a, b| b.cmp(a));
    newest_first.dedup();
    let mut periods = [
        Periods::new(keep.daily, |day| (day.year(), day.day_of_year())),
        Periods::new(keep.weekly, |day| {
            let week = day.iso_week_date();
            (week.year(), i16::from(week.week()))
        }),
        Periods::new(keep.monthly, |day| (day.year(), i16::from(day.month()))),
    ];
    let newest = newest_first.first().copied();
    newest_first.retain(|&at| {
        let Some(day) = day(at) else {
            // No date that could be counted with: nothing is thrown away for that.
            return true;
        };
        // Each has to see every copy.
        let wanted = periods.each_mut().map(|periods| periods.want(day));
        wanted.contains(&true) || newest == Some(at)
    });
    newest_first
}

/// In UTC, as the copies are named.
fn day(at: Moment) -> Option<Date> {
    Some(TimeZone::UTC.to_datetime(at.timestamp()?).date())
}

/// Takes the first copy it sees of each period, for so many periods.
struct Periods {
    left: u32,
    last: Option<(i16, i16)>,
    of: fn(Date) -> (i16, i16),
}

impl Periods {
    fn new(left: u32, of: fn(Date) -> (i16, i16)) -> Periods {
        Periods {
            left,
            last: None,
            of,
        }
    }

    fn want(&mut self, day: Date) -> bool {
        let period = (self.of)(day);
        if self.left == 0 || self.last == Some(period) {
            return false;
        }
        self.last = Some(period);
        self.left -= 1;
        true
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;
    use crate::time::Span;

    const USUAL: Keep = Keep {
        daily: 7,
        weekly: 5,
        monthly: 12,
    };

    fn at(text: &str) -> Moment {
        Moment::parse_rfc3339(text).unwrap()
    }

    #[test]
    fn a_year_of_nights_comes_to_days_weeks_and_months() {
        // 2026-11-26 is a Thursday.
        let last = at("2026-11-26T02:00:00Z");
        let nights: Vec<Moment> = (0..400).map(|n| last - Span::days(n)).collect();
        let days: Vec<String> = kept(&nights, USUAL)
            .iter()
            .map(|at| at.to_rfc3339()[..10].to_owned())
            .collect();
        let expected = [
            // Seven days.
            "2026-11-26",
            "2026-11-25",
            "2026-11-24",
            "2026-11-23",
            "2026-11-22",
            "2026-11-21",
            "2026-11-20",
            // Sundays; two of the five weeks are among the days.
            "2026-11-15",
            "2026-11-08",
            "2026-11-01",
            // Ends of months, after this one.
            "2026-10-31",
            "2026-09-30",
            "2026-08-31",
            "2026-07-31",
            "2026-06-30",
            "2026-05-31",
            "2026-04-30",
            "2026-03-31",
            "2026-02-28",
            "2026-01-31",
            "2025-12-31",
        ];
        assert_eq!(days, expected);
    }

    #[test]
    fn a_board_that_was_off_keeps_what_it_had() {
        let old = at("2025-03-02T02:00:00Z");
        let mut copies: Vec<Moment> = (0..7).map(|n| old - Span::days(n)).collect();
        let before = kept(&copies, USUAL);
        copies.push(at("2026-11-26T02:00:00Z"));
        let after = kept(&copies, USUAL);
        // The oldest of the seven days gives way to today.
        assert_eq!(after.len(), before.len());
        assert!(after[1..].iter().all(|at| before.contains(at)));
    }

    #[test]
    fn of_the_same_day_the_last_one_stays() {
        let copies = [at("2026-11-26T02:00:00Z"), at("2026-11-26T14:00:00Z")];
        assert_eq!(kept(&copies, USUAL), [copies[1]]);
        assert_eq!(kept(&[], USUAL), []);
    }

    fn copies() -> impl Strategy<Value = Vec<Moment>> {
        let begin = 1_750_000_000_000_i64;
        let three_years = 3 * 365 * 86_400_000_i64;
        proptest::collection::vec(begin..begin + three_years, 0..120)
            .prop_map(|all| all.into_iter().map(Moment).collect())
    }

    fn keep() -> impl Strategy<Value = Keep> {
        (0..10_u32, 0..8_u32, 0..15_u32).prop_map(|(daily, weekly, monthly)| Keep {
            daily,
            weekly,
            monthly,
        })
    }

    proptest! {
        #[test]
        fn the_newest_is_never_thrown_away(copies in copies(), keep in keep()) {
            let kept = kept(&copies, keep);
            prop_assert_eq!(kept.first(), copies.iter().max());
        }

        #[test]
        fn no_more_than_asked_for_and_none_that_was_not_there(copies in copies(), keep in keep()) {
            let kept = kept(&copies, keep);
            let most = (keep.daily + keep.weekly + keep.monthly).max(1) as usize;
            prop_assert!(kept.len() <= most);
            prop_assert!(kept.iter().all(|at| copies.contains(at)));
        }

        #[test]
        fn asking_for_more_never_throws_more_away(
            copies in copies(), keep in keep(), more in (0..4_u32, 0..4_u32, 0..4_u32),
        ) {
            let larger = Keep {
                daily: keep.daily + more.0,
                weekly: keep.weekly + more.1,
                monthly: keep.monthly + more.2,
            };
            let larger = kept(&copies, larger);
            prop_assert!(kept(&copies, keep).iter().all(|at| larger.contains(at)));
        }

        /// Nothing was thrown away early that is missing later.
        #[test]
        fn thinning_out_each_time_comes_to_the_same_as_once(copies in copies(), keep in keep()) {
            let in_order: BTreeSet<Moment> = copies.iter().copied().collect();
            let mut there = Vec::new();
            for at in in_order {
                there.push(at);
                there = kept(&there, keep);
            }
            prop_assert_eq!(there, kept(&copies, keep));
        }
    }
}
