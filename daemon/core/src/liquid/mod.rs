//! What is in a vessel, by mass: water, extract and ethanol. The ledger behind strength.
//!
//! Volumes do not add and gravities do not either, masses do. So whatever is done to a must or a
//! mead is done to its masses, and volume, gravity and strength are read off them afterwards, at
//! 20 °C by Tabarié's addition ([`crate::density::mixture`]).
//!
//! | done | what happens to the masses |
//! |---|---|
//! | honey, fruit, water, another mead poured in | they add up ([`Liquid::with`]) |
//! | racking loss, a sample, a split | all fall in proportion ([`Liquid::part`]) |
//! | fermentation | Balling: 2.0665 kg of extract give 1 kg of ethanol, 0.9565 kg of carbon dioxide, which leaves, and 0.11 kg of yeast, which settles ([`Liquid::ferment`]) |
//!
//! Balling's constants are from memory; with them strength from two gravities meets the excise
//! table of HMRC Notice 226 section 30.3 within 0.1 % vol to its end at 13.6 % vol. Above that it
//! is carried on from beer to mead. Extract is counted as sucrose of the same density, which
//! overstates honey must by 0.0002 to 0.0006 SG.
//!
//! Valid to 70 % extract by mass; what is thicker is refused when its volume is asked for.

mod ledger;

pub use ledger::{Carried, HYDROMETER, Step, StepError, carry};

pub use crate::density::EXTRACT_PER_ETHANOL;
use crate::density::mixture::{self, ETHANOL, THICKEST};
use crate::density::water;
use crate::root::{root, settle};
use crate::units::{
    AbvPercent, GramsPerLitre, Gravity, Kilograms, Litres, MassPercent, OutOfRange,
};

/// Balling: what else comes of the [extract](EXTRACT_PER_ETHANOL) that gives a kilogram of ethanol, kg.
pub const CARBON_DIOXIDE_PER_ETHANOL: f64 = 0.9565;
pub const YEAST_PER_ETHANOL: f64 = 0.11;

/// Masses in kilograms, none below zero.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Liquid {
    water: f64,
    extract: f64,
    ethanol: f64,
}

/// What came of a fermentation. `liquid`, gas and yeast weigh what the liquid weighed before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fermented {
    pub liquid: Liquid,
    /// Ethanol made, not what there is.
    pub ethanol: Kilograms,
    pub carbon_dioxide: Kilograms,
    pub yeast: Kilograms,
}

/// Why something cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LiquidError {
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    #[error(
        "it would hold {extract:.0} % extract by mass; what is known of sugar solutions ends at {THICKEST} %"
    )]
    TooThick { extract: f64 },
    #[error("there is nothing in it")]
    Empty,
    #[error(
        "it cannot ferment down to {to:.4}: with every gram of its sugar gone it would read {lowest:.4}"
    )]
    NotSoLow { to: f64, lowest: f64 },
    #[error("it reads {now:.4}, and fermenting cannot raise that to {to:.4}")]
    Rises { now: f64, to: f64 },
    #[error(
        "a mead of {strength:.1} % vol cannot read {gravity:.4}: even without any sugar it reads {lowest:.4}"
    )]
    TooLight {
        gravity: f64,
        strength: f64,
        lowest: f64,
    },
    #[error("{wanted:.2} L cannot be taken from {there:.2} L")]
    TooLittle { wanted: f64, there: f64 },
    #[error("{wanted:.3} kg of extract cannot ferment where {there:.3} kg are")]
    TooLittleExtract { wanted: f64, there: f64 },
}

impl Liquid {
    pub const NOTHING: Liquid = Liquid {
        water: 0.0,
        extract: 0.0,
        ethanol: 0.0,
    };

    /// # Errors
    /// A mass below zero or beyond what [`Kilograms`] takes.
    pub fn of(
        water: Kilograms,
        extract: Kilograms,
        ethanol: Kilograms,
    ) -> Result<Liquid, OutOfRange> {
        Ok(Liquid {
            water: Kilograms::new(water.get())?.get(),
            extract: Kilograms::new(extract.get())?.get(),
            ethanol: Kilograms::new(ethanol.get())?.get(),
        })
    }

    /// Plain water.
    ///
    /// # Errors
    /// As [`Liquid::of`].
    pub fn of_water(mass: Kilograms) -> Result<Liquid, OutOfRange> {
        Liquid::of(mass, Kilograms::computed(0.0), Kilograms::computed(0.0))
    }

    /// A must without alcohol.
    ///
    /// # Errors
    /// A gravity below that of water.
    pub fn must(volume: Litres, gravity: Gravity) -> Result<Liquid, LiquidError> {
        Liquid::mead(volume, gravity, AbvPercent::computed(0.0))
    }

    /// A mead whose gravity and strength are known.
    ///
    /// # Errors
    /// The gravity is below that of alcohol and water alone.
    pub fn mead(
        volume: Litres,
        gravity: Gravity,
        strength: AbvPercent,
    ) -> Result<Liquid, LiquidError> {
        let volume = Litres::new(volume.get())?.get() / 1000.0;
        let rho = Gravity::new(gravity.get())?.get() * water::density(20.0);
        let alcohol = AbvPercent::new(strength.get())?.get() / 100.0 * ETHANOL;
        let extract = mixture::extract(rho, alcohol);
        // Pure water by gravity 1 may come out a hair below.
        if extract < -1e-6 {
            return Err(LiquidError::TooLight {
                gravity: gravity.get(),
                strength: strength.get(),
                lowest: mixture::density(0.0, alcohol) / water::density(20.0),
            });
        }
        let extract = extract.max(0.0);
        Ok(Liquid {
            water: (rho - extract - alcohol) * volume,
            extract: extract * volume,
            ethanol: alcohol * volume,
        })
    }

    pub fn water(self) -> Kilograms {
        Kilograms::computed(self.water)
    }

    pub fn extract(self) -> Kilograms {
        Kilograms::computed(self.extract)
    }

    pub fn ethanol(self) -> Kilograms {
        Kilograms::computed(self.ethanol)
    }

    pub fn mass(self) -> Kilograms {
        Kilograms::computed(self.total())
    }

    fn total(self) -> f64 {
        self.water + self.extract + self.ethanol
    }

    /// Real extract: its share of the whole by mass (°P). Nothing holds none.
    pub fn extract_share(self) -> MassPercent {
        MassPercent::computed(percent_of(self.extract, self.total()))
    }

    pub fn ethanol_share(self) -> MassPercent {
        MassPercent::computed(percent_of(self.ethanol, self.total()))
    }

    /// At 20 °C.
    ///
    /// # Errors
    /// Thicker than the formula for sugar solutions goes.
    pub fn volume(self) -> Result<Litres, LiquidError> {
        Ok(Litres::computed(self.cubic_metres()? * 1000.0))
    }

    fn cubic_metres(self) -> Result<f64, LiquidError> {
        let extract = percent_of(self.extract, self.extract + self.water);
        if extract > THICKEST {
            return Err(LiquidError::TooThick { extract });
        }
        let mass = self.total();
        Ok(settle(mass / 1000.0, |v| {
            if v > 0.0 {
                mass / mixture::density(self.extract / v, self.ethanol / v)
            } else {
                0.0
            }
        }))
    }

    /// What a hydrometer reads.
    ///
    /// # Errors
    /// Nothing there, or outside what a must or mead can have.
    pub fn gravity(self) -> Result<Gravity, LiquidError> {
        Ok(Gravity::new(self.ratio()?)?)
    }

    /// SG without the check of range.
    fn ratio(self) -> Result<f64, LiquidError> {
        Ok(self.density()? / water::density(20.0))
    }

    /// kg/m³ at 20 °C, which are grams in a litre.
    pub(crate) fn density(self) -> Result<f64, LiquidError> {
        Ok(self.per_litre(self.total())?.get())
    }

    /// # Errors
    /// Nothing there, too thick, or stronger than yeast makes it.
    pub fn strength(self) -> Result<AbvPercent, LiquidError> {
        let per_litre = self.per_litre(self.ethanol)?.get();
        Ok(AbvPercent::new(per_litre / ETHANOL * 100.0)?)
    }

    /// As [`Liquid::strength`], or `None` where it is stronger than yeast makes it.
    ///
    /// # Errors
    /// Nothing there, or too thick.
    pub fn strength_in_range(self) -> Result<Option<AbvPercent>, LiquidError> {
        match self.strength() {
            Ok(strength) => Ok(Some(strength)),
            Err(LiquidError::OutOfRange(_)) => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Real extract in a litre of it.
    ///
    /// # Errors
    /// As [`Liquid::volume`], or nothing there.
    pub fn extract_per_litre(self) -> Result<GramsPerLitre, LiquidError> {
        self.per_litre(self.extract)
    }

    /// # Errors
    /// As [`Liquid::volume`], or nothing there.
    pub fn ethanol_per_litre(self) -> Result<GramsPerLitre, LiquidError> {
        self.per_litre(self.ethanol)
    }

    fn per_litre(self, mass: f64) -> Result<GramsPerLitre, LiquidError> {
        let volume = self.cubic_metres()?;
        if volume > 0.0 {
            Ok(GramsPerLitre::computed(mass / volume))
        } else {
            Err(LiquidError::Empty)
        }
    }

    /// Both together.
    #[must_use]
    pub fn with(self, other: Liquid) -> Liquid {
        Liquid {
            water: self.water + other.water,
            extract: self.extract + other.extract,
            ethanol: self.ethanol + other.ethanol,
        }
    }

    /// A share of it, from 0 to 1; what lies outside is taken as the nearer end.
    #[must_use]
    pub fn part(self, share: f64) -> Liquid {
        // What is not a number counts as nothing.
        self.times(if share > 0.0 { share.min(1.0) } else { 0.0 })
    }

    /// As much of it as weighs so; of nothing there is nothing.
    #[must_use]
    pub fn weighing(self, mass: Kilograms) -> Liquid {
        let total = self.total();
        self.times(if total > 0.0 { mass.get() / total } else { 0.0 })
    }

    /// So many times as much of it; what is below zero counts as nothing.
    pub(crate) fn times(self, factor: f64) -> Liquid {
        let factor = factor.max(0.0);
        Liquid {
            water: self.water * factor,
            extract: self.extract * factor,
            ethanol: self.ethanol * factor,
        }
    }

    /// So many litres of it, and what is left.
    ///
    /// # Errors
    /// More than there is (what a rounded number overshoots by, 1 part in 100 000, is let pass).
    pub fn take(self, volume: Litres) -> Result<(Liquid, Liquid), LiquidError> {
        let there = self.volume()?.get();
        let wanted = Litres::new(volume.get())?.get();
        if wanted > there * (1.0 + 1e-5) {
            return Err(LiquidError::TooLittle { wanted, there });
        }
        let share = if there > 0.0 { wanted / there } else { 0.0 };
        Ok((self.part(share), self.part(1.0 - share.min(1.0))))
    }

    /// Fermented until so much of its extract is gone.
    ///
    /// # Errors
    /// More than there is.
    pub fn ferment(self, extract: Kilograms) -> Result<Fermented, LiquidError> {
        let wanted = Kilograms::new(extract.get())?.get();
        if wanted > self.extract * (1.0 + 1e-9) {
            return Err(LiquidError::TooLittleExtract {
                wanted,
                there: self.extract,
            });
        }
        Ok(self.making(wanted.min(self.extract) / EXTRACT_PER_ETHANOL))
    }

    /// Fermented until a hydrometer reads so much. One root in the ethanol made: the gravity only
    /// falls with it.
    ///
    /// # Errors
    /// It cannot read that: too high, or lower than its sugar allows.
    pub fn ferment_to(self, gravity: Gravity) -> Result<Fermented, LiquidError> {
        let to = gravity.get();
        let now = self.ratio()?;
        if to > now + 1e-9 {
            return Err(LiquidError::Rises { now, to });
        }
        let all = self.extract / EXTRACT_PER_ETHANOL;
        let lowest = self.making(all).liquid.ratio()?;
        if to < lowest - 1e-9 {
            return Err(LiquidError::NotSoLow { to, lowest });
        }
        let off = |ethanol: f64| {
            self.making(ethanol)
                .liquid
                .ratio()
                .map_or(f64::NAN, |g| g - to)
        };
        // Without a crossing it is at one of the ends, within the billionth let pass above.
        let end = if to >= now { 0.0 } else { all };
        Ok(self.making(root(0.0, all, off).unwrap_or(end)))
    }

    /// What it would be if none of its alcohol had been made: the extract back in, gas and yeast
    /// with it.
    #[must_use]
    pub fn unfermented(self) -> Liquid {
        Liquid {
            water: self.water,
            extract: self.extract + self.ethanol * EXTRACT_PER_ETHANOL,
            ethanol: 0.0,
        }
    }

    fn making(self, ethanol: f64) -> Fermented {
        let gas = ethanol * CARBON_DIOXIDE_PER_ETHANOL;
        let yeast = ethanol * YEAST_PER_ETHANOL;
        Fermented {
            liquid: Liquid {
                water: self.water,
                // A last bit below zero would be a negative mass.
                extract: (self.extract - ethanol * EXTRACT_PER_ETHANOL).max(0.0),
                ethanol: self.ethanol + ethanol,
            },
            ethanol: Kilograms::computed(ethanol),
            carbon_dioxide: Kilograms::computed(gas),
            yeast: Kilograms::computed(yeast),
        }
    }
}

fn percent_of(part: f64, whole: f64) -> f64 {
    if whole > 0.0 {
        100.0 * part / whole
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn l(v: f64) -> Litres {
        Litres::new(v).unwrap()
    }

    fn g(v: f64) -> Gravity {
        Gravity::new(v).unwrap()
    }

    fn abv(v: f64) -> AbvPercent {
        AbvPercent::new(v).unwrap()
    }

    #[test]
    fn it_is_what_it_was_made_as() {
        let mead = Liquid::mead(l(10.0), g(1.012), abv(13.0)).unwrap();
        assert!((mead.volume().unwrap().get() - 10.0).abs() < 1e-11);
        assert!((mead.gravity().unwrap().get() - 1.012).abs() < 1e-12);
        assert!((mead.strength().unwrap().get() - 13.0).abs() < 1e-11);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let must = Liquid::must(l(10.0), g(1.100)).unwrap();
        assert!(
            must.ferment_to(g(0.97))
                .unwrap_err()
                .to_string()
                .starts_with("it cannot ferment down to 0.9700")
        );
        assert!(
            must.ferment_to(g(1.11))
                .unwrap_err()
                .to_string()
                .starts_with("it reads 1.1000")
        );
        let light = Liquid::mead(l(10.0), g(0.98), abv(12.0)).unwrap_err();
        assert_eq!(
            light.to_string(),
            "a mead of 12.0 % vol cannot read 0.9800: even without any sugar it reads 0.9841"
        );
        assert!(Liquid::must(l(5.0), g(0.99)).is_err());
        let much = must.take(l(10.5)).unwrap_err().to_string();
        assert_eq!(much, "10.50 L cannot be taken from 10.00 L");
        assert_eq!(Liquid::NOTHING.gravity(), Err(LiquidError::Empty));
        assert_eq!(Liquid::NOTHING.volume(), Ok(Litres::computed(0.0)));
        let kg = Kilograms::computed;
        let honey = Liquid::of(kg(0.172), kg(0.828), kg(0.0)).unwrap();
        assert!(matches!(honey.volume(), Err(LiquidError::TooThick { .. })));
        assert!(Liquid::of(kg(-0.1), kg(1.0), kg(0.0)).is_err());
        assert!(Liquid::of(kg(f64::NAN), kg(1.0), kg(0.0)).is_err());
        assert!(must.ferment(kg(9.0)).is_err());
    }

    /// OIML R 22 table, kg/m³: 973.56 at 20 % vol, 984.71 at 10 % vol. Five litres of the one and
    /// five kilograms of water hold one litre of ethanol in what is a little more than ten.
    #[test]
    fn volumes_do_not_add() {
        let spirit = Liquid::of(
            Kilograms::computed(5.0 * 0.97356 - 0.78924),
            Kilograms::computed(0.0),
            Kilograms::computed(0.78924),
        )
        .unwrap();
        let water = Liquid::of_water(Kilograms::computed(5.0)).unwrap();
        let both = spirit.with(water);
        let expected = (5.0 * 0.97356 + 5.0) / 0.98471;
        assert!((both.volume().unwrap().get() - expected).abs() < 0.001);
        let apart = spirit.volume().unwrap().get() + water.volume().unwrap().get();
        assert!(both.volume().unwrap().get() > apart + 0.01);
    }

    #[test]
    fn a_part_reads_like_the_whole() {
        let mead = Liquid::mead(l(23.0), g(1.004), abv(14.2)).unwrap();
        let (out, left) = mead.take(l(3.0)).unwrap();
        assert!((out.gravity().unwrap().get() - 1.004).abs() < 1e-12);
        assert!((left.volume().unwrap().get() - 20.0).abs() < 1e-9);
        let (all, none) = mead.take(l(23.000_01)).unwrap();
        assert_eq!((all.mass(), none), (mead.mass(), Liquid::NOTHING));
    }
}
