//! How far mead swells when it is warmed.
//!
//! Density at t = water's (Kell) + what sugar changes (ICUMSA) + what alcohol changes (OIML R 22),
//! added as Tabarié does. The alcohol tables end at 40 °C: above, alcohol's share of the change
//! between 20 and 40 °C is continued in proportion to the temperature. That is an assumption, so
//! [`most`] adds 15 % to the whole swelling, and it is the one to ask where bottles are concerned.

use super::{Solvent, water};
use crate::density::{ethanol, sucrose};
use crate::units::Celsius;

/// Where the alcohol tables end, °C.
const TABLE_END: f64 = 40.0;

/// Volume at `t` over volume at 20 °C.
pub fn ratio(t: Celsius, liquid: Solvent) -> f64 {
    density(20.0, liquid) / density(t.get(), liquid)
}

/// The same at the most: 15 % more swelling above 20 °C; no less shrinking below.
pub fn most(t: Celsius, liquid: Solvent) -> f64 {
    let ratio = ratio(t, liquid);
    if ratio > 1.0 {
        1.0 + 1.15 * (ratio - 1.0)
    } else {
        ratio
    }
}

fn density(t: f64, liquid: Solvent) -> f64 {
    // By mass for a litre of about a kilogram: 789 g in a litre of alcohol.
    let sugar = liquid.sugar().get() / 10.0;
    let alcohol = liquid.strength().get() * 0.789;
    let with_sugar = sucrose::density(sugar, t) - sucrose::density(0.0, t);
    water::density(t) + with_sugar + with_alcohol(alcohol, t)
}

/// What alcohol takes from the density of water.
fn with_alcohol(mass_percent: f64, t: f64) -> f64 {
    let at = |t: f64| ethanol::density(mass_percent, t) - ethanol::density(0.0, t);
    if t <= TABLE_END {
        at(t)
    } else {
        let a_degree = (at(TABLE_END) - at(20.0)) / (TABLE_END - 20.0);
        at(TABLE_END) + a_degree * (t - TABLE_END)
    }
}
