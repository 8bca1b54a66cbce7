//! A hand reading and a float that cannot both be right.

use crate::show;
use crate::text::Style;
use crate::time::Moment;
use crate::units::Gravity;

/// The newest hand reading lies beyond what the earlier ones, drift and noise explain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disagreement {
    /// When the hand reading was taken.
    pub at: Moment,
    pub hand: f64,
    /// What the float said, put right by the hand readings before.
    pub float: f64,
    /// How far off, in sds; positive when the float reads higher.
    pub odds: f64,
}

impl Disagreement {
    /// Float less hand, SG.
    pub fn by(&self) -> f64 {
        self.float - self.hand
    }

    /// What to tell the maker.
    pub fn sentence(&self, now: Moment, style: &Style) -> String {
        let gravity = |g: f64| show::gravity(Gravity::computed(g), style.units);
        let by = show::gravity_step(self.by().abs(), Gravity::computed(self.hand), style.units);
        let side = if self.by() > 0.0 { "higher" } else { "lower" };
        format!(
            "The float does not agree with the hand reading taken {}: {} by hand, {} by the float, \
             {by} {side} and more than it is usually off. Take a second hand reading: it shows which \
             of the two is wrong.",
            show::day_and_time(self.at, now, style),
            gravity(self.hand),
            gravity(self.float),
        )
    }
}
