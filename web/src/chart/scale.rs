//! From moments and values to the drawing's pixels, and the range of values worth showing.

use ebbmark_core::density;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity, GravityScale, Preferences, TemperatureScale};

use super::envelope::fold;
use super::{Plot, Sample, Upper};

/// SG in the visitor's scale.
pub(crate) fn gravity(sg: f64, prefs: Preferences) -> f64 {
    match prefs.gravity {
        GravityScale::SpecificGravity => sg,
        GravityScale::Plato | GravityScale::Brix => {
            density::plato_from_gravity(Gravity::computed(sg)).get()
        }
    }
}

/// °C in the visitor's scale.
pub(crate) fn temperature(celsius: f64, prefs: Preferences) -> f64 {
    match prefs.temperature {
        TemperatureScale::Celsius => celsius,
        TemperatureScale::Fahrenheit => Celsius::computed(celsius).fahrenheit(),
    }
}

/// A rectangle of the drawing with time across and values up.
#[derive(Clone, Copy, Debug)]
pub(super) struct Panel {
    pub left: i32,
    pub right: i32,
    pub top: i32,
    pub bottom: i32,
    pub from: Moment,
    pub to: Moment,
    pub low: f64,
    pub high: f64,
}

impl Panel {
    pub fn x(&self, at: Moment) -> i32 {
        let part = at.since(self.from).0 as f64 / (self.to.since(self.from).0.max(1)) as f64;
        place(self.left, self.right, part)
    }

    /// A value outside the range lies on the edge: a spike is seen to leave the panel.
    pub fn y(&self, value: f64) -> i32 {
        let part = (value - self.low) / (self.high - self.low);
        place(self.bottom, self.top, part)
    }
}

pub(super) fn place(start: i32, end: i32, part: f64) -> i32 {
    let part = if part.is_finite() {
        part.clamp(0.0, 1.0)
    } else {
        0.0
    };
    start + (f64::from(end - start) * part).round() as i32
}

/// The range to show: where the middles lie, but for the outermost hundredth at each end (a
/// spike must not flatten the rest), and all of `also`, with some air. At least `least` high.
pub(super) fn range(
    runs: &[Vec<Sample>],
    also: impl Iterator<Item = f64>,
    least: f64,
) -> Option<(f64, f64)> {
    let mut mids: Vec<f64> = runs.iter().flatten().map(|s| s.mid).collect();
    mids.sort_unstable_by(f64::total_cmp);
    let cut = mids.len() / 100;
    let kept = mids.get(cut..mids.len() - cut).unwrap_or(&mids);
    let (low, high) = kept
        .iter()
        .copied()
        .chain(also.filter(|v| v.is_finite()))
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
    if low > high {
        return None;
    }
    let spare = (least - (high - low)).max(0.0) / 2.0;
    let air = (high - low).max(least) * 0.06;
    Some((low - spare - air, high + spare + air))
}

/// What the panels reach over, whatever the shape of the drawing. In the visitor's scales.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scales {
    pub upper: Option<(f64, f64)>,
    pub temperature: Option<(f64, f64)>,
}

/// Columns the range is looked for in.
const COLUMNS: u32 = 900;

impl Scales {
    pub fn of(plot: &Plot) -> Scales {
        let folded = |samples: &[Sample], scale: &dyn Fn(f64) -> f64| -> Vec<Vec<Sample>> {
            fold(samples, plot.from, plot.to, COLUMNS)
                .into_iter()
                .map(|run| run.into_iter().map(|s| s.map(scale)).collect())
                .collect()
        };
        let to_temperature = |c: f64| temperature(c, plot.prefs);
        let upper = folded(&plot.gravity, &|v| plot.upper_shown(v));
        let warmth = folded(&plot.temperature, &to_temperature);
        let curve = plot
            .curve
            .iter()
            .filter(|p| plot.shows(p.at))
            .map(|p| p.mid);
        let hand = plot.hand.iter().filter(|(at, _)| plot.shows(*at));
        let also = curve
            .chain(hand.map(|(_, sg)| *sg))
            .chain(plot.expected)
            .map(|v| plot.upper_shown(v));
        let a_little = gravity(1.006, plot.prefs) - gravity(1.0, plot.prefs);
        let (nought, least) = match plot.upper {
            Upper::Gravity => (None, a_little),
            // A fall is read from nought.
            Upper::Fall => (Some(0.0), a_little / 3.0),
        };
        let (low, high) = plot.wanted;
        let wanted = low.into_iter().chain(high).map(to_temperature);
        Scales {
            upper: range(&upper, also.chain(nought), least),
            temperature: match warmth.is_empty() {
                true => None,
                false => range(&warmth, wanted, 4.0),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_spike_does_not_flatten_the_rest() {
        let run: Vec<Sample> = (0..400)
            .map(|i| Sample::single(Moment(i), if i == 7 { 1.2 } else { 1.01 + i as f64 * 1e-4 }))
            .collect();
        let (low, high) = range(&[run], std::iter::once(0.998), 0.004).unwrap();
        assert!(low < 0.998 && low > 0.99);
        assert!(high > 1.049 && high < 1.06);
    }

    #[test]
    fn flat_and_empty() {
        let flat = vec![vec![Sample::single(Moment(0), 1.0)]];
        let (low, high) = range(&flat, std::iter::empty(), 0.004).unwrap();
        assert!(low < 0.998 && high > 1.002);
        assert_eq!(range(&[], std::iter::once(f64::NAN), 1.0), None);
    }

    #[test]
    fn what_leaves_the_panel_lies_on_its_edge() {
        let panel = Panel {
            left: 100,
            right: 200,
            top: 10,
            bottom: 110,
            from: Moment(0),
            to: Moment(1000),
            low: 1.0,
            high: 1.1,
        };
        assert_eq!((panel.x(Moment(500)), panel.y(1.05)), (150, 60));
        assert_eq!((panel.x(Moment(5000)), panel.y(2.0)), (200, 10));
        assert_eq!(panel.y(f64::NAN), 110);
    }
}
