//! Gathers values into readings: one reading for each instant a message speaks of.

use super::Decoded;
use crate::density::{gravity_from_density, gravity_from_plato};
use crate::feed::Quantity;
use crate::reading::{Problem, ProblemKind, Reading, TimeFrom};
use crate::time::{Moment, Span};
use crate::units::{Battery, Celsius, Degrees, Gravity, OutOfRange, Plato, Signal};

/// A sender's clock may run ahead of ours by this much before its time is refused: a wrong time
/// zone is a believable mistake of a cheap clock, a wrong year is not.
const AHEAD: Span = Span::days(1);

pub(super) struct Collector<'a> {
    polynomial: &'a [f64],
    received: Option<Moment>,
    /// The message is a copy a broker had kept: when it was sent is not known.
    retained: bool,
    /// Something in a kept copy goes by its time of arrival.
    ageless: bool,
    readings: Vec<Reading>,
    out: Decoded,
}

impl<'a> Collector<'a> {
    pub fn new(polynomial: &'a [f64], received: Option<Moment>, retained: bool) -> Self {
        Collector {
            polynomial,
            received,
            retained,
            ageless: false,
            readings: Vec::new(),
            out: Decoded::default(),
        }
    }

    pub fn problem(&mut self, problem: Problem) {
        self.out.problems.push(problem);
    }

    /// What relative times count from.
    pub fn sent(&self) -> Option<Moment> {
        self.received.filter(|_| !self.retained)
    }

    /// A time the message gave: believed only between the project's birth and tomorrow.
    pub fn checked_time(&mut self, at: Moment, place: &str) -> Option<Moment> {
        let too_late = self.received.is_some_and(|now| at > now + AHEAD);
        if at < Moment::EARLIEST_BELIEVABLE || too_late {
            let kind = ProblemKind::BadTime;
            self.problem(Problem::new(
                kind,
                format!(
                    "{place}: {} cannot be the time of a reading",
                    at.to_rfc3339()
                ),
            ));
            return None;
        }
        Some(at)
    }

    /// Takes one value. `at` is the message's own time, `None` for the time of arrival.
    pub fn value(&mut self, at: Option<Moment>, quantity: Quantity, value: f64, place: &str) {
        // Without a clock of our own there is nothing to hold a sender's time against either: a
        // reading of the year 2090 would stand in front of all others for ever.
        let Some(received) = self.received else {
            self.out.needs_time = true;
            return;
        };
        let (at, time_from) = match at {
            Some(at) => (at, TimeFrom::Payload),
            None if self.retained => {
                self.ageless = true;
                return;
            }
            None => (received, TimeFrom::Arrival),
        };
        let slot = self.slot(at, time_from);
        let polynomial = self.polynomial;
        let result = put(&mut self.readings[slot], quantity, value, polynomial);
        if let Err(refusal) = result {
            let (kind, why) = match refusal {
                Refusal::OutOfRange(e) => (ProblemKind::OutOfRange, e.to_string()),
                Refusal::Twice => (
                    ProblemKind::Conflict,
                    format!("a second {} for one instant", quantity.label()),
                ),
            };
            self.problem(Problem::new(kind, format!("{place}: {why}")));
        }
    }

    fn slot(&mut self, at: Moment, time_from: TimeFrom) -> usize {
        let same = |r: &Reading| r.at == at && r.time_from == time_from;
        if let Some(found) = self.readings.iter().rposition(same) {
            return found;
        }
        self.readings.push(Reading {
            at,
            time_from,
            gravity: None,
            temperature: None,
            tilt: None,
            battery: None,
            signal: None,
        });
        self.readings.len() - 1
    }

    pub fn finish(mut self) -> Decoded {
        self.readings.retain(|r| {
            r.gravity.is_some()
                || r.temperature.is_some()
                || r.tilt.is_some()
                || r.battery.is_some()
                || r.signal.is_some()
        });
        if self.ageless {
            self.problem(Problem::new(
                ProblemKind::BadTime,
                "a retained message without a time of its own says nothing about now",
            ));
        }
        if self.readings.is_empty() && self.out.problems.is_empty() && !self.out.needs_time {
            self.problem(Problem::new(
                ProblemKind::Empty,
                "no reading in this message",
            ));
        }
        self.out.readings = self.readings;
        self.out
    }
}

enum Refusal {
    OutOfRange(OutOfRange),
    Twice,
}

impl From<OutOfRange> for Refusal {
    fn from(e: OutOfRange) -> Self {
        Refusal::OutOfRange(e)
    }
}

/// Converts to our unit, checks the range, calibrates, and sets the field if it is still free.
fn put(r: &mut Reading, quantity: Quantity, v: f64, polynomial: &[f64]) -> Result<(), Refusal> {
    fn set<T>(field: &mut Option<T>, value: T) -> Result<(), Refusal> {
        if field.is_some() {
            return Err(Refusal::Twice);
        }
        *field = Some(value);
        Ok(())
    }
    match quantity {
        Quantity::GravitySg => set(&mut r.gravity, Gravity::new(v)?),
        Quantity::GravityPlato | Quantity::GravityBrix => {
            set(&mut r.gravity, gravity_from_plato(Plato::new(v)?)?)
        }
        Quantity::GravityDensity => set(&mut r.gravity, gravity_from_density(v)?),
        Quantity::TiltDegrees | Quantity::TiltRadians => {
            let degrees = if quantity == Quantity::TiltRadians {
                v.to_degrees()
            } else {
                v
            };
            let tilt = Degrees::new(degrees)?;
            set(&mut r.tilt, tilt)?;
            if polynomial.is_empty() || r.gravity.is_some() {
                return Ok(());
            }
            let sg = polynomial
                .iter()
                .rev()
                .fold(0.0, |sum, c| sum * tilt.get() + c);
            set(&mut r.gravity, Gravity::new(sg)?)
        }
        Quantity::TemperatureCelsius => set(&mut r.temperature, Celsius::new(v)?),
        Quantity::TemperatureKelvin => set(&mut r.temperature, Celsius::from_kelvin(v)?),
        Quantity::TemperatureFahrenheit => set(&mut r.temperature, Celsius::from_fahrenheit(v)?),
        Quantity::BatteryVolts => set(&mut r.battery, Battery::volts(v)?),
        Quantity::BatteryPercent => set(&mut r.battery, Battery::percent(v)?),
        Quantity::SignalDbm => set(&mut r.signal, Signal::dbm(v)?),
        Quantity::SignalPercent => set(&mut r.signal, Signal::percent(v)?),
        // Times are taken by the forms themselves, before any value.
        Quantity::Time => Ok(()),
    }
}
