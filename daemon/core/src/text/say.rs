//! Numbers, times and doubts of one verdict in the maker's words.

use super::Style;
use crate::show;
use crate::time::Moment;
use crate::units::{Celsius, Gravity};
use crate::verdict::outcome::{Range, Verdict};

/// A verdict and how its maker reads numbers.
#[derive(Clone, Copy)]
pub(super) struct Say<'a> {
    pub v: &'a Verdict,
    pub style: &'a Style<'a>,
}

impl Say<'_> {
    pub fn gravity(&self, sg: f64) -> String {
        show::gravity(Gravity::computed(sg), self.style.units)
    }

    /// The gravity now.
    pub fn level(&self) -> String {
        self.v.gravity.map_or_else(
            || "an unknown gravity".into(),
            |g| show::gravity(g, self.style.units),
        )
    }

    /// A difference of gravity, near the gravity now.
    pub fn step(&self, sg: f64) -> String {
        let near = self.v.gravity.unwrap_or(Gravity::computed(1.0));
        show::gravity_step(sg, near, self.style.units)
    }

    /// "0.0021 a day, nine times out of ten between 0.0016 and 0.0026".
    pub fn fall(&self, f: Range<f64>) -> String {
        let [mid, low, high] = [f.mid, f.low, f.high].map(|sg| self.step(sg.max(0.0)));
        if low == high {
            return format!("{mid} a day");
        }
        format!("{mid} a day, nine times out of ten between {low} and {high}")
    }

    pub fn temperature(&self, t: Celsius) -> String {
        show::temperature(t, self.style.units)
    }

    pub fn warmth(&self, by_kelvin: f64) -> String {
        show::temperature_step(by_kelvin, self.style.units)
    }

    pub fn day(&self, at: Moment) -> String {
        show::day(at, self.v.at, self.style)
    }

    pub fn when(&self, at: Moment) -> String {
        show::day_and_time(at, self.v.at, self.style)
    }

    pub fn since(&self, at: Moment) -> String {
        show::span(self.v.at.since(at))
    }
}

/// How far a statement may be relied on.
pub(super) fn how_sure(odds: f64, that: &str) -> String {
    match odds {
        p if p >= 0.99 => format!("There is hardly any doubt that {that}."),
        p if p >= 0.9 => format!("Nine times out of ten, {that}."),
        p if p >= 0.6 => format!("It is likely that {that}, but not sure."),
        p if p >= 0.4 => format!("It is as likely as not that {that}."),
        p if p >= 0.1 => format!("It is doubtful whether {that}."),
        _ => format!("It is very unlikely that {that}."),
    }
}
