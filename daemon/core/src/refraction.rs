//! The refractometer, with and without alcohol.
//!
//! Alcohol bends light more than water and weighs less, so a sucrose scale reads too much in
//! anything fermented and a hydrometer too little. Each alone cannot tell; both together, or one
//! of them with the original gravity, can.
//!
//! The index of a mixture is taken by Lorentz and Lorenz: specific refractions add by mass.
//!
//! ```text
//! (n² - 1)/(n² + 2) = rho · (w_water·r_water + w_extract·r_extract + w_ethanol·r_ethanol)
//! r = 0.20606, 0.20632, 0.27754 cm³/g
//! ```
//!
//! The three constants are fitted here to indices in the CRC Handbook ("Concentrative properties
//! of aqueous solutions", as typed out in public data), which they give back within 0.0003
//! (sucrose to 40 %) and 0.0001 (ethanol to 20 %). That additivity holds for wine is published
//! (Plugatar et al., Beverages 9 (2023) 31). A reading in °Bx is the sucrose solution of the same
//! index by this same model, so that its error drops out where little has fermented. Against
//! Rogerson & Symington, Am. J. Enol. Vitic. 57 (2006) 486, measured on 35 ports, the strength
//! found is within 0.5 % vol.
//!
//! Whatever is found is an estimate: ±0.003 SG and ±0.5 % vol. Readings at 20 °C or put right to
//! it by the instrument. Valid for readings to 40 °Bx.

use crate::density::{mixture, plato_from_gravity, sucrose, water};
use crate::liquid::{Liquid, LiquidError};
use crate::root::root;
use crate::units::{
    AbvPercent, Brix, Gravity, Kilograms, Litres, MassPercent, Quantity, RefractiveIndex,
};

const R_WATER: f64 = 0.206_06;
const R_EXTRACT: f64 = 0.206_32;
const R_ETHANOL: f64 = 0.277_54;

/// Highest reading the model was held to, °Bx.
pub const HIGHEST: f64 = 40.0;
/// What the result is good to: SG and % vol.
pub const GRAVITY_ERROR: f64 = 0.003;
pub const STRENGTH_ERROR: f64 = 0.5;
/// How far readings may contradict each other and still be the instruments' error, °Bx.
const SLACK: f64 = 0.3;

/// Why two readings cannot belong together.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RefractionError {
    #[error(transparent)]
    Liquid(#[from] LiquidError),
    #[error("{0:.1} °Bx is beyond {HIGHEST:.0} °Bx, where the model was checked")]
    TooHigh(f64),
    #[error(
        "a refractive index of {0:.4} lies outside the sucrose scale used here (1.3330, water, to 1.3999, {HIGHEST:.0} °Bx)"
    )]
    IndexOutside(f64),
    #[error(
        "{reading:.1} °Bx cannot go with a gravity of {gravity:.4}: without any alcohol it would be {lowest:.1} °Bx, and with as much as that gravity allows {highest:.1} °Bx"
    )]
    DoNotMatch {
        reading: f64,
        gravity: f64,
        lowest: f64,
        highest: f64,
    },
    #[error(
        "{reading:.1} °Bx cannot come of {original:.1} °Bx: it stands there before fermentation and at {lowest:.1} °Bx when all the sugar is gone"
    )]
    NotOnTheWay {
        reading: f64,
        original: f64,
        lowest: f64,
    },
}

/// °Bx from the refractive index: polynomial through the ICUMSA table at 20 °C (as listed in
/// public sources), held to OIV-MA-AS2-02 table II from 10 to 30 °Bx.
///
/// # Errors
/// Below that of water or beyond 40 °Bx.
pub fn brix(n: RefractiveIndex) -> Result<Brix, RefractionError> {
    let n = n.get();
    let brix = sucrose_scale(n);
    // Water comes out a hair below zero.
    if n.is_finite() && (-0.1..=HIGHEST + 0.05).contains(&brix) {
        Ok(Brix::computed(brix.max(0.0)))
    } else {
        Err(RefractionError::IndexOutside(n))
    }
}

fn sucrose_scale(n: f64) -> f64 {
    const C: [f64; 6] = [
        11_758.74,
        -88_885.21,
        270_177.93,
        -413_145.80,
        318_417.95,
        -99_127.453_6,
    ];
    C.iter().fold(0.0, |sum, c| sum * n + c)
}

/// The refractive index of such a liquid at 20 °C, by the model.
///
/// # Errors
/// Nothing there, or too thick.
pub fn index(liquid: Liquid) -> Result<RefractiveIndex, LiquidError> {
    Ok(RefractiveIndex::computed(index_of(bent(liquid)?)))
}

/// What a sucrose scale reads in it.
///
/// # Errors
/// As [`index`].
pub fn reading(liquid: Liquid) -> Result<Brix, LiquidError> {
    Ok(Brix::computed(brix_of(bent(liquid)?)))
}

/// (n² - 1)/(n² + 2).
fn bent(liquid: Liquid) -> Result<f64, LiquidError> {
    Ok(refraction(
        liquid.density()?,
        liquid.extract_share(),
        liquid.ethanol_share(),
    ))
}

/// (n² - 1)/(n² + 2) of a liquid of this density, kg/m³.
fn refraction(rho: f64, extract: MassPercent, ethanol: MassPercent) -> f64 {
    let (x, e) = (extract.get() / 100.0, ethanol.get() / 100.0);
    rho / 1000.0 * ((1.0 - x - e) * R_WATER + x * R_EXTRACT + e * R_ETHANOL)
}

fn index_of(refraction: f64) -> f64 {
    ((1.0 + 2.0 * refraction) / (1.0 - refraction)).sqrt()
}

fn of_sucrose(brix: f64) -> f64 {
    refraction(
        sucrose::density(brix, 20.0),
        MassPercent::computed(brix),
        MassPercent::computed(0.0),
    )
}

/// The sucrose solution that bends light as much.
fn brix_of(refraction: f64) -> f64 {
    // Wider than any reading, so that there always is a crossing.
    root(-20.0, 80.0, |brix| of_sucrose(brix) - refraction).unwrap_or(f64::NAN)
}

/// Strength of a litre with this present gravity that reads so much on the sucrose scale.
///
/// # Errors
/// The two cannot belong to one mead.
pub fn with_gravity(read: Brix, gravity: Gravity) -> Result<Liquid, RefractionError> {
    let read = below_highest(read.get())?;
    let litre = |strength: f64| {
        Liquid::mead(
            Litres::computed(1.0),
            gravity,
            AbvPercent::computed(strength),
        )
    };
    let sober = below_highest(plato_from_gravity(gravity).get())?;
    let most = AbvPercent::MEASURE.high;
    let read_at = |strength: f64| match litre(strength) {
        Ok(mead) => reading(mead).map_or(f64::NAN, Brix::get),
        Err(_) => f64::NAN,
    };
    // Below SG 1 there must be some alcohol: the least is where no extract is left.
    let least = if sober >= 0.0 {
        0.0
    } else {
        let rho = gravity.get() * water::density(20.0);
        let extract = |v: f64| mixture::extract(rho, v / 100.0 * mixture::ETHANOL);
        match root(0.0, most, extract) {
            Some(v) => v + 1e-9,
            // Lighter than the strongest mead without sugar: refused there, with the figures.
            None => return Ok(litre(most)?),
        }
    };
    let (lowest, highest) = (read_at(least), read_at(most));
    let strength = if read < lowest && read >= lowest - SLACK {
        least
    } else {
        root(least, most, |v| read_at(v) - read).ok_or(RefractionError::DoNotMatch {
            reading: read,
            gravity: gravity.get(),
            lowest,
            highest,
        })?
    };
    Ok(litre(strength)?)
}

/// A litre of must of this original extract, fermented until the sucrose scale reads so much.
///
/// # Errors
/// The reading is not on the way from there to dryness.
pub fn with_original(read: Brix, original: Gravity) -> Result<Liquid, RefractionError> {
    let read = below_highest(read.get())?;
    let must = Liquid::must(Litres::computed(1.0), original)?;
    let start = below_highest(plato_from_gravity(original).get())?;
    let all = must.extract().get();
    let fermented = |extract: f64| must.ferment(Kilograms::computed(extract));
    let read_at = |extract: f64| match fermented(extract) {
        Ok(made) => reading(made.liquid).map_or(f64::NAN, Brix::get),
        Err(_) => f64::NAN,
    };
    let lowest = read_at(all);
    let gone = if read > start && read <= start + SLACK {
        0.0
    } else {
        root(0.0, all, |extract| read_at(extract) - read).ok_or(RefractionError::NotOnTheWay {
            reading: read,
            original: start,
            lowest,
        })?
    };
    Ok(fermented(gone)?.liquid)
}

fn below_highest(brix: f64) -> Result<f64, RefractionError> {
    if brix <= HIGHEST {
        Ok(brix)
    } else {
        Err(RefractionError::TooHigh(brix))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn g(v: f64) -> Gravity {
        Gravity::new(v).unwrap()
    }

    fn bx(v: f64) -> Brix {
        Brix::new(v).unwrap()
    }

    #[test]
    fn without_alcohol_it_reads_the_extract() {
        let must = Liquid::must(Litres::computed(5.0), g(1.101)).unwrap();
        let extract = plato_from_gravity(g(1.101)).get();
        assert!((reading(must).unwrap().get() - extract).abs() < 1e-9);
    }

    #[test]
    fn both_ways_find_the_mead_that_was_read() {
        let mead = Liquid::must(Litres::computed(1.0), g(1.098))
            .unwrap()
            .ferment_to(g(1.012))
            .unwrap()
            .liquid;
        let read = reading(mead).unwrap();
        let strength = mead.strength().unwrap().get();
        // Well above what is in it, let alone what a hydrometer says.
        assert!(read.get() > mead.extract_share().get() + 3.0);
        let a = with_gravity(read, g(1.012)).unwrap();
        let b = with_original(read, g(1.098)).unwrap();
        assert!((a.strength().unwrap().get() - strength).abs() < 1e-6);
        assert!((b.strength().unwrap().get() - strength).abs() < 1e-6);
        assert!((b.gravity().unwrap().get() - 1.012).abs() < 1e-9);
    }

    #[test]
    fn a_dry_mead() {
        let mead =
            Liquid::mead(Litres::computed(1.0), g(0.992), AbvPercent::computed(11.0)).unwrap();
        let read = reading(mead).unwrap();
        let found = with_gravity(read, g(0.992)).unwrap();
        assert!((found.strength().unwrap().get() - 11.0).abs() < 1e-6);
    }

    #[test]
    fn readings_that_contradict_are_refused() {
        let error = with_gravity(bx(3.0), g(1.050)).unwrap_err().to_string();
        assert!(
            error.starts_with(
                "3.0 °Bx cannot go with a gravity of 1.0500: without any alcohol it would be 12.4"
            ),
            "{error}"
        );
        let error = with_original(bx(25.0), g(1.080)).unwrap_err().to_string();
        assert!(
            error.starts_with("25.0 °Bx cannot come of 19.3 °Bx"),
            "{error}"
        );
        assert!(with_original(bx(2.0), g(1.080)).is_err());
        assert!(matches!(
            with_original(bx(50.0), g(1.2)),
            Err(RefractionError::TooHigh(_))
        ));
        // A tenth of a degree too much is the instrument.
        assert!(with_original(bx(19.4), g(1.080)).is_ok());
    }

    #[test]
    fn the_scale_ends_where_it_was_checked() {
        let n = |v| RefractiveIndex::new(v).unwrap();
        assert!(brix(n(1.3330)).unwrap().get() < 0.05);
        assert!(brix(n(1.50)).is_err());
        assert!(brix(n(1.31)).is_err());
    }
}
