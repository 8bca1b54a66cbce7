//! Strength, extract, attenuation and energy.

use super::answer::{Answer, Formula, Outcome, result};
use super::field::Field;
use super::scale::shown;
use super::sweet::{self, INGREDIENT, brought};
use super::{Complaints, Fact, Given, Reckoning};
use crate::liquid::{Liquid, LiquidError, Step, carry};
use crate::must::ingredient::{HONEY_FERMENTS, HONEY_FERMENTS_LEAST, HONEY_FERMENTS_MOST};
use crate::strength::{TABLE_ENDS, of_liquid, potential, uncertainty};
use crate::units::{AbvPercent, Gravity, Litres, Percent, Quantity};

pub static STRENGTH: Reckoning = Reckoning {
    key: "strength",
    title: "Strength",
    says: "How strong it is, how much of the sugar is gone, and what is left; with honey, fruit or water added on the way.",
    gate: None,
    fields: &[
        Field::number::<Gravity>("original", "Gravity before fermentation")
            .hint("At 20 °C.")
            .fill(Fact::OriginalGravity),
        Field::number::<Gravity>("gravity", "Gravity now")
            .hint("At 20 °C.")
            .fill(Fact::Gravity),
        Field::number::<Litres>("volume", "Volume at the start")
            .may_be_left()
            .hint("Only needed when something was added."),
        Field::rows("added", "Added on the way", INGREDIENT, 0, 8)
            .hint("Only what the gravity before fermentation does not count yet."),
        sweet::MOISTURE,
        sweet::HONEY_INDEX,
    ],
    run,
};

fn run(given: &Given) -> Result<Answer, Complaints> {
    let (original, now): (Gravity, Gravity) = (given.need("original")?, given.need("gravity")?);
    let added = given.rows("added");
    let volume = match given.maybe::<Litres>("volume") {
        Some(v) if v.get() > 0.0 => v,
        None if added.is_empty() => Litres::computed(1.0),
        _ => {
            return Err(given
                .complain(
                    "volume",
                    "it is needed to count what was added, and more than 0 L",
                )
                .into());
        }
    };
    let at_fault = |e: LiquidError| given.complain("gravity", &e.to_string());
    let start =
        Liquid::must(volume, original).map_err(|e| given.complain("original", &e.to_string()))?;
    let mut steps = Vec::new();
    for row in &added {
        steps.push(Step::In(brought(given, row)?.portion.liquid));
    }
    steps.push(Step::Reads(now));
    let mead = carry(start, &steps).map_err(|e| at_fault(e.error))?.liquid;
    let s = of_liquid(mead).map_err(at_fault)?;
    let whole = mead.unfermented().gravity().map_err(at_fault)?;
    let half = uncertainty(s.by_volume).get();
    let spread = |v: f64| AbvPercent::computed((s.by_volume.get() + v).max(0.0));
    let (could, dry) = could(
        whole,
        [HONEY_FERMENTS_LEAST, HONEY_FERMENTS, HONEY_FERMENTS_MOST],
    )
    .map_err(at_fault)?;
    let with_added = if added.is_empty() {
        String::new()
    } else {
        format!(
            " Counted with what was added it began as if at {}.",
            shown(given, whole)
        )
    };
    let mut answer = Answer::new(format!(
        "{:.1} % vol, give or take {half:.1}; {:.0} g of extract are left in a litre, sugar and what yeast cannot take.{with_added}",
        s.by_volume.get(),
        s.extract.get(),
    ))
    .result(result("abv", "Strength by volume", s.by_volume).between(spread(-half), spread(half)))
    .result(result("abw", "Strength by mass", s.by_mass))
    .result(
        result("alcohol", "Alcohol in a litre", s.alcohol)
            .note(format!("{:.1} g in 100 mL.", s.alcohol.get() / 10.0)),
    )
    .result(
        result("energy", "Food energy", s.energy)
            .note("With all extract counted as sugar: the most it can be."),
    )
    .result(result(
        "original-extract",
        "Extract before fermentation",
        s.original_extract,
    ))
    .result(
        result("real-extract", "Extract in it", s.real_extract)
            .note("What is really there; sweetness goes by this."),
    )
    .result(
        result(
            "apparent-extract",
            "Extract a hydrometer shows",
            s.apparent_extract,
        )
        .note("Alcohol makes it lighter."),
    )
    .result(result(
        "real-attenuation",
        "Share of the sugar gone",
        s.real_attenuation,
    ))
    .result(
        result(
            "apparent-attenuation",
            "The same as a hydrometer shows it",
            s.apparent_attenuation,
        )
        .note("Above 100 % in a dry mead."),
    )
    .result(
        could.and_note(format!(
            "It would read {} then, by what a yeast takes of honey.",
            shown(given, dry)
        )),
    );
    if !added.is_empty() {
        let after = mead.volume().map_err(at_fault)?;
        answer = answer
            .result(result("volume", "Volume now", after).note("Less what was taken out."))
            .result(result(
                "original-with-added",
                "Gravity before, with what was added",
                whole,
            ));
    }
    let beyond = if s.by_volume.get() > TABLE_ENDS {
        " Above 13.6 % vol nothing published was found to check it against."
    } else {
        ""
    };
    Ok(answer
        .formula(Formula {
            name: "Balling's relation with Tabarié's addition, one root",
            source: "2.0665 g extract to 1 g alcohol (constants from memory); held to HMRC Excise Notice 226 section 30.3 within 0.1 % vol and to Cutaia, Reid, Speers, J. Inst. Brew. 115 (2009) 318",
        })
        .formula(Formula {
            name: "densities",
            source: "ICUMSA SPS-4 for sugar, OIML R 22 for alcohol, CIPM for water",
        })
        .formula(Formula {
            name: "food energy",
            source: "Regulation (EU) 1169/2011 annex XIV: 7 kcal a gram of alcohol, 4 a gram of carbohydrate",
        })
        .how_sure(format!(
            "Give or take {half:.1} % vol: two readings of ±0.001 are 0.2 of it, the relation itself 0.3.{beyond} \
             For a label the law where you sell may ask for a laboratory's figure."
        )))
}

/// What a must could reach with the least, the usual and the most of its extract fermented, and what
/// it would read with the usual.
pub(super) fn could(
    must: Gravity,
    [least, usual, most]: [Percent; 3],
) -> Result<(Outcome, Gravity), LiquidError> {
    let (strength, dry) = potential(must, usual)?;
    let outcome = reached("potential", "Strength if it ferments dry", strength);
    let outcome = match (
        strength,
        potential(must, least)?.0,
        potential(must, most)?.0,
    ) {
        (Some(_), Some(least), Some(most)) => outcome.between(least, most),
        (Some(_), ..) => outcome.note(format!("It could be {}.", beyond_yeast())),
        (None, ..) => outcome,
    };
    Ok((outcome, dry))
}

/// A strength, or in words that it is more than yeast makes.
pub(super) fn reached(
    key: &'static str,
    label: &'static str,
    strength: Option<AbvPercent>,
) -> Outcome {
    match strength {
        Some(strength) => result(key, label, strength),
        None => Outcome::words(key, label, beyond_yeast()),
    }
}

fn beyond_yeast() -> String {
    let measure = AbvPercent::MEASURE;
    format!("more than {} {}", measure.high, measure.unit)
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    /// HMRC Excise Notice 226 section 30.3: 89.7 points at the factor 0.134.
    #[test]
    fn from_two_gravities() {
        let told = ask("strength", &[("original", "1.0897"), ("gravity", "1.000")]).unwrap();
        assert!((value(&told, "abv") - 12.02).abs() < 0.1);
        assert!(
            told.sentence.starts_with("12.0 % vol, give or take 0.5"),
            "{}",
            told.sentence
        );
        assert!(value(&told, "abw") < value(&told, "abv"));
        assert!(value(&told, "potential") > value(&told, "abv"));
        let plato = ask("strength", &[("original", "21.53 °P"), ("gravity", "0 P")]).unwrap();
        assert!((value(&plato, "abv") - value(&told, "abv")).abs() < 0.05);
    }

    #[test]
    fn honey_on_the_way_is_counted() {
        let told = ask(
            "strength",
            &[
                ("original", "1.060"),
                ("gravity", "1.005"),
                ("volume", "18 L"),
                ("added.1.what", "honey"),
                ("added.1.mass", "2.5 kg"),
                ("added.2.what", "raspberry"),
                ("added.2.mass", "1 kg"),
                ("added.3.what", "water"),
                ("added.3.mass", "500 g"),
            ],
        )
        .unwrap();
        assert!(value(&told, "abv") > 10.5, "{}", value(&told, "abv"));
        assert!(value(&told, "volume") > 20.5);
        assert!(
            told.sentence.contains("it began as if at 1.089"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("strength", fields).unwrap_err().to_string();
        assert_eq!(
            said(&[("original", "1.060"), ("gravity", "1.070")]),
            "Gravity now: it reads 1.0600, and fermenting cannot raise that to 1.0700"
        );
        assert!(
            said(&[("original", "1.060"), ("gravity", "0.960")])
                .contains("with every gram of its sugar gone")
        );
        assert!(said(&[("original", "1.4"), ("gravity", "1.0")]).contains("outside 0.95 to 1.25"));
        assert!(
            said(&[
                ("original", "1.06"),
                ("gravity", "1.0"),
                ("added.1.what", "honey"),
                ("added.1.mass", "1")
            ])
            .contains("needed to count what was added")
        );
        let minus = said(&[
            ("original", "1.06"),
            ("gravity", "1.0"),
            ("volume", "10"),
            ("added.1.what", "honey"),
            ("added.1.mass", "-1"),
        ]);
        assert!(
            minus.contains("Mass: mass -1 is outside 0 to 100000 kg"),
            "{minus}"
        );
    }

    #[test]
    fn a_thick_must_is_not_refused_for_what_it_could_reach() {
        let told = ask("strength", &[("original", "1.170"), ("gravity", "1.060")]).unwrap();
        assert!(value(&told, "abv") > 12.0);
        let potential = told.results.iter().find(|r| r.key == "potential").unwrap();
        assert_eq!(potential.text, "more than 25 % vol");
        assert!(potential.note.starts_with("It would read "));
    }

    /// What the maker knows of a fruit counts here as it does in the must.
    #[test]
    fn fruit_that_is_known_better_brings_more() {
        let abv = |sugar: &str| {
            let told = ask(
                "strength",
                &[
                    ("original", "1.080"),
                    ("gravity", "1.000"),
                    ("volume", "10 L"),
                    ("added.1.what", "raisin"),
                    ("added.1.mass", "1 kg"),
                    ("added.1.sugar", sugar),
                ],
            );
            value(&told.unwrap(), "abv")
        };
        assert!(abv("70 %") > abv("") + 0.1);
    }
}
