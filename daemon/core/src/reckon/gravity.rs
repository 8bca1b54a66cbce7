//! One gravity on every scale.

use super::answer::{Answer, Formula, result};
use super::{Complaints, Fact, Field, Given, Reckoning};
use crate::density::{plato_from_gravity, sucrose, water};
use crate::units::{Density, GramsPerLitre, Gravity, Plato};

pub static GRAVITY: Reckoning = Reckoning {
    key: "gravity",
    title: "Gravity on every scale",
    says: "What a gravity is in °Plato, °Brix, sugar to the litre and kilograms to the cubic metre.",
    gate: None,
    fields: &[Field::number::<Gravity>("gravity", "Gravity")
        .hint("As 1.090, 21.6 °P or 21.6 °Bx; at 20 °C.")
        .fill(Fact::Gravity)],
    run,
};

/// 60 °F in °C.
const F60: f64 = 140.0 / 9.0;

fn run(given: &Given) -> Result<Answer, Complaints> {
    let gravity: Gravity = given.need("gravity")?;
    let extract = plato_from_gravity(gravity);
    let density = gravity.get() * water::density(20.0);
    let at_60 = sucrose::density(extract.get(), F60) / water::density(F60);
    let sugar = (extract.get() / 100.0 * density).max(0.0);
    let answer = Answer::new(format!(
        "A must of {:.4} holds {:.2} % extract by mass, {sugar:.0} g in a litre.",
        gravity.get(),
        extract.get(),
    ))
    .result(result("sg-20", "SG 20/20 °C", gravity))
    .result(
        result("sg-60", "SG 60/60 °F", Gravity::computed(at_60))
            .note("As a hydrometer marked for 60 °F means it."),
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
    use crate::reckon::Refusal;
    use crate::reckon::tests::{ask, value};

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
    fn nonsense_is_named() {
        let Err(Refusal::Fields(all)) = ask("gravity", &[("gravity", "9")]) else {
            panic!("9 was taken for a gravity");
        };
        let said: Vec<&str> = all.iter().map(|c| c.say.as_str()).collect();
        assert_eq!(said, ["Gravity: gravity 9 is outside 0.95 to 1.25 SG"]);
        assert!(ask("gravity", &[]).is_err());
    }
}
