//! A batch carried through what was done to it.
//!
//! The gravity right after an addition says nothing about strength on its own: honey raises it,
//! water lowers it, and either thins the alcohol. Carried step by step by mass, strength stays
//! right over the batch's whole life. The order of the steps does not matter for the end, save
//! where something was taken out: what left is what was in it at that moment, so the gravity
//! before a racking or a split is worth writing down.

use super::{Liquid, LiquidError};
use crate::units::{Gravity, Kilograms, Litres};

/// How far a reading may stand above what the ledger says and still be the hydrometer's error
/// and the stirring's: ours, SG.
pub const HYDROMETER: f64 = 0.002;

/// One thing that happened to a batch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Step {
    /// A reading: it has fermented to here.
    Reads(Gravity),
    /// Poured or stirred in: what dissolves of honey or fruit, water, another mead.
    In(Liquid),
    /// Taken out: racking loss, samples, a split.
    Out(Litres),
}

/// What has become of it. `liquid`, gas, yeast and what was taken out weigh as much as what was
/// put in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carried {
    pub liquid: Liquid,
    pub carbon_dioxide: Kilograms,
    pub yeast: Kilograms,
    pub taken: Liquid,
}

/// The step, counted from 1, that cannot have happened.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("step {step}: {error}")]
pub struct StepError {
    pub step: usize,
    pub error: LiquidError,
}

/// # Errors
/// A step that cannot have happened: a gravity that rose without an addition, more taken out
/// than there was.
pub fn carry(start: Liquid, steps: &[Step]) -> Result<Carried, StepError> {
    let mut carried = Carried {
        liquid: start,
        carbon_dioxide: Kilograms::computed(0.0),
        yeast: Kilograms::computed(0.0),
        taken: Liquid::NOTHING,
    };
    for (at, step) in steps.iter().enumerate() {
        carried = carried.then(*step).map_err(|error| StepError {
            step: at + 1,
            error,
        })?;
    }
    Ok(carried)
}

impl Carried {
    fn then(self, step: Step) -> Result<Carried, LiquidError> {
        match step {
            Step::In(liquid) => Ok(Carried {
                liquid: self.liquid.with(liquid),
                ..self
            }),
            Step::Out(volume) => {
                let (taken, liquid) = self.liquid.take(volume)?;
                Ok(Carried {
                    liquid,
                    taken: self.taken.with(taken),
                    ..self
                })
            }
            Step::Reads(gravity) => {
                let now = self.liquid.gravity()?.get();
                if (now..=now + HYDROMETER).contains(&gravity.get()) {
                    return Ok(self);
                }
                let made = self.liquid.ferment_to(gravity)?;
                Ok(Carried {
                    liquid: made.liquid,
                    carbon_dioxide: sum(self.carbon_dioxide, made.carbon_dioxide),
                    yeast: sum(self.yeast, made.yeast),
                    ..self
                })
            }
        }
    }
}

fn sum(a: Kilograms, b: Kilograms) -> Kilograms {
    Kilograms::computed(a.get() + b.get())
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

    fn honey(kg: f64) -> Liquid {
        Liquid::of(
            Kilograms::computed(0.172 * kg),
            Kilograms::computed(0.828 * kg),
            Kilograms::computed(0.0),
        )
        .unwrap()
    }

    /// Honey given in three portions ends where the whole of it given at the start ends.
    #[test]
    fn fed_in_steps_or_at_once() {
        let start = Liquid::must(l(18.0), g(1.060)).unwrap();
        let stepped = carry(
            start,
            &[
                Step::Reads(g(1.020)),
                Step::In(honey(1.0)),
                Step::Reads(g(1.015)),
                Step::In(honey(1.5)),
                Step::Reads(g(1.005)),
            ],
        )
        .unwrap();
        let at_once = carry(start, &[Step::In(honey(2.5)), Step::Reads(g(1.005))]).unwrap();
        let (a, b) = (stepped.liquid, at_once.liquid);
        assert!((a.strength().unwrap().get() - b.strength().unwrap().get()).abs() < 1e-9);
        assert!((stepped.carbon_dioxide.get() - at_once.carbon_dioxide.get()).abs() < 1e-9);
    }

    /// Two gravities alone, the first and the last, miss what the honey in between made.
    #[test]
    fn first_and_last_gravity_are_not_enough() {
        let start = Liquid::must(l(18.0), g(1.060)).unwrap();
        let strength = |steps: &[Step]| {
            let liquid = carry(start, steps).unwrap().liquid;
            liquid.strength().unwrap().get()
        };
        let plain = strength(&[Step::Reads(g(1.005))]);
        let fed = strength(&[
            Step::Reads(g(1.020)),
            Step::In(honey(2.5)),
            Step::Reads(g(1.005)),
        ]);
        assert!(fed > plain + 4.0, "{fed} against {plain}");
    }

    #[test]
    fn a_rise_without_an_addition_is_named() {
        let start = Liquid::must(l(18.0), g(1.060)).unwrap();
        let error = carry(start, &[Step::Reads(g(1.020)), Step::Reads(g(1.030))]).unwrap_err();
        assert_eq!(
            error.to_string(),
            "step 2: it reads 1.0200, and fermenting cannot raise that to 1.0300"
        );
        let noise = carry(start, &[Step::Reads(g(1.020)), Step::Reads(g(1.0205))]).unwrap();
        assert!((noise.liquid.gravity().unwrap().get() - 1.020).abs() < 1e-9);
    }
}
