//! Pressure in a closed vessel.
//!
//! For each litre of liquid (at 20 °C) and a vessel that does not stretch:
//!
//! ```text
//! carbon dioxide:  m = c(P) + ρ(P)·h(t)          dissolved (solubility) and above the liquid
//! air:             p = p0 · h(t0)/h(t) · T/T0    what was shut in, squeezed and warmed
//! gauge = P(CO2) + p(air) + vapour of water - atmosphere
//! ```
//!
//! h is the room above the liquid, which shrinks as the liquid swells. Left out, all on the careful
//! side: that some of the air dissolves, that glass swells too (a twentieth of the liquid's), that
//! a cork gives way. Left out on the other side: the vapour of alcohol, under 0.2 bar at 70 °C.

use super::solubility::{dissolved, gas_density};
use super::{Beyond, KELVIN, Solvent, expansion, water};
use crate::units::{BarAbsolute, BarGauge, Celsius, GramsPerLitre, Percent};

/// Least room above the liquid that a pressure is worked out for, as a share of the vessel.
const LEAST_ROOM: f64 = 0.01;

/// What is above the liquid when the vessel is closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Above {
    Air,
    /// Nothing but carbon dioxide at the air's pressure.
    CarbonDioxide,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Closed {
    pub liquid: Solvent,
    /// All that is dissolved or will be set free while it is closed.
    pub content: GramsPerLitre,
    /// Share of the vessel above the liquid when it is closed.
    pub headspace: Percent,
    pub closed_at: Celsius,
    pub above: Above,
    pub atmosphere: BarAbsolute,
}

/// What a vessel is like inside at one temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inside {
    pub carbon_dioxide: BarAbsolute,
    pub air: BarAbsolute,
    pub vapour: BarAbsolute,
    pub gauge: BarGauge,
    /// Share of the vessel the liquid leaves.
    pub headspace: Percent,
}

impl Closed {
    /// # Errors
    /// Outside the range of the formulas, or the liquid fills the vessel.
    pub fn at(&self, t: Celsius) -> Result<Inside, Beyond> {
        let share = self.headspace.get() / 100.0;
        let first_liquid = expansion::ratio(self.closed_at, self.liquid);
        let vessel = first_liquid / (1.0 - share);
        let first_room = vessel - first_liquid;
        let room = vessel - expansion::most(t, self.liquid);
        if room.is_nan() || room < LEAST_ROOM * vessel {
            return Err(Beyond::Full {
                to: t.get(),
                left: (100.0 * room / vessel).max(0.0),
            });
        }
        let first_dry = self.atmosphere.get() - water::vapour_pressure(self.closed_at.get());
        let (air, shut_in) = match self.above {
            Above::Air => {
                let warmer = (t.get() + KELVIN) / (self.closed_at.get() + KELVIN);
                (first_dry * first_room / room * warmer, 0.0)
            }
            Above::CarbonDioxide => {
                let density = gas_density(BarAbsolute::computed(first_dry), self.closed_at)?;
                (0.0, density * first_room)
            }
        };
        let carbon_dioxide = self.balance(self.content.get() + shut_in, room, t)?;
        let vapour = water::vapour_pressure(t.get());
        Ok(Inside {
            carbon_dioxide,
            air: BarAbsolute::computed(air),
            vapour: BarAbsolute::computed(vapour),
            gauge: BarGauge::computed(carbon_dioxide.get() + air + vapour - self.atmosphere.get()),
            headspace: Percent::computed(100.0 * room / vessel),
        })
    }

    /// The pressure at which `total` grams are dissolved or above the liquid. Both rise with it, so
    /// halving the interval finds it.
    fn balance(&self, total: f64, room: f64, t: Celsius) -> Result<BarAbsolute, Beyond> {
        let held = |p: f64| -> Result<f64, Beyond> {
            let p = BarAbsolute::computed(p);
            Ok(dissolved(p, t, self.liquid)?.get() + gas_density(p, t)? * room)
        };
        let (mut low, mut high) = (0.0, 10.0);
        if held(high)? < total {
            return Err(Beyond::Pressure);
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if held(middle)? < total {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok(BarAbsolute::computed(0.5 * (low + high)))
    }
}
