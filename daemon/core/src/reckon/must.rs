//! A must from its ingredients: what to weigh, or what it gives.

use super::answer::{Amount, Answer, Formula, Step, Table, result, table};
use super::field::{Choice, Field};
use super::scale::shown;
use super::strength::could;
use super::sweet::{
    self, BALANCE, Brought, HONEY_OR_SUGAR, INGREDIENT, Sweet, WATER, brought, to_scale,
};
use super::{Complaints, Fact, Given, Reckoning};
use crate::deed::{Substance, What};
use crate::density::water;
use crate::liquid::LiquidError;
use crate::must::ingredient::{
    HONEY_FERMENTS, HONEY_FERMENTS_LEAST, HONEY_FERMENTS_MOST, Ingredient, Portion,
};
use crate::must::{MustError, to_target};
use crate::strength::by_law;
use crate::units::{GramsPerLitre, Gravity, Kilograms, Litres, MassPercent, Percent};

pub static MUST: Reckoning = Reckoning {
    key: "must",
    title: "A must from honey, juice, fruit and sugar",
    says: "What to weigh for a volume and a gravity, or what gravity given masses give.",
    gate: None,
    fields: &[
        Field::choice("want", "What is wanted", WANT),
        Field::number::<Litres>("volume", "Volume of must")
            .may_be_left()
            .fill(Fact::Volume),
        Field::number::<Gravity>("gravity", "Gravity wanted")
            .may_be_left()
            .fill(Fact::OriginalGravity)
            .hint("At 20 °C."),
        Field::choice("with", "Made up with", HONEY_OR_SUGAR)
            .hint("Honey or sugar to reach the gravity."),
        sweet::MOISTURE,
        sweet::HONEY_INDEX,
        Field::rows("parts", "Already decided", INGREDIENT, 0, 10),
        Field::number::<Kilograms>("water", "Water")
            .may_be_left()
            .hint("When masses are given: 1 L is 0.998 kg."),
    ],
    run,
};

const WANT: &[Choice] = &[
    Choice {
        key: "masses",
        label: "what to weigh for this volume and gravity",
    },
    Choice {
        key: "gravity",
        label: "what these masses give",
    },
];

/// What a must by mass is good to, SG.
const HALF: f64 = 0.003;

fn run(given: &Given) -> Result<Answer, Complaints> {
    let mut parts = Vec::new();
    for row in given.rows("parts") {
        parts.push(brought(given, &row)?);
    }
    let together = parts
        .iter()
        .fold(Portion::NOTHING, |all, p| all.with(p.portion));
    if given.choice("want") == "masses" {
        to_weigh(given, &parts, together)
    } else {
        what_it_gives(given, &parts, together)
    }
}

fn to_weigh(given: &Given, parts: &[Brought], together: Portion) -> Result<Answer, Complaints> {
    let volume: Litres = given.need("volume")?;
    let gravity: Gravity = given.need("gravity")?;
    if volume.get() <= 0.0 {
        return Err(given.complain("volume", "it must be more than 0 L").into());
    }
    let main = sweet::by_key(given, given.choice("with"))?;
    let recipe = to_target(volume, gravity, main.ingredient, together).map_err(|e| {
        let key = match &e {
            MustError::Liquid(_) | MustError::OutOfReach { .. } => "gravity",
            MustError::TooSweet { .. } | MustError::TooWet { .. } => "parts",
        };
        given.complain(key, &e.to_string())
    })?;
    let (mass, pour) = (to_scale(recipe.sweet), to_scale(recipe.water));
    // One per cent of water in the honey either way.
    let other = |by: f64| {
        let ingredient = match main.of {
            Substance::Honey => {
                Ingredient::honey(MassPercent::computed(main.ingredient.water().get() + by))
            }
            _ => main.ingredient,
        };
        to_target(volume, gravity, ingredient, together).map_or(mass, |r| to_scale(r.sweet))
    };
    let mut answer = Answer::new(format!(
        "Weigh {} of {} and {} of water{} for {} at {}.",
        shown(given, mass),
        main.name,
        shown(given, pour),
        if parts.is_empty() {
            ""
        } else {
            " beside what is already decided"
        },
        shown(given, volume),
        shown(given, gravity),
    ));
    for outcome in main.outcomes(mass, other(-1.0), other(1.0)) {
        answer = answer.result(outcome);
    }
    answer = answer.result(result("water", "Water", pour)).result(
        result(
            "water-volume",
            "The same by volume",
            Litres::computed(recipe.water.get() / water::density(20.0) * 1000.0),
        )
        .note("Make up to the mark at the end rather than adding volumes: they shrink when mixed."),
    );
    let mut lines = vec![(&main, mass), (&WATER, pour)];
    lines.extend(parts.iter().map(|p| (&p.what, p.mass)));
    finish(given, answer, &recipe.must, &lines)
}

fn what_it_gives(
    given: &Given,
    parts: &[Brought],
    together: Portion,
) -> Result<Answer, Complaints> {
    if parts.is_empty() {
        return Err(given
            .complain("parts", "at least one ingredient is needed")
            .into());
    }
    let water = given
        .maybe::<Kilograms>("water")
        .unwrap_or(Kilograms::computed(0.0));
    let poured = Ingredient::WATER
        .portion(water)
        .map_err(|e| given.complain("water", &e.to_string()))?;
    let must = together.with(poured);
    let at_fault = |e: LiquidError| given.complain("parts", &e.to_string());
    let (volume, gravity) = (
        must.liquid.volume().map_err(at_fault)?,
        must.liquid.gravity().map_err(at_fault)?,
    );
    let answer = Answer::new(format!(
        "{} at {}.",
        shown(given, volume),
        shown(given, gravity)
    ));
    let mut lines: Vec<_> = parts.iter().map(|p| (&p.what, p.mass)).collect();
    lines.push((&WATER, water));
    finish(given, answer, &must, &lines)
}

fn finish(
    given: &Given,
    answer: Answer,
    must: &Portion,
    lines: &[(&Sweet, Kilograms)],
) -> Result<Answer, Complaints> {
    tell(answer, must, lines).map_err(|e| given.complain("gravity", &e.to_string()).into())
}

fn tell(
    answer: Answer,
    must: &Portion,
    lines: &[(&Sweet, Kilograms)],
) -> Result<Answer, LiquidError> {
    let (volume, gravity) = (must.liquid.volume()?, must.liquid.gravity()?);
    let sg = |off: f64| Gravity::computed(gravity.get() + off);
    let extract = must.liquid.extract().get();
    let share = if extract > 0.0 {
        100.0 * must.fermentable.get() / extract
    } else {
        HONEY_FERMENTS.get()
    };
    let off = |honeys: Percent| {
        let off = honeys.get() - HONEY_FERMENTS.get();
        Percent::computed((share + off).clamp(0.0, 100.0))
    };
    let (could, _) = could(
        gravity,
        [HONEY_FERMENTS_LEAST, HONEY_FERMENTS, HONEY_FERMENTS_MOST].map(off),
    )?;
    let counted = by_law(GramsPerLitre::computed(
        must.fermentable.get() * 1000.0 / volume.get(),
    ));
    let mut answer = answer
        .result(result("gravity", "Gravity", gravity).between(sg(-HALF), sg(HALF)))
        .result(result("volume", "Volume of must at 20 °C", volume))
        .result(result("extract", "Extract in it", must.liquid.extract()))
        .result(
            could.and_note(format!(
                "Where the yeast bears it. By 16.83 g of sugar to 1 % vol, as wine law counts, it would be {:.1} % vol.",
                counted.get()
            )),
        );
    let mut weigh: Table = table(
        "weigh",
        "What goes in",
        &[("what", "What"), ("mass", "Mass")],
    );
    for (what, mass) in lines {
        weigh = weigh.row(vec![Amount::Words(what.name.to_owned()), Amount::of(*mass)]);
    }
    // Its gravity is left out: reckoned is not measured.
    let weighed = lines.iter().filter(|(_, mass)| mass.get() > 0.0);
    answer = answer.table(weigh).step(Step {
        doses: weighed.map(|(what, mass)| what.dose(*mass)).collect(),
        volume: Some(volume),
        ..Step::new(What::Pitch, "the must as it was weighed")
    });
    if must.pulp.get() > 0.0 {
        answer = answer.result(
            result("pulp", "Fruit that does not dissolve", must.pulp)
                .note("It takes room beside the must and holds some of it back."),
        );
    }
    Ok(answer
        .formula(BALANCE)
        .formula(Formula {
            name: "composition of fruit, juice and sugar",
            source: "USDA National Nutrient Database SR 27 (2014); honey's mean water USDA Technical Bulletin 1261 (1962), as quoted by Crane 1980",
        })
        .formula(Formula {
            name: "strength its sugar is counted for",
            source: "16.83 g/L for 1 % vol: French order of 14 September 2012, annex IV, after the OIV",
        })
        .how_sure(
            "Give or take 0.003: one per cent of water more or less in the honey is 0.001, fruit of one kind differs by a \
             fifth. Sugar comes out of whole and dried fruit over days, so the first reading shows less than this.",
        ))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    #[test]
    fn to_weigh_and_back() {
        let told = ask(
            "must",
            &[
                ("volume", "20 L"),
                ("gravity", "1.095"),
                ("parts.1.what", "raspberry"),
                ("parts.1.mass", "3 kg"),
            ],
        )
        .unwrap();
        let (honey, water) = (value(&told, "mass"), value(&told, "water"));
        assert!(
            (honey * 100.0 - (honey * 100.0).round()).abs() < 1e-9,
            "10 g steps"
        );
        let back = ask(
            "must",
            &[
                ("want", "gravity"),
                ("parts.1.what", "honey"),
                ("parts.1.mass", &format!("{honey} kg")),
                ("parts.2.what", "raspberry"),
                ("parts.2.mass", "3000 g"),
                ("water", &format!("{water}")),
            ],
        )
        .unwrap();
        assert!((value(&back, "gravity") - 1.095).abs() < 1e-4);
        assert!((value(&back, "volume") - 20.0).abs() < 0.02);
        assert!(value(&back, "pulp") > 0.0);
        assert!(
            told.sentence.starts_with("Weigh 5.830 kg of honey"),
            "{}",
            told.sentence
        );
    }

    /// Raisins that are known to be sweeter bring more.
    #[test]
    fn the_maker_may_know_better() {
        let of = |sugar: &str| {
            let told = ask(
                "must",
                &[
                    ("want", "gravity"),
                    ("parts.1.what", "raisin"),
                    ("parts.1.mass", "1"),
                    ("parts.1.sugar", sugar),
                    ("water", "5"),
                ],
            );
            value(&told.unwrap(), "gravity")
        };
        assert!(of("70 %") > of(""));
    }

    /// Bogdanov, Book of Honey, chapter 4: nD 1.4865 is 20.0 % water.
    #[test]
    fn honey_by_its_index() {
        let of = |more: (&'static str, &'static str)| {
            ask("must", &[("volume", "20"), ("gravity", "1.1"), more])
        };
        let by_index = of(("honey-index", "1.4865")).unwrap();
        let by_water = of(("moisture", "20 %")).unwrap();
        assert!((value(&by_index, "mass") - value(&by_water, "mass")).abs() < 0.011);
        let error = of(("honey-index", "1.40")).unwrap_err().to_string();
        assert!(
            error.starts_with("Or the honey's refractive index: "),
            "{error}"
        );
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("must", fields).unwrap_err().to_string();
        assert_eq!(
            said(&[("gravity", "1.09")]),
            "Volume of must: this is needed"
        );
        assert!(said(&[("volume", "0"), ("gravity", "1.09")]).contains("more than 0 L"));
        assert!(said(&[("volume", "-5"), ("gravity", "1.09")]).contains("outside 0 to 100000 L"));
        assert_eq!(
            said(&[
                ("volume", "5"),
                ("gravity", "1.06"),
                ("parts.1.what", "sugar"),
                ("parts.1.mass", "3 kg")
            ]),
            "Already decided: what is given already brings more sugar than 1.0600 in that volume takes"
        );
        assert!(
            said(&[("volume", "5"), ("gravity", "1.06"), ("moisture", "60")])
                .contains("Water in the honey: 60 % is outside 12 to 27 %")
        );
        assert_eq!(
            said(&[("want", "gravity")]),
            "Already decided: at least one ingredient is needed"
        );
        let own = said(&[
            ("want", "gravity"),
            ("parts.1.what", "own"),
            ("parts.1.mass", "1 kg"),
        ]);
        assert_eq!(
            own,
            "Its sugar: needed for something that is not in the list"
        );
    }

    /// A must of which more than 25 % vol could come is weighed all the same.
    #[test]
    fn a_thick_must_is_not_refused_for_what_it_could_reach() {
        let told = ask("must", &[("volume", "10 L"), ("gravity", "1.170")]).unwrap();
        assert!((value(&told, "gravity") - 1.170).abs() < 5e-4);
        let potential = told.results.iter().find(|r| r.key == "potential").unwrap();
        assert_eq!(potential.text, "more than 25 % vol");
        assert_eq!((potential.value, potential.low), (None, None));
        // Here only the most it could reach lies beyond.
        let told = ask("must", &[("volume", "10 L"), ("gravity", "1.157")]).unwrap();
        let potential = told.results.iter().find(|r| r.key == "potential").unwrap();
        assert!(potential.value.unwrap() < 25.0 && potential.high.is_none());
        assert!(
            potential.note.contains("more than 25 % vol"),
            "{}",
            potential.note
        );
    }
}
