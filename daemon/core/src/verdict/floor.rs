//! Where a mead should stop: the outside knowledge that a curve cannot give.
//!
//! Every curve family fits a stalled mead and a finished one equally well (a honey must that lay
//! nine days at 1.058 went on to 1.012), so "finished" is never read off the curve alone. The
//! floor comes from the maker's own expectation, else from the original gravity and what the
//! yeast bears. It is a middle value with a spread, and a wide spread keeps gates shut.

use crate::density::strength_percent_vol;
use crate::fit::Gaussian;
use crate::units::{AbvPercent, Gravity};

/// Expected final gravity, SG, with its standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Floor {
    pub mid: f64,
    pub sd: f64,
    pub from: FloorFrom,
    /// Nobody has said what the yeast bears, and no batch has shown it.
    vague: bool,
    /// Below this the sugar may all be gone, whatever the yeast could bear.
    dry_below: f64,
    /// And below this it is, whatever the honey.
    gone_below: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FloorFrom {
    /// The maker said where it should end.
    Expected,
    /// The sugar runs out before the yeast does.
    Dry,
    /// The yeast reaches what it bears first.
    Tolerance,
    /// A jar of this very mead has fermented out.
    Measured,
}

/// Spread of a maker's own expectation. Our engineering choice: two hydrometer divisions and
/// the honesty of a guess.
const EXPECTED_SD: f64 = 0.003;
/// Spread of a mead's end about that of a jar of it that was fermented out: two readings of a
/// hydrometer, and what warmth, fresh yeast and a small jar make otherwise. Chosen here.
const MEASURED_SD: f64 = 0.000_8;
/// How far above what the jar ended at it may stop and still be called finished, SG.
const MEASURED_ROOM: f64 = 0.003_5;
/// How far above the middle it may stop and still be called finished, SG.
const ROOM: f64 = 0.003;
/// The same where the yeast's strength is what ends it: labels are round numbers, and half a
/// percent of strength is 0.004 SG.
const TOLERANCE_ROOM: f64 = 0.006;
/// The same in spreads where the sugar runs out: all that the composition of honey allows, and a
/// reading's error, but for one in twenty. More would let in more of the meads that stuck a little above.
const DRY_SDS: f64 = 1.7;
/// Spreads below the middle at which even the honey that ferments furthest ends dry, and the sugar that
/// may hide above that, SG.
const DRIEST: f64 = 1.5;
const HIDDEN: f64 = 0.002;
/// Of a yeast whose strength is known no better than this, % vol, it is not known where it stops:
/// only a level at which the sugar may be gone counts.
const VAGUE: f64 = 1.0;
/// Those that stick stop anywhere within this above the end, SG (chosen here).
const STUCK_OVER: f64 = 0.08;
/// Share of meads that stick (chosen here).
const STICKS: f64 = 0.1;
/// Apparent attenuation of a mead whose sugar has run out. By Balling's relation ([`crate::density`])
/// it is (1 - u)/0.8192 + 1 - 1/0.8192 for an unfermentable share u of the extract. White,
/// Riethof, Subers & Kushnir 1962 (USDA Tech. Bull. 1261; rounded means as quoted by Crane 1980)
/// find in 82.8 g of honey solids 38.2 fructose, 31.3 glucose, 1.3 sucrose, 7.3 maltose and its
/// like and 1.5 higher sugars: u is 6 to 14 %, by how much of the last two a yeast takes. In
/// terms of gravity that is 1.13 to 1.05; the spread allows for a little more on either side.
pub const DRY_ATTENUATION: Gaussian = Gaussian {
    mean: 1.088,
    sd: 0.035,
};
/// And what a hydrometer leaves open, SG.
const DRY_SD: f64 = 0.002;
/// What wine yeasts without a label bear, % vol: common practice, no source.
pub const STRENGTH: Gaussian = Gaussian {
    mean: 14.0,
    sd: 1.5,
};
/// A label's strength is a round number met in good conditions, % vol.
const LABEL_SD: f64 = 0.6;

/// What a yeast bears, % vol: its label's word, or what is believed of one without.
pub fn bears(label: Option<AbvPercent>, believed: Gaussian) -> Gaussian {
    label.map_or(believed, |t| Gaussian {
        mean: t.get(),
        sd: LABEL_SD.min(believed.sd),
    })
}

impl Floor {
    /// `None` with neither an original gravity nor an expectation. `bears` is what the yeast is
    /// believed to bear, `attenuation` how far honey ferments.
    pub fn new(
        original: Option<Gravity>,
        expected: Option<Gravity>,
        bears: Gaussian,
        attenuation: Gaussian,
    ) -> Option<Floor> {
        if let Some(expected) = expected {
            return Some(Floor {
                mid: expected.get(),
                sd: EXPECTED_SD,
                from: FloorFrom::Expected,
                vague: false,
                dry_below: f64::NEG_INFINITY,
                gone_below: expected.get(),
            });
        }
        let original = original?;
        let dry = Floor::dry(original, attenuation);
        let at_tolerance = gravity_at_strength(original, bears.mean);
        if at_tolerance <= dry.mid {
            return Some(dry);
        }
        let per_percent = (original.get() - at_tolerance) / bears.mean;
        Some(Floor {
            mid: at_tolerance,
            sd: (bears.sd * per_percent).hypot(DRY_SD),
            from: FloorFrom::Tolerance,
            vague: bears.sd > VAGUE,
            dry_below: dry.dry_below,
            gone_below: dry.gone_below,
        })
    }

    /// Where a jar of it ended that was kept warm with plenty of fresh yeast.
    pub fn measured(end: f64) -> Floor {
        Floor {
            mid: end,
            sd: MEASURED_SD,
            from: FloorFrom::Measured,
            vague: false,
            dry_below: f64::NEG_INFINITY,
            gone_below: end + MEASURED_SD,
        }
    }

    /// Where it ends when the sugar runs out.
    pub fn dry(original: Gravity, attenuation: Gaussian) -> Floor {
        let points = original.get() - 1.0;
        let mid = original.get() - points * attenuation.mean;
        let sd = DRY_SD.hypot(points * attenuation.sd);
        Floor {
            mid,
            sd,
            from: FloorFrom::Dry,
            vague: false,
            dry_below: mid + DRY_SDS * sd,
            gone_below: mid - DRIEST * sd + HIDDEN,
        }
    }

    /// Where a jar of it ended, if it is known by that, SG.
    pub fn jar(&self) -> Option<f64> {
        (self.from == FloorFrom::Measured).then_some(self.mid)
    }

    /// Low enough to call it the end. A vague floor earns no more room than a sharp one: not
    /// knowing where it should stop is no reason to believe that it has.
    pub fn reached(&self, gravity: f64) -> bool {
        gravity <= self.reached_below()
    }

    /// As low as the maker said, or so low that the sugar must be gone: nothing is left that cold could
    /// have stopped. The middle of the floor would not do: every second mead ends below it.
    pub fn nothing_left(&self, gravity: f64) -> bool {
        gravity <= self.gone_below
    }

    fn reached_below(&self) -> f64 {
        let low_enough = match self.from {
            FloorFrom::Dry => self.dry_below,
            // What stops there may as well have stuck.
            FloorFrom::Tolerance if self.vague => f64::NEG_INFINITY,
            FloorFrom::Tolerance => self.mid + self.sd.min(TOLERANCE_ROOM),
            FloorFrom::Expected => self.mid + self.sd.min(ROOM),
            FloorFrom::Measured => self.mid + MEASURED_ROOM,
        };
        low_enough.max(self.dry_below)
    }

    /// Odds that a mead which stopped here is at its end and not stuck above it.
    pub fn odds_reached(&self, gravity: f64) -> f64 {
        let z = ((gravity - self.mid) / self.sd).max(0.0);
        let here = (-0.5 * z * z).exp() / (self.sd * std::f64::consts::TAU.sqrt());
        let (ended, stuck) = ((1.0 - STICKS) * here, STICKS / STUCK_OVER);
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

/// The gravity at which a must of this original gravity holds `abv` % vol. Regula falsi, the end
/// that stays counted for half (Illinois): strength is nearly straight in gravity.
fn gravity_at_strength(original: Gravity, abv: f64) -> f64 {
    let over = |g: f64| strength_percent_vol(original, Gravity::computed(g)) - abv;
    let (mut low, mut high) = (0.95, original.get());
    let (mut above, mut below) = (over(low), -abv);
    if above <= 0.0 {
        return low;
    }
    let mut was_above = None;
    for _ in 0..40 {
        let mid = (low * below - high * above) / (below - above);
        let here = over(mid);
        if high - low < 1e-12 || here.abs() < 1e-10 {
            return mid;
        }
        let is_above = here > 0.0;
        if is_above {
            (low, above) = (mid, here);
            if was_above == Some(true) {
                below *= 0.5;
            }
        } else {
            (high, below) = (mid, here);
            if was_above == Some(false) {
                above *= 0.5;
            }
        }
        was_above = Some(is_above);
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn floor(
        original: Option<Gravity>,
        expected: Option<Gravity>,
        tolerance: Option<AbvPercent>,
    ) -> Option<Floor> {
        Floor::new(
            original,
            expected,
            bears(tolerance, STRENGTH),
            DRY_ATTENUATION,
        )
    }

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
        let dry = floor(Some(g(1.090)), None, None).unwrap();
        assert_eq!(dry.from, FloorFrom::Dry);
        let strong = floor(Some(g(1.130)), None, Some(AbvPercent::new(14.0).unwrap())).unwrap();
        assert_eq!(strong.from, FloorFrom::Tolerance);
        assert!((1.020..1.035).contains(&strong.mid), "{}", strong.mid);
        let said = floor(Some(g(1.130)), Some(g(1.010)), None).unwrap();
        assert_eq!((said.mid, said.from), (1.010, FloorFrom::Expected));
        assert_eq!(floor(None, None, None), None);
        // The honey must that lay at 1.058 and was not finished.
        let unlabelled = floor(Some(g(1.120)), None, None).unwrap();
        assert!(!unlabelled.reached(1.058) && unlabelled.clearly_above(1.058));
    }
}
