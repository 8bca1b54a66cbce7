//! How the cellar's meads usually go, and where one left that.
//!
//! The meads are laid over one another by days since the pitch (how much of its sugar each had used)
//! and by the share of the sugar used (how much of it each used in a day). Eight in ten of them lie
//! within the band: between the tenth and the ninetieth hundredth of the values at each place.

use serde::{Deserialize, Serialize};

use super::monotone::along;
use super::pace::Pace;
use crate::deed::Deed;
use crate::time::{Moment, Span};

/// Fewer meads have no usual way (chosen here).
pub const FEWEST: usize = 5;
const LOW: f64 = 0.1;
const HIGH: f64 = 0.9;
/// Places in time at which a band is given.
const PLACES: usize = 120;
/// Shares at which it is given, in hundredths.
const FIRST_SHARE: usize = 5;
const LAST_SHARE: usize = 95;
const SHARE_STEP: usize = 5;
/// A mead is out of the band in time by more than this share of its sugar, for a day or longer
/// (chosen here).
const OUT_BY: f64 = 0.02;
const OUT_DAYS: f64 = 1.0;
const LOOKED_AT_EVERY: f64 = 0.25;
/// In speed by more than this part of it, over two shares or more, or for as long as that (chosen
/// here).
const OUT_PART: f64 = 0.05;
const OUT_SHARES: usize = 2;
/// What was done so long before it left the band may be why.
pub const JUST_BEFORE: Span = Span::hours(48);

/// What the meads are laid over one another by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// Days since the pitch; values are shares of the fall.
    Time,
    /// Share of the fall; values are shares a day.
    Sugar,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Place {
    pub x: f64,
    pub low: f64,
    pub middle: f64,
    pub high: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    /// Meads it is made of.
    pub of: usize,
    pub by_time: Vec<Place>,
    pub by_sugar: Vec<Place>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Further on, or quicker, than is usual.
    Above,
    Below,
}

/// A mead was out of the band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Departure {
    pub side: Side,
    /// Days since the pitch.
    pub from: f64,
    pub until: f64,
    /// Share of its fall that was behind it.
    pub from_share: f64,
    pub until_share: f64,
}

/// `None` of fewer than [`FEWEST`] meads.
pub fn usual(paces: &[Pace]) -> Option<Band> {
    if paces.len() < FEWEST {
        return None;
    }
    let mut ends: Vec<f64> = paces.iter().map(|p| p.at_share(0.99)).collect();
    let end = spread(0.0, &mut ends).high;
    let across = |x: f64, value: &dyn Fn(&Pace) -> f64| {
        let mut values: Vec<f64> = paces.iter().map(value).collect();
        spread(x, &mut values)
    };
    let days = (0..=PLACES).map(|i| end * i as f64 / PLACES as f64);
    let shares = (FIRST_SHARE..=LAST_SHARE).step_by(SHARE_STEP);
    Some(Band {
        of: paces.len(),
        by_time: days.map(|d| across(d, &|p| p.share_after(d))).collect(),
        by_sugar: shares
            .map(|s| s as f64 / 100.0)
            .map(|s| across(s, &|p| p.speed_at(s)))
            .collect(),
    })
}

/// Of one value or more.
fn spread(x: f64, values: &mut [f64]) -> Place {
    Place {
        x,
        low: quantile(values, LOW),
        middle: quantile(values, 0.5),
        high: quantile(values, HIGH),
    }
}

/// In a straight line between the two values around it. The values come out in another order.
fn quantile(values: &mut [f64], part: f64) -> f64 {
    let at = part * (values.len() - 1) as f64;
    let below = at.floor() as usize;
    let (_, found, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let found = *found;
    let next = above.iter().copied().min_by(f64::total_cmp);
    found + (next.unwrap_or(found) - found) * (at - below as f64)
}

impl Band {
    pub fn places(&self, by: By) -> &[Place] {
        match by {
            By::Time => &self.by_time,
            By::Sugar => &self.by_sugar,
        }
    }

    /// Where a mead was out of it, in order.
    pub fn left(&self, pace: &Pace, by: By) -> Vec<Departure> {
        match by {
            By::Time => self.left_in_time(pace),
            By::Sugar => self.left_in_speed(pace),
        }
    }

    fn left_in_time(&self, pace: &Pace) -> Vec<Departure> {
        let xs: Vec<f64> = self.by_time.iter().map(|p| p.x).collect();
        let [low, high]: [Vec<f64>; 2] =
            [|p: &Place| p.low, |p: &Place| p.high].map(|of| self.by_time.iter().map(of).collect());
        let end = pace.at_share(0.99).max(xs.last().copied().unwrap_or(0.0));
        let looked = (0..)
            .map(|i| f64::from(i) * LOOKED_AT_EVERY)
            .take_while(|d| *d <= end);
        let sides = looked.map(|day| {
            let share = pace.share_after(day);
            let side = if share < along(&xs, &low, day) - OUT_BY {
                Some(Side::Below)
            } else if share > along(&xs, &high, day) + OUT_BY {
                Some(Side::Above)
            } else {
                None
            };
            (day, side)
        });
        let runs = runs(sides, |from, until| until - from >= OUT_DAYS);
        runs.map(|(side, from, until)| Departure {
            side,
            from,
            until,
            from_share: pace.share_after(from),
            until_share: pace.share_after(until),
        })
        .collect()
    }

    fn left_in_speed(&self, pace: &Pace) -> Vec<Departure> {
        let out = |place: &Place, speed: f64| {
            if speed < place.low * (1.0 - OUT_PART) {
                Some(Side::Below)
            } else if speed > place.high * (1.0 + OUT_PART) {
                Some(Side::Above)
            } else {
                None
            }
        };
        let sides = self
            .by_sugar
            .iter()
            .map(|place| (place.x, out(place, pace.speed_at(place.x))));
        // A speed is that of the shares around it.
        let half = SHARE_STEP as f64 / 200.0;
        let least = ((OUT_SHARES - 1) * SHARE_STEP) as f64 / 100.0 - 1e-9;
        let long_enough = |from, until| {
            let [begun, over] = [from - half, until + half].map(|s| pace.at_share(s));
            until - from >= least || over - begun >= OUT_DAYS
        };
        runs(sides, long_enough)
            .map(|(side, from, until)| {
                let place = self.by_sugar.iter().find(|p| p.x == from);
                let so = |speed| place.is_some_and(|p| out(p, speed) == Some(side));
                let (from_share, until_share) = pace.trimmed(from - half, until + half, so);
                Departure {
                    side,
                    from: pace.at_share(from_share),
                    until: pace.at_share(until_share),
                    from_share,
                    until_share,
                }
            })
            .collect()
    }
}

/// Stretches on one side, with where each begins and ends, that are long enough.
fn runs(
    sides: impl Iterator<Item = (f64, Option<Side>)>,
    long_enough: impl Fn(f64, f64) -> bool,
) -> impl Iterator<Item = (Side, f64, f64)> {
    let mut found: Vec<(Side, f64, f64)> = Vec::new();
    let mut last = None;
    for (x, side) in sides {
        match (side, found.last_mut()) {
            (Some(side), Some((of, _, until))) if last == Some(side) && *of == side => *until = x,
            (Some(side), _) => found.push((side, x, x)),
            (None, _) => {}
        }
        last = side;
    }
    found
        .into_iter()
        .filter(move |(_, from, until)| long_enough(*from, *until))
}

/// What was done within [`JUST_BEFORE`] of it, in the order it stands in.
pub fn done_before(deeds: &[Deed], at: Moment) -> impl Iterator<Item = &Deed> {
    let near = move |d: &&Deed| d.at <= at && at.since(d.at) <= JUST_BEFORE;
    deeds.iter().filter(near)
}
