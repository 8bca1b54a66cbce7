//! A refractometer in something fermented.

use super::answer::{Answer, Formula, result};
use super::scale::shown;
use super::{Choice, Complaints, Fact, Field, Given, Reckoning};
use crate::density::plato_from_gravity;
use crate::liquid::{Liquid, LiquidError};
use crate::refraction::{GRAVITY_ERROR, STRENGTH_ERROR, brix, with_gravity, with_original};
use crate::units::{AbvPercent, Brix, Gravity, Plato, RefractiveIndex};

pub static REFRACTOMETER: Reckoning = Reckoning {
    key: "refractometer",
    title: "Refractometer with alcohol",
    says: "What a refractometer's reading in a fermenting must or a mead means, with a gravity or with the original: an estimate.",
    gate: None,
    fields: &[
        Field::number::<Brix>("reading", "Refractometer reading")
            .may_be_left()
            .hint("On the sucrose scale, °Bx, at 20 °C or corrected to it. Or the refractive index below."),
        Field::number::<RefractiveIndex>("index", "Or refractive index").may_be_left(),
        Field::choice("by", "Together with", BY),
        Field::number::<Gravity>("original", "Gravity before fermentation")
            .may_be_left()
            .fill(Fact::OriginalGravity),
        Field::number::<Gravity>("gravity", "Gravity now")
            .may_be_left()
            .hint("By hydrometer or float.")
            .fill(Fact::Gravity),
    ],
    run,
};

const BY: &[Choice] = &[
    Choice {
        key: "original",
        label: "the gravity before fermentation",
    },
    Choice {
        key: "gravity",
        label: "the gravity now",
    },
];

/// Further apart than this a gravity that was read and the estimate contradict each other.
const APART: f64 = 0.005;

fn reading(given: &Given) -> Result<Brix, Complaints> {
    match (
        given.maybe("reading"),
        given.maybe::<RefractiveIndex>("index"),
    ) {
        (Some(_), Some(_)) => Err(given
            .complain("index", "fill this or the reading, not both")
            .into()),
        (Some(read), None) => Ok(read),
        (None, Some(n)) => brix(n).map_err(|e| given.complain("index", &e.to_string()).into()),
        (None, None) => Err(given
            .complain("reading", "this is needed, or the refractive index")
            .into()),
    }
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    let read = reading(given)?;
    let from_original = given.choice("by") == "original";
    let at = if given.maybe::<Brix>("reading").is_some() {
        "reading"
    } else {
        "index"
    };
    let found = if from_original {
        with_original(read, given.need("original")?)
    } else {
        with_gravity(read, given.need("gravity")?)
    };
    let mead = found.map_err(|e| given.complain(at, &e.to_string()))?;
    tell(given, read, mead, from_original).map_err(|e| given.complain(at, &e.to_string()).into())
}

fn tell(
    given: &Given,
    read: Brix,
    mead: Liquid,
    from_original: bool,
) -> Result<Answer, LiquidError> {
    let (strength, gravity) = (mead.strength()?, mead.gravity()?);
    let abv = |off: f64| AbvPercent::computed((strength.get() + off).max(0.0));
    let sg = |off: f64| Gravity::computed(gravity.get() + off);
    let measured: Option<Gravity> = given.maybe::<Gravity>("gravity").filter(|_| from_original);
    let apart = measured.filter(|g| (g.get() - gravity.get()).abs() > APART);
    let contradicts = match apart {
        Some(measured) => format!(
            " The gravity now is given as {}, which does not go with it: trust the hydrometer, and look at the original \
             gravity again, or at what was added since.",
            shown(given, measured)
        ),
        None => String::new(),
    };
    let gravity_words = if from_original {
        format!("gravity about {}, ", shown(given, gravity))
    } else {
        String::new()
    };
    let mut answer = Answer::new(format!(
        "An estimate: {gravity_words}{:.1} % vol, give or take half a per cent.{contradicts}",
        strength.get()
    ))
    .result(
        result("abv", "Strength, estimated", strength)
            .between(abv(-STRENGTH_ERROR), abv(STRENGTH_ERROR)),
    );
    answer = answer.result(if from_original {
        result("gravity", "Gravity, estimated", gravity)
            .between(sg(-GRAVITY_ERROR), sg(GRAVITY_ERROR))
    } else {
        result("gravity", "Gravity now, as given", gravity)
    });
    Ok(answer
        .result(
            result("real-extract", "Extract in it", Plato::computed(mead.extract_share().get()))
                .note("What sweetness goes by."),
        )
        .result(result(
            "apparent-extract",
            "Extract a hydrometer shows",
            plato_from_gravity(gravity),
        ))
        .result(
            result("reading", "Refractometer reading", read)
                .note("More than is in it: alcohol bends light more than water."),
        )
        .formula(Formula {
            name: "Lorentz and Lorenz, specific refractions added by mass",
            source: "0.20606, 0.20632, 0.27754 cm³/g, fitted here to the CRC Handbook (102nd ed.); within 0.5 % vol of Rogerson, Symington, Am. J. Enol. Vitic. 57 (2006) 486",
        })
        .formula(Formula {
            name: "Balling's relation with Tabarié's addition",
            source: "constants from memory, held to HMRC Excise Notice 226 section 30.3",
        })
        .how_sure(
            "Marked as an estimate: ±0.003 SG and ±0.5 % vol. A tenth of a °Bx in the reading is 0.0007 SG and 0.1 % vol; \
             honey's own colour and haze add to it. Settle whether it has finished by hydrometer, not by this.",
        ))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    #[test]
    fn with_the_original_or_the_gravity() {
        let told = ask(
            "refractometer",
            &[("reading", "10.2 Bx"), ("original", "24 Bx")],
        )
        .unwrap();
        let gravity = value(&told, "gravity");
        assert!((1.0..1.012).contains(&gravity), "{gravity}");
        assert!(
            told.sentence.starts_with("An estimate: gravity about 1.00"),
            "{}",
            told.sentence
        );
        let text = format!("{gravity}");
        let both = ask(
            "refractometer",
            &[("reading", "10.2"), ("by", "gravity"), ("gravity", &text)],
        )
        .unwrap();
        assert!((value(&both, "abv") - value(&told, "abv")).abs() < 1e-6);
    }

    #[test]
    fn a_contradiction_is_said() {
        let told = ask(
            "refractometer",
            &[
                ("reading", "10.2"),
                ("original", "1.101"),
                ("gravity", "1.030"),
            ],
        )
        .unwrap();
        assert!(told.sentence.contains("does not go with it"));
    }

    #[test]
    fn by_refractive_index() {
        // OIV-MA-AS2-02 table II: nD 1.36384 is 20 °Bx.
        let by_index = ask(
            "refractometer",
            &[("index", "1.36384"), ("original", "1.100")],
        )
        .unwrap();
        assert!((value(&by_index, "reading") - 20.0).abs() < 0.03);
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("refractometer", fields).unwrap_err().to_string();
        assert!(
            said(&[("reading", "30"), ("original", "1.080")])
                .contains("Refractometer reading: 30.0 °Bx cannot come of 19.3 °Bx")
        );
        assert_eq!(
            said(&[("original", "1.080")]),
            "Refractometer reading: this is needed, or the refractive index"
        );
        assert!(
            said(&[("reading", "10"), ("by", "gravity")]).contains("Gravity now: this is needed")
        );
        assert!(
            said(&[("reading", "10"), ("index", "1.35"), ("original", "1.08")])
                .contains("not both")
        );
        assert!(
            said(&[("reading", "99"), ("original", "1.08")]).contains("99 is outside 0 to 85 °Bx")
        );
        assert!(
            said(&[("reading", "3"), ("by", "gravity"), ("gravity", "1.050")])
                .contains("cannot go with a gravity")
        );
    }
}
