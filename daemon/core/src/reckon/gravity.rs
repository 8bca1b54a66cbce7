//! One gravity on every scale.

use super::answer::{Answer, Formula, result};
use super::scale::shown;
use super::{Complaints, Fact, Field, Given, Reckoning};
use crate::density::scale::{from_60_60, to_60_60};
use crate::density::{gravity_from_density, mixture, plato_from_gravity, water};
use crate::units::{Density, GramsPerLitre, Gravity, Plato};

pub static GRAVITY: Reckoning = Reckoning {
    key: "gravity",
    title: "Gravity on every scale",
    says: "What a gravity is in °Plato, °Brix, sugar to the litre and kilograms to the cubic metre, and back from each.",
    gate: None,
    fields: &[
        Field::number::<Gravity>("gravity", "Gravity")
            .may_be_left()
            .hint("As 1.090, 21.6 °P or 21.6 °Bx; at 20 °C. Or fill one of those below.")
            .fill(Fact::Gravity),
        Field::number::<Gravity>("sg-60", "Or gravity on the 60/60 °F scale").may_be_left(),
        Field::number::<GramsPerLitre>("sugar", "Or sugar to the litre").may_be_left(),
        Field::number::<Density>("density", "Or density at 20 °C").may_be_left(),
    ],
    run,
};

/// The other ways to say it.
const OTHERS: [&str; 3] = ["sg-60", "sugar", "density"];

/// The one that was given, whichever way. What is typed goes before what is on record.
fn given_gravity(given: &Given) -> Result<Gravity, Complaints> {
    let typed: Vec<&str> = std::iter::once("gravity")
        .chain(OTHERS)
        .filter(|key| given.typed(key))
        .collect();
    if let [_, second, ..] = typed[..] {
        return Err(given
            .complain(second, "fill one of these fields, not two")
            .into());
    }
    let outside = |key: &str, e: &dyn std::fmt::Display| given.complain(key, &e.to_string());
    if let Some(g) = given.maybe::<Gravity>("sg-60") {
        return from_60_60(g, None).map_err(|e| outside("sg-60", &e).into());
    }
    if let Some(sugar) = given.maybe::<GramsPerLitre>("sugar") {
        let rho = mixture::of_must(sugar);
        return gravity_from_density(rho.get()).map_err(|e| outside("sugar", &e).into());
    }
    if let Some(rho) = given.maybe::<Density>("density") {
        return gravity_from_density(rho.get()).map_err(|e| outside("density", &e).into());
    }
    Ok(given.need("gravity")?)
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    let gravity = given_gravity(given)?;
    let extract = plato_from_gravity(gravity);
    let density = gravity.get() * water::density(20.0);
    let at_60 = to_60_60(gravity, None).map_err(|e| given.complain("gravity", &e.to_string()))?;
    let sugar = (extract.get() / 100.0 * density).max(0.0);
    let answer = Answer::new(format!(
        "A must of {} holds {:.2} % extract by mass, {sugar:.0} g in a litre.",
        shown(given, gravity),
        extract.get(),
    ))
    .result(result("sg-20", "SG 20/20 °C", gravity))
    .result(
        result("sg-60", "SG 60/60 °F", at_60).note("As a hydrometer marked for 60 °F means it."),
    )
    .result(result(
        "extract",
        "Extract (°Plato, °Brix)",
        Plato::computed(extract.get()),
    ))
    .result(result(
        "sugar",
        "Extract to the litre",
        GramsPerLitre::computed(sugar),
    ))
    .result(result(
        "density",
        "Density at 20 °C",
        Density::computed(density),
    ))
    .formula(Formula {
        name: "density of sucrose solutions",
        source: "ICUMSA SPS-4 (1998), Bubník et al. 1995; its inverse by root finding",
    })
    .formula(Formula {
        name: "density of water",
        source: "CIPM, Tanaka et al., Metrologia 38 (2001) 301",
    });
    Ok(answer.how_sure(
        "Honey must follows sucrose to 0.0006. A reading that is 0.001 off is 0.25 °P off. In a \
         mead the alcohol lowers gravity, so this is its apparent extract, less than what is in it.",
    ))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Fact, Known, Refusal};
    use crate::units::Gravity;

    #[test]
    fn every_scale_leads_to_the_same() {
        let sg = ask("gravity", &[("gravity", "1,080")]).unwrap();
        let plato = ask("gravity", &[("gravity", "19.342 °P")]).unwrap();
        assert!((value(&sg, "sg-20") - value(&plato, "sg-20")).abs() < 1e-5);
        assert!((value(&sg, "extract") - 19.342).abs() < 1e-3);
        // 24 mass per cent is 264 g/L, not 240.
        let rich = ask("gravity", &[("gravity", "24 Bx")]).unwrap();
        assert!((value(&rich, "sugar") - 263.8).abs() < 0.2);
    }

    #[test]
    fn and_back_from_every_scale() {
        let told = ask("gravity", &[("gravity", "1.0923")]).unwrap();
        for key in ["sg-60", "sugar", "density"] {
            let text = format!("{}", value(&told, key));
            let back = ask("gravity", &[(key, &text)]).unwrap();
            assert!((value(&back, "sg-20") - 1.0923).abs() < 1e-9, "{key}");
        }
        let syrup = ask("gravity", &[("sugar", "26.38 g/100 mL")]).unwrap();
        assert!((value(&syrup, "extract") - 24.0).abs() < 0.01);
    }

    #[test]
    fn what_is_typed_goes_before_the_record() {
        let mut known = Known::default();
        known.set(Fact::Gravity, Gravity::computed(1.02), "the float");
        let told = ask_knowing("gravity", &[("sugar", "200")], &known).unwrap();
        assert!(value(&told, "sg-20") > 1.07);
        let told = ask_knowing("gravity", &[], &known).unwrap();
        assert!((value(&told, "sg-20") - 1.02).abs() < 1e-12);
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| {
            let Err(Refusal::Fields(all)) = ask("gravity", fields) else {
                panic!("{fields:?} was taken");
            };
            all.iter().map(|c| c.say.clone()).collect::<Vec<_>>()
        };
        assert_eq!(
            said(&[("gravity", "9")]),
            ["Gravity: gravity 9 is outside 0.95 to 1.25 SG"]
        );
        assert_eq!(said(&[]), ["Gravity: this is needed"]);
        assert_eq!(
            said(&[("gravity", "1.05"), ("sugar", "100")]),
            ["Or sugar to the litre: fill one of these fields, not two"]
        );
        assert!(said(&[("sugar", "1000")])[0].contains("outside 0.95 to 1.25"));
        assert!(said(&[("density", "700")])[0].contains("outside 0.95 to 1.25"));
    }
}
