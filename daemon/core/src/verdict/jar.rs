//! A test ferment: a jar of this very mead that was kept warm with plenty of fresh yeast until it had
//! fermented out. Where it ended, the mead itself can end. That a jar does so within days, well before
//! the mead, is common practice, no source.

use serde::{Deserialize, Serialize};

use super::ONE_PITCH;
use super::case::Case;
use crate::deed::What;
use crate::time::{Moment, Span};
use crate::units::Gravity;

/// A jar takes up to this long to ferment out: drawn before something was added, it is read before this
/// is over.
const TAKES: Span = Span::days(7);
/// It has ended when readings so far apart agree: about a day, since nobody reads to the hour.
const APART: Span = Span::hours(20);
/// They agree when they differ by no more than this, SG: a division and a reading's error.
pub const AGREES: f64 = 0.002;
/// Yeast takes its time to begin, and until then readings agree as well: what has come down by less than
/// this since the mead began has not ended, SG. Chosen here.
const BEGUN: f64 = 0.01;
/// A mead that lies lower than this below its jar shows that the jar had not ended, SG: what two
/// readings of either may be off. Chosen here.
const LOWER: f64 = 0.003;

/// A jar of the mead as it was last read, and what that is worth.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TestFerment {
    /// Where it ended, the mean of the readings that agree; else its last reading.
    pub gravity: Gravity,
    pub tells: Tells,
}

/// What a jar tells of the mead's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tells {
    /// The mead can end where it ended.
    TheEnd,
    /// Nothing yet: no second reading about a day apart.
    ReadOnce,
    /// Nothing yet: its readings differ, so it still falls.
    StillFalls,
    /// Nothing yet: it has hardly come down from where the mead began.
    NotBegun,
    /// Nothing any more: sugar or yeast that was not in the jar came into the mead.
    MeadChanged,
    /// Nothing: the mead lies lower than the jar.
    MeadIsLower,
}

impl Tells {
    pub const ALL: [Tells; 6] = [
        Tells::TheEnd,
        Tells::ReadOnce,
        Tells::StillFalls,
        Tells::NotBegun,
        Tells::MeadChanged,
        Tells::MeadIsLower,
    ];
}

impl TestFerment {
    pub fn counts(&self) -> bool {
        self.tells == Tells::TheEnd
    }

    /// Where the mead can end, SG.
    pub(super) fn end(&self) -> Option<f64> {
        self.counts().then(|| self.gravity.get())
    }
}

impl Case<'_> {
    /// A jar of it, if one was read; `level` is the mead's own gravity now, SG.
    pub(super) fn test_ferment(&self, now: Moment, level: Option<f64>) -> Option<TestFerment> {
        let read = || {
            let jars = self.done(now).rev().filter(|d| d.what == What::TestFerment);
            jars.filter_map(|d| Some((d.at, d.gravity?)))
        };
        let latest = read().next()?.1;
        let with = |gravity, tells| Some(TestFerment { gravity, tells });
        let moved = self.changed(now);
        let mut readings = read().filter(|(at, _)| moved.is_none_or(|m| *at >= m + TAKES));
        let Some((last_at, last)) = readings.next() else {
            return with(latest, Tells::MeadChanged);
        };
        let (mut apart, mut sum, mut n) = (Span::ZERO, last.get(), 1.0);
        let mut differs = false;
        for (at, gravity) in readings {
            if (gravity.get() - last.get()).abs() > AGREES {
                differs = true;
                break;
            }
            apart = last_at.since(at);
            sum += gravity.get();
            n += 1.0;
        }
        let end = sum / n;
        if apart < APART {
            let tells = if differs {
                Tells::StillFalls
            } else {
                Tells::ReadOnce
            };
            return with(last, tells);
        }
        let tells = if self.began_at(now).is_some_and(|began| end > began - BEGUN) {
            Tells::NotBegun
        } else if level.is_some_and(|l| l < end - LOWER) {
            Tells::MeadIsLower
        } else {
            Tells::TheEnd
        };
        with(Gravity::computed(end), tells)
    }

    /// The original gravity, or where it is not known the first reading of the mead, SG.
    fn began_at(&self, now: Moment) -> Option<f64> {
        let first = || {
            let float = self.hours.iter().find_map(|h| h.gravity);
            let hand = self
                .done(now)
                .find_map(|d| d.read().map(|g| (d.at, g.get())));
            let float = float.filter(|g| g.at <= now).map(|g| (g.at, g.median));
            let (_, first) = float.into_iter().chain(hand).min_by_key(|(at, _)| *at)?;
            Some(first)
        };
        self.original.map(Gravity::get).or_else(first)
    }

    /// When sugar or yeast last came into the mead that a jar drawn before has not in it.
    fn changed(&self, now: Moment) -> Option<Moment> {
        let sugar = self.last_deed(now, &[What::Addition, What::Blend, What::Sweeten]);
        let pitched = self.last_deed(now, &[What::Pitch]);
        let new_yeast = pitched.filter(|d| self.started.is_none_or(|s| d.at > s + ONE_PITCH));
        sugar.map(|d| d.at).max(new_yeast.map(|d| d.at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deed::Deed;
    use crate::hours::{HOUR_MS, Hour, HourGravity};

    const T0: Moment = Moment(1_772_366_400_000);

    fn deed(days: f64, what: What, gravity: Option<f64>) -> Deed {
        Deed {
            gravity: gravity.map(Gravity::computed),
            ..Deed::new(T0 + Span::from_days(days), what)
        }
    }

    fn jar(days: f64, gravity: f64) -> Deed {
        deed(days, What::TestFerment, Some(gravity))
    }

    /// Pitched at 1.100, looked at after thirty days.
    fn told(mut deeds: Vec<Deed>, level: Option<f64>) -> Option<(f64, Tells)> {
        deeds.sort_by_key(|d| d.at);
        let case = Case {
            hours: &[],
            deeds: &deeds,
            started: Some(T0),
            original: Some(Gravity::computed(1.1)),
            expected_final: None,
            tolerance: None,
            learned: None,
        };
        let told = case.test_ferment(T0 + Span::days(30), level)?;
        assert_eq!(told.end().is_some(), told.counts());
        Some((told.gravity.get(), told.tells))
    }

    #[test]
    fn two_readings_a_day_apart_that_agree_tell_the_end() {
        let both = |apart, second| told(vec![jar(7.0, 0.996), jar(7.0 + apart, second)], None);
        let (end, tells) = both(1.0, 0.995).unwrap();
        assert!((end - 0.9955).abs() < 1e-9, "{end}");
        assert_eq!(tells, Tells::TheEnd);
        // 20 hours do, 19 do not; 0.002 does, 0.003 does not.
        assert_eq!(both(20.0 / 24.0, 0.996).unwrap().1, Tells::TheEnd);
        assert_eq!(both(19.0 / 24.0, 0.996).unwrap().1, Tells::ReadOnce);
        assert_eq!(both(1.0, 0.99401).unwrap().1, Tells::TheEnd);
        assert_eq!(both(1.0, 0.993).unwrap(), (0.993, Tells::StillFalls));
        assert_eq!(told(vec![], None), None);
        assert_eq!(
            told(vec![jar(7.0, 0.996)], None),
            Some((0.996, Tells::ReadOnce))
        );
        // What it fell through on its way counts for nothing.
        let falling = [(4.0, 1.020), (5.0, 1.004), (6.0, 0.996), (7.0, 0.996)];
        let end = told(falling.map(|(d, g)| jar(d, g)).to_vec(), None);
        assert_eq!(end, Some((0.996, Tells::TheEnd)));
    }

    #[test]
    fn before_it_begins_it_stands_still_as_well() {
        let lag = vec![jar(0.2, 1.1), jar(1.2, 1.099)];
        assert_eq!(told(lag.clone(), None).unwrap().1, Tells::NotBegun);
        // Where the original gravity is not known, the first reading stands for it.
        let hand = deed(0.1, What::HandReading, Some(1.1));
        let deeds = [vec![hand], lag].concat();
        let case = |deeds, hours| Case {
            hours,
            deeds,
            started: None,
            original: None,
            expected_final: None,
            tolerance: None,
            learned: None,
        };
        let now = T0 + Span::days(2);
        let tells = |case: Case| case.test_ferment(now, None).unwrap().tells;
        assert_eq!(tells(case(&deeds, &[])), Tells::NotBegun);
        let gravity = HourGravity {
            at: T0,
            n: 1,
            min: 1.1,
            median: 1.1,
            max: 1.1,
        };
        let hour = Hour {
            index: T0.0 / HOUR_MS,
            gravity: Some(gravity),
            temperature: None,
        };
        let hours = [hour];
        assert_eq!(tells(case(&deeds[1..], &hours)), Tells::NotBegun);
        assert_eq!(tells(case(&deeds[1..], &[])), Tells::TheEnd);
    }

    #[test]
    fn what_came_into_the_mead_since_was_not_in_the_jar() {
        let with = |what, days| {
            let jars = vec![jar(10.0, 0.996), jar(11.0, 0.996)];
            let deeds = [jars, vec![deed(days, what, None)]].concat();
            told(deeds, None).unwrap().1
        };
        for what in [What::Addition, What::Blend, What::Sweeten, What::Pitch] {
            assert_eq!(with(what, 2.9), Tells::TheEnd, "{what:?}");
            // Only the second one is of a jar that may hold it.
            assert_eq!(with(what, 3.5), Tells::ReadOnce, "{what:?}");
            assert_eq!(with(what, 4.1), Tells::MeadChanged, "{what:?}");
            assert_eq!(with(what, 20.0), Tells::MeadChanged, "{what:?}");
        }
        // The pitch itself, written down, is no new yeast.
        let soon = vec![
            deed(0.5, What::Pitch, None),
            jar(5.0, 0.996),
            jar(6.0, 0.996),
        ];
        assert_eq!(told(soon, None).unwrap().1, Tells::TheEnd);
        for what in [What::Nutrient, What::Rack, What::Rouse, What::HandReading] {
            assert_eq!(with(what, 20.0), Tells::TheEnd, "{what:?}");
        }
    }

    #[test]
    fn a_mead_that_lies_lower_shows_that_the_jar_had_not_ended() {
        let jars = || vec![jar(7.0, 1.01), jar(8.0, 1.01)];
        for (level, tells) in [
            (1.05, Tells::TheEnd),
            (1.0071, Tells::TheEnd),
            (1.0069, Tells::MeadIsLower),
        ] {
            assert_eq!(told(jars(), Some(level)), Some((1.01, tells)));
        }
    }
}
