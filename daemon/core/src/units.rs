//! Quantities with their units in the type. A bare `f64` never crosses a public function of
//! this crate where a unit is meant.
//!
//! Constructors named `new` check the range in which a value can be believed in a mead cellar
//! and refuse the rest (NaN and infinities included), naming the value and the range.

use serde::{Deserialize, Serialize};

use crate::measure::{Measure, plain_number, spaced, written};

/// Why a number was refused as a quantity.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{quantity} {} is outside {low} to {high}{}", plain_number(*value), spaced(unit))]
pub struct OutOfRange {
    pub quantity: &'static str,
    pub value: f64,
    pub low: f64,
    pub high: f64,
    pub unit: &'static str,
}

fn within(
    quantity: &'static str,
    value: f64,
    low: f64,
    high: f64,
    unit: &'static str,
) -> Result<f64, OutOfRange> {
    // NaN fails both comparisons and is refused with the rest.
    if value >= low && value <= high {
        Ok(value)
    } else {
        Err(OutOfRange {
            quantity,
            value,
            low,
            high,
            unit,
        })
    }
}

/// What every quantity is built from; lets one piece of code read and show all of them.
pub trait Quantity: Copy + Sized {
    const MEASURE: &'static Measure;

    /// # Errors
    /// Outside the range of the measure, or not a number.
    fn new(value: f64) -> Result<Self, OutOfRange>;
    fn get(self) -> f64;
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $label:literal, $low:literal ..= $high:literal, $unit:literal, $written:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// # Errors
            #[doc = concat!("Outside ", stringify!($low), " to ", stringify!($high), " ", $unit, ", or not a number.")]
            pub fn new(value: f64) -> Result<Self, OutOfRange> {
                within($label, value, $low, $high, $unit).map(Self)
            }

            /// For values that were computed rather than received: no range check.
            pub const fn computed(value: f64) -> Self {
                Self(value)
            }

            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl Quantity for $name {
            const MEASURE: &'static Measure = &Measure {
                name: $label,
                unit: $unit,
                low: $low,
                high: $high,
                written: $written,
            };

            fn new(value: f64) -> Result<Self, OutOfRange> {
                $name::new(value)
            }

            fn get(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// Specific gravity 20 °C / 20 °C: density of the liquid over the density of water, both at 20 °C.
    Gravity, "gravity", 0.95..=1.25, "SG", &written::GRAVITY
);
quantity!(
    /// Extract as a mass fraction in per cent, as sucrose (°Plato; equals °Brix in unfermented must).
    Plato, "extract", -15.0..=50.0, "°P", &written::PLATO
);
quantity!(
    /// What a refractometer's sucrose scale reads, °Bx: extract only where no alcohol is.
    Brix, "refractometer reading", 0.0..=85.0, "°Bx", &written::BRIX
);
quantity!(
    /// Refractive index for the sodium D line at 20 °C.
    RefractiveIndex, "refractive index", 1.3..=1.55, "nD", &written::REFRACTIVE
);
quantity!(
    /// Temperature in degrees Celsius, up to that of a must or a bottle that is heated: a feed follows
    /// it through the heat.
    Celsius, "temperature", -20.0..=100.0, "°C", &written::TEMPERATURE
);
quantity!(
    /// Angle of a float from the vertical, in degrees.
    Degrees, "tilt", 0.0..=180.0, "degrees", &written::DEGREES
);
quantity!(
    /// Volume in litres, at 20 °C.
    Litres, "volume", 0.0..=100000.0, "L", &written::VOLUME
);
quantity!(
    /// Volume in a pipette or burette, millilitres.
    Millilitres, "volume", 0.0..=1000.0, "mL", &written::MILLILITRES
);
quantity!(
    /// Strength of a lye: moles that take up one hydrogen ion each, in a litre.
    Normality, "strength of the lye", 0.005..=2.0, "N", &written::NORMALITY
);
quantity!(
    /// Mass in kilograms.
    Kilograms, "mass", 0.0..=100000.0, "kg", &written::MASS
);
quantity!(
    /// Density in kg/m³.
    Density, "density", 600.0..=1700.0, "kg/m³", &written::DENSITY
);
quantity!(
    /// Strength by volume at 20 °C, per cent.
    AbvPercent, "strength", 0.0..=25.0, "% vol", &written::STRENGTH
);
quantity!(
    /// Mass fraction, per cent.
    MassPercent, "share by mass", 0.0..=100.0, "% by mass", &written::MASS_PERCENT
);
quantity!(
    /// Any other share, per cent.
    Percent, "share", 0.0..=100.0, "%", &written::PERCENT
);
quantity!(
    /// Concentration in g/L (of sugar, acid, carbon dioxide).
    GramsPerLitre, "concentration", 0.0..=1200.0, "g/L", &written::GRAMS_PER_LITRE
);
quantity!(
    /// Concentration in mg/L (of sulphur dioxide, sorbic acid, nitrogen).
    MgPerLitre, "concentration", 0.0..=5000.0, "mg/L", &written::MG_PER_LITRE
);
quantity!(
    /// pH of must or mead.
    Ph, "pH", 2.5..=7.0, "", &written::PH
);
quantity!(
    /// Pressure above the air's, bar.
    BarGauge, "pressure", 0.0..=60.0, "bar", &written::PRESSURE
);
quantity!(
    /// Absolute pressure, bar.
    BarAbsolute, "absolute pressure", 0.0..=60.0, "bar absolute", &written::PRESSURE_ABSOLUTE
);
quantity!(
    /// Carbon dioxide in volumes: litres of gas (0 °C, 1 atm) in a litre of liquid.
    Volumes, "carbonation", 0.0..=12.0, "volumes", &written::VOLUMES
);
quantity!(
    /// A length of time in hours.
    Hours, "time", 0.0..=20000.0, "h", &written::HOURS
);
quantity!(
    /// A length of time in minutes.
    Minutes, "time", 0.0..=10000.0, "min", &written::MINUTES
);
quantity!(
    /// Pasteurisation units: minutes at 60 °C of equal effect.
    PasteurUnits, "pasteurisation", 0.0..=100000.0, "PU", &written::PASTEUR_UNITS
);
quantity!(
    /// Room volume in cubic metres.
    CubicMetres, "room", 1.0..=100000.0, "m³", &written::ROOM
);
quantity!(
    /// How often an hour a room's air is changed.
    AirChanges, "air changes", 0.0..=100.0, "per h", &written::AIR_CHANGES
);
quantity!(
    /// Share of a gas in air, parts per million by volume.
    Ppm, "share in air", 0.0..=1000000.0, "ppm", &written::PPM
);
quantity!(
    /// Fall of gravity a day, SG.
    FallPerDay, "fall a day", 0.0..=0.1, "SG a day", &written::FALL
);
quantity!(
    /// Food energy, kcal in 100 mL.
    Energy, "energy", 0.0..=1000.0, "kcal/100 mL", &written::ENERGY
);
quantity!(
    /// Gravity that is still to fall, or has fallen, SG.
    Fall, "fall", 0.0..=0.2, "SG", &written::FALL_IN_ALL
);
quantity!(
    /// Carbon dioxide given off, grams an hour.
    GasRate, "gas given off", 0.0..=1000000.0, "g/h", &written::GAS_RATE
);
quantity!(
    /// Height above the sea in metres.
    Metres, "height", -500.0..=5000.0, "m", &written::HEIGHT
);
quantity!(
    /// How many of a thing.
    Count, "number", 0.0..=10000.0, "", &written::COUNT
);

/// State of a float's battery, as it was sent.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Battery {
    Volts(f64),
    Percent(f64),
}

/// Radio strength of a float, as it was sent.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Signal {
    /// dBm, so negative and larger is better.
    Dbm(f64),
    Percent(f64),
}

impl Celsius {
    pub fn from_fahrenheit(f: f64) -> Result<Celsius, OutOfRange> {
        Celsius::new(written::fahrenheit_to_celsius(f))
    }
    pub fn from_kelvin(k: f64) -> Result<Celsius, OutOfRange> {
        Celsius::new(k - 273.15)
    }
    pub fn fahrenheit(self) -> f64 {
        written::celsius_to_fahrenheit(self.0)
    }
}

impl Battery {
    /// # Errors
    /// Below 0 or above 30 V.
    pub fn volts(v: f64) -> Result<Battery, OutOfRange> {
        within("battery", v, 0.0, 30.0, "V").map(Battery::Volts)
    }
    /// # Errors
    /// Outside 0 to 100 %.
    pub fn percent(p: f64) -> Result<Battery, OutOfRange> {
        within("battery", p, 0.0, 100.0, "%").map(Battery::Percent)
    }
}

impl Signal {
    /// # Errors
    /// Outside -150 to 20 dBm.
    pub fn dbm(v: f64) -> Result<Signal, OutOfRange> {
        within("signal", v, -150.0, 20.0, "dBm").map(Signal::Dbm)
    }
    /// # Errors
    /// Outside 0 to 100 %.
    pub fn percent(p: f64) -> Result<Signal, OutOfRange> {
        within("signal", p, 0.0, 100.0, "%").map(Signal::Percent)
    }
}

/// Litres in one US gallon (exact: 231 cubic inches) and one imperial gallon (exact by definition).
pub const LITRES_PER_US_GALLON: f64 = 3.785_411_784;
pub const LITRES_PER_IMPERIAL_GALLON: f64 = 4.546_09;

/// How the maker writes a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DateOrder {
    /// "3 Dec 2026".
    #[default]
    DayMonth,
    /// "Dec 3, 2026".
    MonthDay,
    /// "2026-12-03" (ISO 8601).
    YearFirst,
}

/// How the maker reads a clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockFace {
    /// "14:05".
    #[default]
    TwentyFour,
    /// "2:05 pm".
    Twelve,
}

/// How the maker likes to read and write numbers and times.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, rename_all = "kebab-case")]
pub struct Preferences {
    pub gravity: GravityScale,
    pub temperature: TemperatureScale,
    pub volume: VolumeScale,
    pub mass: MassScale,
    pub pressure: PressureScale,
    pub dates: DateOrder,
    pub clock: ClockFace,
}

impl Preferences {
    /// What holds until the maker says otherwise.
    pub const USUAL: Preferences = Preferences {
        gravity: GravityScale::SpecificGravity,
        temperature: TemperatureScale::Celsius,
        volume: VolumeScale::Litres,
        mass: MassScale::Kilograms,
        pressure: PressureScale::Bar,
        dates: DateOrder::DayMonth,
        clock: ClockFace::TwentyFour,
    };
}

impl Default for Preferences {
    fn default() -> Self {
        Preferences::USUAL
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GravityScale {
    SpecificGravity,
    Plato,
    Brix,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TemperatureScale {
    Celsius,
    Fahrenheit,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VolumeScale {
    Litres,
    UsGallons,
    ImperialGallons,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MassScale {
    Kilograms,
    Pounds,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PressureScale {
    Bar,
    Psi,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nonsense_is_refused_by_name() {
        assert_eq!(
            Gravity::new(7.0).unwrap_err().to_string(),
            "gravity 7 is outside 0.95 to 1.25 SG"
        );
        assert!(Gravity::new(f64::NAN).is_err());
        assert!(Celsius::new(f64::INFINITY).is_err());
        assert!(Celsius::new(-300.0).is_err());
        assert!(Battery::percent(101.0).is_err());
    }

    #[test]
    fn fahrenheit_fixed_points() {
        assert_eq!(Celsius::from_fahrenheit(32.0).unwrap().get(), 0.0);
        assert!((Celsius::from_fahrenheit(68.0).unwrap().get() - 20.0).abs() < 1e-12);
        assert!((Celsius::from_kelvin(293.15).unwrap().get() - 20.0).abs() < 1e-12);
    }
}
