//! Carbon dioxide in a room with fermenting vessels.
//!
//! Given off: fermenting liquid keeps its volume within about 0.1 %, so the gas that leaves is the
//! fall of its density, 1.0 g/L for each 0.001 SG (0.99 to 1.00 by Balling's figures over musts of
//! 1.060 to 1.130, 1.06 if no sugar at all went into yeast).
//!
//! The room (well mixed; Burgess 1989, as quoted in *Basic Concepts of Industrial Hygiene*, p. 163):
//!
//! ```text
//! C(t) = C_out + G/Q·(1 - exp(-n·t)) + (C_0 - C_out)·exp(-n·t)      Q = n·V
//! ```
//!
//! No room is well mixed: the gas lies low. This is the average, no more.

use crate::units::{AirChanges, CubicMetres, FallPerDay, GasRate, Hours, Litres, Ppm};

/// Density of the gas at 20 °C and 1 atm, kg/m³ (Span-Wagner, `tests/oracles/carbon_dioxide.py`).
const GAS_DENSITY: f64 = 1.839;

/// Grams a litre gives off for each 0.001 SG: middle and most.
const GRAMS_A_POINT: f64 = 1.0;
pub const MOST_GRAMS_A_POINT: f64 = 1.06;

/// Published limits of exposure (NIOSH, Immediately Dangerous to Life or Health: carbon dioxide,
/// May 1994, quoting 29 CFR 1910.1000 table Z-1).
pub const EIGHT_HOURS: Ppm = Ppm::computed(5_000.0);
pub const FIFTEEN_MINUTES: Ppm = Ppm::computed(30_000.0);
pub const DANGER_TO_LIFE: Ppm = Ppm::computed(40_000.0);

/// Gas from a vessel whose gravity falls.
pub fn given_off(volume: Litres, fall: FallPerDay) -> GasRate {
    GasRate::computed(GRAMS_A_POINT * volume.get() * fall.get() * 1000.0 / 24.0)
}

/// Pure gas, m³ an hour.
pub fn cubic_metres(rate: GasRate) -> f64 {
    rate.get() / 1000.0 / GAS_DENSITY
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    pub volume: CubicMetres,
    pub air_changes: AirChanges,
    pub outside: Ppm,
}

impl Room {
    fn air(&self) -> f64 {
        self.volume.get() * self.air_changes.get()
    }

    /// What it comes to in the end; `None` without any change of air.
    pub fn steady(&self, rate: GasRate) -> Option<Ppm> {
        (self.air() > 0.0)
            .then(|| Ppm::computed(self.outside.get() + 1e6 * cubic_metres(rate) / self.air()))
    }

    /// What it is after a time, from `first`.
    pub fn after(&self, rate: GasRate, first: Ppm, time: Hours) -> Ppm {
        let (n, t) = (self.air_changes.get(), time.get());
        let gone = -(-n * t).exp_m1();
        // (1 - exp(-n·t))/n, which is t where no air is changed.
        let fed = if n > 0.0 { gone / n } else { t };
        let risen = 1e6 * cubic_metres(rate) / self.volume.get() * fed;
        Ppm::computed(first.get() + (self.outside.get() - first.get()) * gone + risen)
    }

    /// How long until a limit is reached from outside air; `None` if it never is.
    pub fn reaches(&self, limit: Ppm, rate: GasRate) -> Option<Hours> {
        let over = limit.get() - self.outside.get();
        if over <= 0.0 {
            return Some(Hours::computed(0.0));
        }
        let each_hour = 1e6 * cubic_metres(rate) / self.volume.get();
        let n = self.air_changes.get();
        if n > 0.0 {
            let share = over * n / each_hour;
            (share < 1.0).then(|| Hours::computed(-(-share).ln_1p() / n))
        } else {
            (each_hour > 0.0).then(|| Hours::computed(over / each_hour))
        }
    }

    /// Changes of air an hour that keep it at a limit in the end; `None` for a limit that outside
    /// air is over.
    pub fn changes_needed(&self, limit: Ppm, rate: GasRate) -> Option<AirChanges> {
        let over = (limit.get() - self.outside.get()) / 1e6;
        (over > 0.0).then(|| AirChanges::computed(cubic_metres(rate) / over / self.volume.get()))
    }
}

/// Share by volume to mg/m³ at 25 °C and 1 atm, as limits are printed (24.45 L/mol).
pub fn milligrams_per_cubic_metre(share: Ppm) -> f64 {
    share.get() * crate::molar::CARBON_DIOXIDE / 24.45
}
