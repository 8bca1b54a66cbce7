//! Where a mead should stop: the outside knowledge that a curve cannot give.
//!
//! Every curve family fits a stalled mead and a finished one equally well (a honey must that lay
//! nine days at 1.058 went on to 1.012), so "finished" is never read off the curve alone. The
//! floor comes from the maker's own expectation, else from the original gravity and what the
//! yeast bears. It is a middle value with a spread, and a wide spread keeps gates shut.

use crate::density::{fermented, plato_from_gravity};
use crate::units::{AbvPercent, Gravity};

/// Expected final gravity, SG, with its standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Floor {
    pub mid: f64,
    pub sd: f64,
    pub from: FloorFrom,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FloorFrom {
    /// The maker said where it should end.
    Expected,
    /// The sugar runs out before the yeast does.
    Dry,
    /// The yeast reaches what it bears first.
    Tolerance,
}

/// Spread of a maker's own expectation. Our engineering choice: two hydrometer divisions and
/// the honesty of a guess.
const EXPECTED_SD: f64 = 0.003;
/// How far above the middle it may stop and still be called finished, SG.
const ROOM: f64 = 0.003;
/// The same where the yeast's strength is what ends it: labels are round numbers, and half a
/// percent of strength is 0.004 SG.
const TOLERANCE_ROOM: f64 = 0.006;
const STUCK_OVER: f64 = 0.08;
/// A mead that ferments dry ends a little below water. Common practice, no source; the spread
/// covers honeys with more or less that no yeast takes.
const DRY: f64 = 0.999;
const DRY_SD: f64 = 0.004;
/// Wine yeasts without a label: common practice, no source.
const TOLERANCE_UNKNOWN: f64 = 14.0;
const TOLERANCE_UNKNOWN_SD: f64 = 1.5;
/// A label's strength is a round number met in good conditions.
const TOLERANCE_KNOWN_SD: f64 = 0.7;

impl Floor {
    /// `None` with neither an original gravity nor an expectation.
    pub fn new(
        original: Option<Gravity>,
        expected: Option<Gravity>,
        tolerance: Option<AbvPercent>,
    ) -> Option<Floor> {
        if let Some(expected) = expected {
            return Some(Floor {
                mid: expected.get(),
                sd: EXPECTED_SD,
                from: FloorFrom::Expected,
            });
        }
        let original = original?;
        let (bears, bears_sd) = match tolerance {
            Some(t) => (t.get(), TOLERANCE_KNOWN_SD),
            None => (TOLERANCE_UNKNOWN, TOLERANCE_UNKNOWN_SD),
        };
        let at_tolerance = gravity_at_strength(original, bears);
        let dry = Floor {
            mid: DRY,
            sd: DRY_SD,
            from: FloorFrom::Dry,
        };
        if at_tolerance <= DRY {
            return Some(dry);
        }
        let per_percent = (original.get() - at_tolerance) / bears;
        let sd = (bears_sd * per_percent).hypot(DRY_SD);
        Some(Floor {
            mid: at_tolerance,
            sd,
            from: FloorFrom::Tolerance,
        })
    }

    /// Low enough to call it the end. A vague floor earns no more room than a sharp one: not
    /// knowing where it should stop is no reason to believe that it has.
    pub fn reached(&self, gravity: f64) -> bool {
        let room = match self.from {
            FloorFrom::Tolerance => TOLERANCE_ROOM,
            FloorFrom::Dry | FloorFrom::Expected => ROOM,
        };
        gravity <= self.mid + self.sd.min(room)
    }

    /// Odds that a mead which stopped here is at its end and not stuck above it: one in ten is
    /// stuck (chosen here), and those stop anywhere within [`STUCK_OVER`] of the end.
    pub fn odds_reached(&self, gravity: f64) -> f64 {
        let z = ((gravity - self.mid) / self.sd).max(0.0);
        let ended = 0.9 * (-0.5 * z * z).exp() / (self.sd * std::f64::consts::TAU.sqrt());
        let stuck = 0.1 / STUCK_OVER;
        if gravity <= self.mid {
            1.0
        } else {
            ended / (ended + stuck)
        }
    }

    /// Too high to be the end, even allowing for a poor guess.
    pub fn clearly_above(&self, gravity: f64) -> bool {
        gravity > self.mid + 2.5 * self.sd
    }
}

/// The gravity at which a must of this original gravity holds `abv` % vol.
///
/// Balling's relation ([`fermented`]); % vol is A·SG·998.2/789.24. Bisection on the gravity.
fn gravity_at_strength(original: Gravity, abv: f64) -> f64 {
    let strength = |sg: f64| strength_percent_vol(original, Gravity::computed(sg));
    let (mut low, mut high) = (0.95, original.get());
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if strength(mid) > abv {
            low = mid;
        } else {
            high = mid;
        }
    }
    0.5 * (low + high)
}

/// Strength by Balling's relation; see `gravity_at_strength`.
fn strength_percent_vol(original: Gravity, now: Gravity) -> f64 {
    let (_, alcohol) = fermented(
        plato_from_gravity(original).get(),
        plato_from_gravity(now).get(),
    );
    alcohol * now.get() * 998.2067 / 789.24
}

#[cfg(test)]
mod tests {
    use super::*;

    fn g(v: f64) -> Gravity {
        Gravity::new(v).unwrap()
    }

    /// HMRC Excise Notice 226 section 30.3 (table by the Laboratory of the Government Chemist):
    /// % vol = (OG - PG)·1000·factor, here with PG 1.000 at the top of each band.
    #[test]
    fn strength_against_the_excise_table() {
        for (points, factor) in [
            (36.0, 0.129),
            (57.1, 0.131),
            (78.8, 0.133),
            (89.7, 0.134),
            (100.7, 0.135),
        ] {
            let ours = strength_percent_vol(g(1.0 + points / 1000.0), g(1.0));
            let table = points * factor;
            assert!(
                (ours - table).abs() < 0.15,
                "{points}: {ours} against {table}"
            );
        }
    }

    #[test]
    fn where_it_should_stop() {
        let dry = Floor::new(Some(g(1.090)), None, None).unwrap();
        assert_eq!(dry.from, FloorFrom::Dry);
        let strong =
            Floor::new(Some(g(1.130)), None, Some(AbvPercent::new(14.0).unwrap())).unwrap();
        assert_eq!(strong.from, FloorFrom::Tolerance);
        assert!((1.020..1.035).contains(&strong.mid), "{}", strong.mid);
        let said = Floor::new(Some(g(1.130)), Some(g(1.010)), None).unwrap();
        assert_eq!((said.mid, said.from), (1.010, FloorFrom::Expected));
        assert_eq!(Floor::new(None, None, None), None);
        // The honey must that lay at 1.058 and was not finished.
        let unlabelled = Floor::new(Some(g(1.120)), None, None).unwrap();
        assert!(!unlabelled.reached(1.058) && unlabelled.clearly_above(1.058));
    }
}
