//! How much carbon dioxide mead holds under a pressure of it.
//!
//! ```text
//! ln(H/MPa) = -6.8346 + 1.2817e4/T - 3.7668e6/T² + 2.997e8/T³     T in K
//! x = φ·P / H        c = x/(1-x) · M(CO2)/M(water) · ρ(20 °C) · f
//! f = (0.86 - 0.01·A)/0.86 · (1 - 0.00144·S)                       A % vol, S g/L sugar
//! ```
//!
//! H: Carroll, Slupsky & Mather, *J. Phys. Chem. Ref. Data* 20 (1991) 1201, 273 to 433 K, to 1 MPa.
//! f: Community method for wine, Regulation (EEC) 2676/90, chapter 37. It was made for 20 °C; above
//! about 30 °C alcohol hinders the gas less than that, so pressures come out high there, not low.
//! φ: what a real gas falls short of an ideal one, from its second virial coefficient, fitted to the
//! Span-Wagner equation of state between 0 and 90 °C (`tests/oracles/carbon_dioxide.py`).
//!
//! Beside measurements: water within 2 %, beer and champagne within 7 %
//! (`tests/published/carbonation.rs`).

use super::{Beyond, KELVIN, R, Solvent};
use crate::density::water;
use crate::molar;
use crate::units::{BarAbsolute, Celsius, GramsPerLitre};

/// Carroll's formula was fitted up to this pressure.
const HIGHEST_BAR: f64 = 10.0;

fn known(t: Celsius) -> Result<f64, Beyond> {
    if (0.0..=80.0).contains(&t.get()) {
        Ok(t.get())
    } else {
        Err(Beyond::Temperature(t.get()))
    }
}

/// Henry's constant of carbon dioxide in water, bar for a mole fraction of one.
fn henry(t: f64) -> f64 {
    let k = t + KELVIN;
    let ln_mpa = -6.8346 + 1.2817e4 / k - 3.7668e6 / k.powi(2) + 2.997e8 / k.powi(3);
    10.0 * ln_mpa.exp()
}

/// Second virial coefficient over RT, 1/bar: B·P/RT says how far the gas is from ideal.
fn virial(t: f64) -> f64 {
    let kelvin = t + KELVIN;
    let u = 298.15 / kelvin - 1.0;
    let cm3_per_mol = -123.0 - 283.2 * u - 150.8 * u * u;
    // 1 bar·cm³ is 0.1 J.
    cm3_per_mol * 0.1 / (R * kelvin)
}

/// g/L held for a mole ratio of one.
fn grams_per_ratio(liquid: Solvent) -> f64 {
    let alcohol = (0.86 - 0.01 * liquid.strength().get()) / 0.86;
    let sugar = 1.0 - 0.001_44 * liquid.sugar().get();
    molar::CARBON_DIOXIDE / molar::WATER * water::density(20.0) * alcohol * sugar
}

/// Content in balance with carbon dioxide at this pressure of its own.
///
/// # Errors
/// Outside 0 to 80 °C, or above 10 bar.
pub fn dissolved(
    pressure: BarAbsolute,
    t: Celsius,
    liquid: Solvent,
) -> Result<GramsPerLitre, Beyond> {
    let t = known(t)?;
    let p = pressure.get();
    if p > HIGHEST_BAR {
        return Err(Beyond::Pressure);
    }
    let x = p * (virial(t) * p).exp() / henry(t);
    Ok(GramsPerLitre::computed(
        x / (1.0 - x) * grams_per_ratio(liquid),
    ))
}

/// Pressure of carbon dioxide in balance with a content: the inverse of [`dissolved`].
///
/// # Errors
/// Outside 0 to 80 °C, or above 10 bar.
pub fn pressure(
    content: GramsPerLitre,
    t: Celsius,
    liquid: Solvent,
) -> Result<BarAbsolute, Beyond> {
    let t = known(t)?;
    let ratio = content.get() / grams_per_ratio(liquid);
    let fugacity = ratio / (1.0 + ratio) * henry(t);
    let b = virial(t);
    // p·exp(b·p) has its top beyond 150 bar; from an ideal gas Newton's steps close in at once. What
    // an ideal gas would hold at twice the limit needs no more than to be refused.
    if fugacity > 2.0 * HIGHEST_BAR {
        return Err(Beyond::Pressure);
    }
    let mut p = fugacity;
    for _ in 0..30 {
        let step = (p * (b * p).exp() - fugacity) / ((1.0 + b * p) * (b * p).exp());
        p -= step;
        if step.abs() < 1e-14 {
            break;
        }
    }
    if p > HIGHEST_BAR {
        return Err(Beyond::Pressure);
    }
    Ok(BarAbsolute::computed(p))
}

/// Density of the gas itself, g/L.
///
/// # Errors
/// Outside 0 to 80 °C, or above 10 bar.
pub fn gas_density(pressure: BarAbsolute, t: Celsius) -> Result<f64, Beyond> {
    let t = known(t)?;
    let p = pressure.get();
    if p > HIGHEST_BAR {
        return Err(Beyond::Pressure);
    }
    // bar·(g/mol)/(J/mol) is 100 g/L.
    Ok(100.0 * p * molar::CARBON_DIOXIDE / (R * (t + KELVIN) * (1.0 + virial(t) * p)))
}
