//! What a mead's record comes to when it is over: how long the yeast took, how steep it fell, where
//! it stood still; and how that lies beside the cellar's other meads ([`band`]).
//!
//! The fall is counted from the level at the pitch, over the float's hours put right by hand
//! readings (hand readings alone where no float was), until the mead was stabilised, heated, sealed
//! or ended. Where sugar or another mead was put in, the step is taken out: the levels just before
//! and after are read off lines through half a day of the curve on either side. Of what is left the
//! rising line closest to it stands for the curve, so that bubbles and a wandering float are no
//! fall and no rise.
//!
//! | what | meaning |
//! |---|---|
//! | lag | from the pitch until [`BEGUN_PART`] of the fall was behind it, at least [`BEGUN`] SG; not known where no readings of two days around tell |
//! | half, ninety, ninety-nine | from the pitch until that share of the fall was behind it |
//! | steepest | the greatest slope of a third-degree polynomial through the readings around; to either side as wide as four tenths of the shortest time in which four tenths of the fall happened, half a day at least |
//! | stood still | [`STOOD`] days or more with less than [`CREEPS`] SG a day, before more than [`WENT_ON`] SG that it fell without anything being put in; or at the end, too high to be the end |
//! | warmth | of the hours' middles while it fell |
//! | strength, attenuation | of the ledger of masses ([`crate::lineage`]), so with everything that was put in; attenuation is that at the end of the fall, before anything was sweetened |
//!
//! How small a part counts, and how long a time, is chosen here, no source.

pub mod band;
mod course;
mod monotone;
mod pace;
mod slope;

pub use course::{Course, Told};
pub use pace::Pace;

use serde::{Deserialize, Serialize};

use crate::fit::noise::median;
use crate::hours::{HOUR_MS, Hour};
use crate::lineage::Book;
use crate::strength;
use crate::time::{Moment, Span};
use crate::units::{AbvPercent, Celsius, Gravity, Percent};
use crate::verdict::floor::{self, Floor};

/// The form of a [`Review`]: one that was kept in an earlier form is made again.
pub const FORM: i64 = 1;

pub const BEGUN_PART: f64 = 0.02;
pub const BEGUN: f64 = 0.002;
pub const STOOD: f64 = 3.0;
pub const CREEPS: f64 = 0.0003;
pub const WENT_ON: f64 = 0.003;
/// Days between two readings within which it still is seen that it begins to fall.
const SEEN: f64 = 2.0;
/// The slope is looked for over this part, to either side, of the shortest time in which that part of
/// the fall happened: a rest does not widen it.
const STEEP_PART: f64 = 0.4;
const STEEP_LEAST_DAYS: f64 = 0.5;
/// And from so many readings at least.
const STEEP_READINGS: usize = 5;
/// Places looked at for the steepest fall.
const PLACES: usize = 200;
/// Points kept of a curve to draw it.
const POINTS: usize = 120;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Review {
    pub pitched: Moment,
    /// From the pitch to its end, or to now.
    pub days: f64,
    /// Whether the fall is over; times to a share of it are known only then.
    pub over: bool,
    /// At the pitch: as the maker noted it, else as it was read.
    pub original: Option<Gravity>,
    /// At the end of the fall.
    pub ended_at: Option<Gravity>,
    /// SG, without what was put in.
    pub fall: Option<f64>,
    pub lag: Option<Span>,
    pub half: Option<Span>,
    pub ninety: Option<Span>,
    pub ninety_nine: Option<Span>,
    pub steepest: Option<Steepest>,
    pub warmth: Option<Warmth>,
    pub strength: Option<AbvPercent>,
    pub apparent_attenuation: Option<Percent>,
    pub real_attenuation: Option<Percent>,
    pub stood_still: Vec<Spell>,
}

/// SG a day.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Steepest {
    pub a_day: f64,
    pub at: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Warmth {
    pub median: Celsius,
    pub low: Celsius,
    pub high: Celsius,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Spell {
    pub from: Moment,
    /// `None` where it never went on.
    pub until: Option<Moment>,
    pub gravity: Gravity,
}

/// What of a mead can be told from the ledger.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ledger<'a> {
    /// At the end of the fall.
    pub fermented: Option<&'a Book>,
    /// As it was in the end.
    pub finished: Option<&'a Book>,
    /// As the maker said.
    pub expected_final: Option<Gravity>,
    pub tolerance: Option<AbvPercent>,
}

impl Ledger<'_> {
    /// Where it should have ended.
    fn floor(&self, original: Option<Gravity>) -> Option<Floor> {
        Floor::new(
            self.fermented.and_then(Book::original).or(original),
            self.expected_final,
            floor::bears(self.tolerance, floor::STRENGTH),
            floor::DRY_ATTENUATION,
        )
    }
}

/// A point of the curve as it is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Since the pitch.
    pub days: f64,
    /// SG.
    pub gravity: f64,
    /// °C.
    pub warmth: Option<f64>,
}

/// `course` is that of what was told.
pub fn review(told: &Told, course: Option<&Course>, ledger: &Ledger) -> Review {
    let pitched = told.pitched();
    let last = told.ended.unwrap_or(told.now);
    let fermented = ledger
        .fermented
        .filter(|b| b.sure.makeup)
        .and_then(|b| strength::of_liquid(b.holds.liquid).ok());
    let after = |days: f64| Span::from_days(days);
    let share = |share: f64| course.and_then(|c| c.at_share(share)).map(after);
    let begun = course.and_then(begun);
    Review {
        pitched,
        days: last.since(pitched).as_days(),
        over: course.is_some_and(|c| c.over),
        original: told.original.or(course.and_then(Course::start_gravity)),
        ended_at: course.and_then(|c| c.end()).map(|(_, g)| g),
        fall: course.map(|c| c.fall),
        lag: begun.map(after),
        half: share(0.5),
        ninety: share(0.9),
        ninety_nine: share(0.99),
        steepest: course.and_then(steepest),
        warmth: warmth(told, course, begun),
        strength: ledger.finished.and_then(Book::strength),
        apparent_attenuation: fermented.map(|s| s.apparent_attenuation),
        real_attenuation: fermented.map(|s| s.real_attenuation),
        stood_still: course.map_or_else(Vec::new, |c| spells(c, ledger.floor(told.original))),
    }
}

fn begun(course: &Course) -> Option<f64> {
    let part = if course.over { course.fall } else { 0.0 };
    let day = course.at_fallen((BEGUN_PART * part).max(BEGUN))?;
    let after = course.days.partition_point(|d| *d < day);
    let before = course.days.get(after.checked_sub(1)?)?;
    // Between two readings far apart it began at any time.
    (course.days.get(after)? - before <= SEEN).then_some(day)
}

fn steepest(course: &Course) -> Option<Steepest> {
    if course.fall < BEGUN {
        return None;
    }
    let at = |share: f64| course.at_fallen(share * course.fall);
    let quickest = (0..=59)
        .map(|i| f64::from(i) / 100.0)
        .filter_map(|share| Some(at(share + STEEP_PART)? - at(share)?))
        .min_by(f64::total_cmp)?;
    let half = (STEEP_PART * quickest).max(STEEP_LEAST_DAYS);
    let (from, to) = (at(0.05)?, at(0.95)?);
    let places = (0..=PLACES).map(|i| from + (to - from) * i as f64 / PLACES as f64);
    places
        .filter_map(|day| Some((day, course.speed(day, half, STEEP_READINGS)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(day, a_day)| Steepest {
            a_day,
            at: course.pitched + Span::from_days(day),
        })
}

fn warmth(told: &Told, course: Option<&Course>, begun: Option<f64>) -> Option<Warmth> {
    let course = course?;
    let end = course.at_share(0.99).or(course.days.last().copied())?;
    let from = course.pitched + Span::from_days(begun.unwrap_or(0.0));
    let to = course.pitched + Span::from_days(end);
    let falling = |h: &&Hour| {
        let middle = Moment(h.index.saturating_mul(HOUR_MS)) + Span::minutes(30);
        middle >= from && middle <= to
    };
    let hours = told.hours.iter().filter(falling);
    let mut middles: Vec<f64> = hours
        .filter_map(|h| h.temperature)
        .map(|t| t.median)
        .collect();
    let low = middles.iter().copied().min_by(f64::total_cmp)?;
    let high = middles.iter().copied().max_by(f64::total_cmp)?;
    Some(Warmth {
        median: Celsius::computed(median(&mut middles)),
        low: Celsius::computed(low),
        high: Celsius::computed(high),
    })
}

/// Where it lay still and went on, and where it stopped too high.
fn spells(course: &Course, floor: Option<Floor>) -> Vec<Spell> {
    let Some(begun) = course.at_fallen(BEGUN) else {
        return Vec::new();
    };
    let days = &course.days;
    let from = days.partition_point(|d| *d < begun);
    let mut still: Vec<(f64, f64)> = Vec::new();
    for (i, day) in days.iter().enumerate().skip(from) {
        let until = day + STOOD;
        if days.last().is_none_or(|last| until > *last) {
            break;
        }
        if course.fallen_at(until) - course.smooth[i] > STOOD * CREEPS {
            continue;
        }
        match still.last_mut() {
            Some((_, end)) if *day <= *end => *end = until,
            _ => still.push((*day, until)),
        }
    }
    let at = |day: f64| course.pitched + Span::from_days(day);
    let gravity = |(from, until): (f64, f64)| {
        let within = days.partition_point(|d| *d < from)..days.partition_point(|d| *d <= until);
        Gravity::computed(median(&mut course.gravity[within].to_vec()))
    };
    let mut spells = Vec::new();
    for spell in still {
        let (from, until) = spell;
        // What was dry and got fruit was not stuck before.
        let fed = course.put_in.iter().find(|day| **day > from);
        let by_itself = fed.map_or(course.fall, |day| course.fallen_at(*day));
        let went_on = by_itself - course.fallen_at(until) > WENT_ON;
        let level = gravity(spell);
        let too_high = course.over && floor.is_some_and(|f| f.clearly_above(level.get()));
        if went_on || too_high {
            let ended = went_on || fed.is_some();
            spells.push(Spell {
                from: at(from),
                until: ended.then(|| at(until)),
                gravity: level,
            });
        }
    }
    spells
}

/// The temperature of a point is the middle of so many days around it: day and night are no news.
const WARMTH_AROUND: f64 = 0.5;

/// The curve thinned to what a drawing needs: each point the middle of what lies around it.
pub fn points(told: &Told, course: &Course) -> Vec<Point> {
    let (Some(first), Some(last)) = (course.days.first(), course.days.last()) else {
        return Vec::new();
    };
    let width = ((last - first) / POINTS as f64).max(f64::MIN_POSITIVE);
    let hours: Vec<(f64, f64)> = told
        .hours
        .iter()
        .filter_map(|h| {
            let middle = Moment(h.index.saturating_mul(HOUR_MS)) + Span::minutes(30);
            Some((
                middle.since(course.pitched).as_days(),
                h.temperature?.median,
            ))
        })
        .collect();
    let column = |day: f64| ((day - first) / width).floor().min(POINTS as f64 - 1.0);
    let mut points: Vec<Point> = Vec::new();
    let mut from = 0;
    while let Some(day) = course.days.get(from) {
        let own = column(*day);
        let to = from + course.days[from..].partition_point(|d| column(*d) <= own);
        let mut days = course.days[from..to].to_vec();
        let mut gravity = course.gravity[from..to].to_vec();
        let middle = median(&mut days);
        let around = WARMTH_AROUND.max(width / 2.0);
        let begin = hours.partition_point(|(d, _)| *d < middle - around);
        let end = hours.partition_point(|(d, _)| *d < middle + around);
        let mut warmth: Vec<f64> = hours[begin..end].iter().map(|(_, c)| *c).collect();
        points.push(Point {
            days: middle,
            gravity: median(&mut gravity),
            warmth: (!warmth.is_empty()).then(|| median(&mut warmth)),
        });
        from = to;
    }
    points
}

#[cfg(test)]
mod tests;
