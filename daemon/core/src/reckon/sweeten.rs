//! Sweetening to a gravity, and from a bench trial to the vessel.

use super::answer::{Answer, Formula, Step, result};
use super::field::{Field, NO_OR_YES};
use super::fizz::stopped;
use super::scale::shown;
use super::strength::reached;
use super::sweet::{self, READING, Sweet, TABARIE, to_scale};
use super::{Complaint, Complaints, Fact, Given, Reckoning};
use crate::deed::What;
use crate::liquid::{Liquid, LiquidError};
use crate::sweeten::{SweetenError, Sweetened, by_mass, from_trial, to_gravity};
use crate::units::{AbvPercent, Gravity, Kilograms, Litres};

const VOLUME: Field = Field::number::<Litres>("volume", "Volume of mead").fill(Fact::Volume);
const GRAVITY: Field = Field::number::<Gravity>("gravity", "Gravity now")
    .hint("At 20 °C.")
    .fill(Fact::Gravity);
const STRENGTH: Field =
    Field::number::<AbvPercent>("strength", "Strength now").fill(Fact::Strength);
const STOPPED: Field = Field::choice("stopped", "Is its yeast stopped", NO_OR_YES)
    .hint("By sulphite and sorbate, by heat or by sterile filtration.")
    .fill(Fact::Stabilised);

pub static SWEETEN: Reckoning = Reckoning {
    key: "sweeten",
    title: "Sweetening",
    says: "How much honey, sugar, syrup or juice brings a mead to a gravity, what it is after that, and what it would do if it restarted.",
    gate: None,
    fields: &[
        VOLUME,
        GRAVITY,
        STRENGTH,
        Field::number::<Gravity>("target", "Gravity wanted")
            .fill(Fact::PlannedGravity)
            .hint(
                "Dry about 1.000, half sweet 1.010, sweet 1.020 and more (common practice, no source).",
            ),
        sweet::WITH,
        sweet::MOISTURE,
        sweet::HONEY_INDEX,
        sweet::SYRUP,
        STOPPED,
    ],
    run: |given| {
        let target: Gravity = given.need("target")?;
        let with = sweet::sweet(given)?;
        let now: Gravity = given.need("gravity")?;
        let sweetened = |mead: Liquid| to_gravity(mead, target, with.ingredient);
        let exact = sweetened(mead(given, now)?)
            .map_err(|e| at_fault(given, "target", &e))?
            .added;
        // A reading too high or too low by as much as a hydrometer is read to.
        let off = |by: f64| {
            let Ok(mead) = mead(given, Gravity::computed(now.get() + by)) else {
                // A mead cannot read that, so it does not widen the range.
                return exact;
            };
            match sweetened(mead) {
                Ok(s) => s.added,
                Err(SweetenError::AlreadyThere { .. }) => Kilograms::computed(0.0),
                Err(_) => exact,
            }
        };
        answer(given, &with, exact, [off(READING), off(-READING)])
    },
};

pub static BENCH_TRIAL: Reckoning = Reckoning {
    key: "bench-trial",
    title: "From a bench trial to the vessel",
    says: "So much in a glass tasted right: how much for the vessel, what it is after that, and what it would do if it restarted.",
    gate: None,
    fields: &[
        Field::number::<Litres>("glass", "Mead in the glass").usual("100 mL"),
        Field::number::<Kilograms>("in-glass", "Put into the glass")
            .hint("In grams, such as 4.5 g. Weighing beats spoons."),
        VOLUME,
        GRAVITY,
        STRENGTH,
        sweet::WITH,
        sweet::MOISTURE,
        sweet::HONEY_INDEX,
        sweet::SYRUP,
        STOPPED,
    ],
    run: |given| {
        let (glass, in_glass): (Litres, Kilograms) =
            (given.need("glass")?, given.need("in-glass")?);
        if glass.get() <= 0.0 {
            return Err(given.complain("glass", "it must be more than 0 mL").into());
        }
        let with = sweet::sweet(given)?;
        let mead = mead(given, given.need("gravity")?)?;
        let scaled = |grams: f64| {
            let in_glass = Kilograms::computed((in_glass.get() + grams / 1000.0).max(0.0));
            from_trial(mead, glass, in_glass, with.ingredient)
                .map(|s| s.added)
                .map_err(|e| at_fault(given, "in-glass", &e))
        };
        let exact = scaled(0.0)?;
        answer(
            given,
            &with,
            exact,
            [scaled(-SCALE_GRAMS)?, scaled(SCALE_GRAMS)?],
        )
    },
};

/// What a kitchen scale leaves open in the glass, g.
const SCALE_GRAMS: f64 = 0.1;

const CAUTION: &str = "Sugar that ferments in a closed bottle or keg bursts it, and flying glass blinds. Sweeten only what is stopped \
     for certain or will be kept cold and vented, and see what a sealed vessel would come to before you close it.";

fn at_fault(given: &Given, key: &str, e: &SweetenError) -> Complaint {
    given.complain(key, &e.to_string())
}

fn mead(given: &Given, gravity: Gravity) -> Result<Liquid, Complaint> {
    let volume: Litres = given.need("volume")?;
    if volume.get() <= 0.0 {
        return Err(given.complain("volume", "it must be more than 0 L"));
    }
    Liquid::mead(volume, gravity, given.need("strength")?)
        .map_err(|e| given.complain("gravity", &e.to_string()))
}

fn answer(
    given: &Given,
    with: &Sweet,
    exact: Kilograms,
    around: [Kilograms; 2],
) -> Result<Answer, Complaints> {
    let mead = mead(given, given.need("gravity")?)?;
    let mass = to_scale(exact);
    // What is weighed is what goes in.
    let sweetened =
        by_mass(mead, mass, with.ingredient).map_err(|e| at_fault(given, "volume", &e))?;
    tell(given, with, mass, around.map(to_scale), &sweetened)
        .map_err(|e| given.complain("gravity", &e.to_string()).into())
}

fn tell(
    given: &Given,
    with: &Sweet,
    mass: Kilograms,
    around: [Kilograms; 2],
    sweetened: &Sweetened,
) -> Result<Answer, LiquidError> {
    let after = sweetened.after;
    let (volume, gravity, strength) = (after.volume()?, after.gravity()?, after.strength()?);
    let again = sweetened.restarted()?;
    let dry = again.made.liquid;
    let (fallen, stronger) = (dry.gravity()?, dry.strength_in_range()?);
    let warned = if stopped(given) {
        ""
    } else {
        " Its yeast is not stopped: it may ferment what is added."
    };
    let mut answer = Answer::new(format!(
        "{} of {} makes {} at {} with {:.1} % vol.{warned}",
        shown(given, mass),
        with.name,
        shown(given, volume),
        shown(given, gravity),
        strength.get(),
    ));
    for outcome in with.outcomes(mass, around[0], around[1]) {
        answer = answer.result(outcome);
    }
    Ok(answer
        .result(result("gravity", "Gravity after", gravity))
        .result(result("volume", "Volume after", volume))
        .result(
            result("strength", "Strength after", strength)
                .note("Thinned by what is added."),
        )
        .result(result("sugar", "Extract to the litre after", after.extract_per_litre()?))
        .result(
            result("restart-gravity", "If it restarted, it would fall to", fallen)
                .note("All that can ferment of what was added; what was left before comes on top, and a yeast may stop above it."),
        )
        .result(reached("restart-strength", "and reach", stronger))
        .result(
            result("restart-gas", "and give off carbon dioxide", again.carbon_dioxide)
                .note("To the litre. Sparkling wine holds about 12 g/L at 6 bar (common practice, no source)."),
        )
        .formula(TABARIE)
        .formula(Formula {
            name: "Balling's relation for a restart",
            source: "2.0665 g extract to 1 g alcohol and 0.9565 g carbon dioxide (constants from memory)",
        })
        .how_sure(
            "The range of the mass is what 0.001 in the gravity, or 0.1 g in the glass, makes. Add nine tenths, stir, \
             taste and read again: sweetness also goes by acid.",
        )
        .caution(CAUTION)
        .step(Step {
            doses: vec![with.dose(mass)],
            volume: Some(volume),
            gravity: Some(gravity),
            ..Step::new(
                What::Sweeten,
                format!("{} {} to {:.4}", shown(given, mass), with.name, gravity.get()),
            )
        }))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Fact, Filling, Known};
    use crate::units::{AbvPercent, Gravity, Litres};

    const DRY: [(&str, &str); 3] = [
        ("volume", "10 L"),
        ("gravity", "0.998"),
        ("strength", "12 %"),
    ];

    fn with<'a>(more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
        DRY.into_iter().chain(more.iter().copied()).collect()
    }

    #[test]
    fn to_a_gravity() {
        let told = ask("sweeten", &with(&[("target", "1.015")])).unwrap();
        assert!((value(&told, "gravity") - 1.015).abs() < 5e-5);
        assert!(value(&told, "strength") < 11.7 && value(&told, "volume") > 10.3);
        let kg = value(&told, "mass");
        assert!((kg * 1000.0 - (kg * 1000.0).round()).abs() < 1e-9);
        let range = told.results.iter().find(|r| r.key == "mass").unwrap();
        assert!(range.low.unwrap() < kg && kg < range.high.unwrap());
        assert!(told.sentence.contains("not stopped"));
        assert!(!told.cautions.is_empty());
        assert!(value(&told, "restart-gravity") < 1.005);
        let juice = ask(
            "sweeten",
            &with(&[("target", "1.005"), ("with", "grape-juice")]),
        )
        .unwrap();
        assert!(value(&juice, "volume") > 11.0);
        let syrup = ask(
            "sweeten",
            &with(&[("target", "1.005"), ("with", "syrup"), ("syrup", "65")]),
        )
        .unwrap();
        assert!(value(&syrup, "mass") > 0.1);
    }

    #[test]
    fn from_the_record() {
        let mut known = Known::default();
        known.set(Fact::Volume, Litres::computed(18.0), "noted on Monday");
        known.set(Fact::Gravity, Gravity::computed(1.001), "the float");
        known.set(Fact::Strength, AbvPercent::computed(13.2), "its gravities");
        known.fill(Fact::Stabilised, Filling::Words("yes".into()), "its log");
        let told = ask_knowing("sweeten", &[("target", "1.012")], &known).unwrap();
        assert!(!told.sentence.contains("not stopped"));
        let deed = told.step.unwrap().deed;
        assert_eq!(deed.what, crate::deed::What::Sweeten);
        assert!(deed.volume.unwrap().get() > 18.2);
    }

    #[test]
    fn from_the_glass() {
        let told = ask("bench-trial", &with(&[("in-glass", "4.5 g")])).unwrap();
        assert!((value(&told, "mass") - 0.45).abs() < 1e-9);
        let half = ask(
            "bench-trial",
            &with(&[("in-glass", "4.5 g"), ("glass", "200 mL")]),
        )
        .unwrap();
        assert!((value(&half, "mass") - 0.225).abs() < 1e-9);
    }

    #[test]
    fn nonsense_is_named() {
        let said =
            |key: &str, more: &[(&str, &str)]| ask(key, &with(more)).unwrap_err().to_string();
        assert_eq!(
            said("sweeten", &[("target", "0.990")]),
            "Gravity wanted: it already reads 0.9980, above 0.9900"
        );
        assert!(
            said("sweeten", &[("target", "1.1"), ("with", "apple-juice")])
                .contains("does not reach")
        );
        assert_eq!(
            said("sweeten", &[("target", "1.01"), ("with", "syrup")]),
            "Extract of the syrup or juice: needed for a syrup or juice of your own, in °Bx"
        );
        assert!(
            said("sweeten", &[("target", "1.01"), ("strength", "140")])
                .contains("Strength now: strength 140 is outside 0 to 25 % vol")
        );
        assert!(
            said("sweeten", &[("target", "1.01"), ("gravity", "0.96")])
                .contains("even without any sugar")
        );
        assert!(
            said("bench-trial", &[("in-glass", "-3 g")])
                .contains("Put into the glass: mass -3 is outside")
        );
        assert!(
            said("bench-trial", &[("in-glass", "3 g"), ("glass", "0")]).contains("more than 0 mL")
        );
    }

    #[test]
    fn a_restart_past_what_yeast_makes_is_said_in_words() {
        let told = ask(
            "sweeten",
            &[
                ("volume", "10 L"),
                ("gravity", "1.000"),
                ("strength", "18 %"),
                ("target", "1.080"),
            ],
        )
        .unwrap();
        let restart = told
            .results
            .iter()
            .find(|r| r.key == "restart-strength")
            .unwrap();
        assert_eq!(restart.text, "more than 25 % vol");
        assert!(told.step.is_some());
    }

    /// A reading lower by 0.001 cannot be here; the range still holds the answer.
    #[test]
    fn the_range_holds_the_answer_at_the_driest() {
        let told = ask(
            "sweeten",
            &[
                ("volume", "10 L"),
                ("gravity", "0.985"),
                ("strength", "12 %"),
                ("target", "1.000"),
            ],
        )
        .unwrap();
        let mass = told.results.iter().find(|r| r.key == "mass").unwrap();
        assert!(mass.low.unwrap() < mass.value.unwrap());
        assert_eq!(mass.high, mass.value);
        // So near that a higher reading is there already.
        let near = ask(
            "sweeten",
            &with(&[("gravity", "1.0095"), ("target", "1.010")]),
        )
        .unwrap();
        let mass = near.results.iter().find(|r| r.key == "mass").unwrap();
        assert_eq!(mass.low, Some(0.0));
    }
}
