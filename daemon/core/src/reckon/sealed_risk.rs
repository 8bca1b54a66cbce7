//! What a closed vessel comes to if what may still ferment does.

use super::answer::{Amount, Answer, Formula, Outcome, Table, result, table};
use super::fizz::{
    BURST, CARBONATION, CLOSED, CLOSED_AT, GRAVITY, HEADSPACE, HEIGHT, HENRY, HOTTEST_AT_LEAST,
    KEG, LAW, LEFT, MARGIN, RATING, STRENGTH, TEMPERATURES, TOO_MUCH, WARMEST, WINE, against, at,
    bar, closed, content, most_said, pressure_result, rated, solvent, spread,
};
use super::scale::shown;
use super::{Choice, Complaint, Complaints, Field, Given, Reckoning};
use crate::gas::closed::{Above, Closed};
use crate::gas::room::MOST_GRAMS_A_POINT;
use crate::gas::{priming, volumes};
use crate::units::{Celsius, Fall, GramsPerLitre};

pub static SEALED_RISK: Reckoning = Reckoning {
    key: "sealed-risk",
    title: "Risk of a sealed vessel",
    says: "What pressure a bottle or keg comes to, cool and warm, if the sugar that may still ferment does.",
    gate: None,
    fields: &[
        STRENGTH,
        GRAVITY,
        LEFT.hint("As 0.002 or 2 points. A verdict's upper end, not what is hoped."),
        Field::number::<GramsPerLitre>("sugar", "Fermentable sugar besides")
            .usual("0 g/L")
            .hint("Put in to sweeten or to prime and not yet in the fall above."),
        WARMEST.usual("20 °C"),
        CARBONATION,
        HEADSPACE.usual("3 %"),
        Field::choice(
            "above",
            "What is above the liquid",
            &[
                Choice {
                    key: "air",
                    label: "air",
                },
                Choice {
                    key: "purged",
                    label: "carbon dioxide, purged of air",
                },
            ],
        ),
        CLOSED_AT,
        Field::number::<Celsius>("own", "One more temperature")
            .may_be_left()
            .hint("The hottest it may ever get where it stands or travels."),
        RATING,
        MARGIN,
        HEIGHT,
    ],
    run,
};

fn run(given: &Given) -> Result<Answer, Complaints> {
    let mead = solvent(given)?;
    let left: Fall = given.need("left")?;
    let sugar: GramsPerLitre = given.need("sugar")?;
    let there = content(given, mead)?;
    let gas = MOST_GRAMS_A_POINT * left.get() * 1000.0 + priming::from_hexose(sugar).get();
    let above = match given.choice("above") {
        "purged" => Above::CarbonDioxide,
        _ => Above::Air,
    };
    let now = closed(given, mead, there, above)?;
    let fermented = Closed {
        content: GramsPerLitre::computed(there.get() + gas),
        ..now
    };
    let own: Option<Celsius> = given.maybe("own");
    let mut temperatures: Vec<f64> = TEMPERATURES.to_vec();
    temperatures.extend(own.map(|t| t.get()));
    temperatures.sort_by(f64::total_cmp);
    temperatures.dedup();
    let hottest = Celsius::computed(own.map_or(0.0, |t| t.get()).max(HOTTEST_AT_LEAST));
    let at_20 = at(given, &fermented, Celsius::computed(20.0))?;
    let at_hottest = at(given, &fermented, hottest)?;
    let (_, verdict) = rated(given, at_hottest.as_ref(), hottest)?;
    let sentence = format!(
        "If all that may still ferment does, it comes to {} at {} and {} at {} on a gauge. {verdict}",
        most_said(given, at_20.as_ref()),
        shown(given, Celsius::computed(20.0)),
        most_said(given, at_hottest.as_ref()),
        shown(given, hottest),
    );
    let mut answer = Answer::new(sentence);
    for (key, label, inside) in [
        ("at-20", "Pressure at 20 °C", at_20),
        ("hottest", "Pressure at the hottest", at_hottest),
    ] {
        answer = answer.result(match inside {
            Some(inside) => pressure_result(key, label, &inside),
            None => Outcome::words(key, label, TOO_MUCH),
        });
    }
    Ok(answer
        .result(
            result("gas", "Carbon dioxide in all", fermented.content)
                .note(format!("Of it {} may still come of fermenting.", shown(given, GramsPerLitre::computed(gas)))),
        )
        .result(result("volumes", "The same in volumes", volumes(fermented.content)))
        .table(rows(given, &now, &fermented, &temperatures)?)
        .how_sure(
            "The fall is taken with the most gas it can give, 1.06 g to the litre for each 0.001 SG, \
             and sugar with all of it. The pressure of a known content is within 7 %, and the \
             column \"at the most\" has that on top. The hydrometer is the largest doubt: 0.001 SG is \
             about 0.7 bar at 20 °C.",
        )
        .formula(HENRY)
        .formula(WINE)
        .formula(CLOSED)
        .formula(Formula {
            name: "gas from a fall of gravity",
            source: "mass balance: the liquid keeps its volume, what it loses in weight is gas; at the \
                     most the stoichiometry of C6H12O6 → 2 C2H5OH + 2 CO2",
        })
        .caution(BURST)
        .caution(KEG)
        .caution(LAW))
}

fn rows(
    given: &Given,
    now: &Closed,
    fermented: &Closed,
    temperatures: &[f64],
) -> Result<Table, Complaint> {
    let mut table = table(
        "pressures",
        "Pressure above the air's",
        &[
            ("temperature", "At"),
            ("now", "As it is"),
            ("fermented", "All fermented"),
            ("most", "At the most"),
            ("rating", "Against the rating"),
        ],
    );
    for &t in temperatures {
        let t = Celsius::computed(t);
        let inside = at(given, fermented, t)?;
        let most = inside.map(|i| spread(&i).1);
        table = table.row(vec![
            Amount::of(t),
            bar(at(given, now, t)?.map(|i| i.gauge)),
            bar(inside.map(|i| i.gauge)),
            bar(most),
            against(given, most)?.cell(),
        ]);
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Fact, Filling, Known, Refusal, Told};

    const DRY: [(&str, &str); 3] = [("strength", "12"), ("left", "0.005"), ("warmest", "20")];

    fn told(extra: &[(&str, &str)]) -> Told {
        ask("sealed-risk", &[&DRY, extra].concat()).unwrap()
    }

    fn said(fields: &[(&str, &str)]) -> String {
        match ask("sealed-risk", fields) {
            Err(Refusal::Fields(all)) => all.iter().map(|c| c.say.clone()).collect(),
            other => panic!("{other:?}"),
        }
    }

    /// 0.001 SG is about 0.66 bar at 20 °C, 12 % vol, 3 % headspace (mass balance, reckoned apart).
    #[test]
    fn a_point_is_two_thirds_of_a_bar() {
        let point = |fall| value(&told(&[("left", fall)]), "at-20");
        let each = (point("0.006") - point("0.005")) / 1.06;
        assert!((each - 0.66).abs() < 0.05, "{each}");
        assert_eq!(point("6 points"), point("0.006"));
    }

    #[test]
    fn warmer_is_harder_in_every_row_and_nothing_is_called_safe() {
        let told = told(&[("own", "104 F"), ("own", "35")]);
        let table = &told.tables[0];
        assert_eq!(table.rows.len(), 6);
        for pair in table.rows.windows(2) {
            assert!(pair[1][2].value > pair[0][2].value);
            assert!(pair[1][3].value > pair[1][2].value);
            assert!(pair[1][1].value < pair[1][2].value);
        }
        assert!(!told.to_string().contains("safe"));
        assert!(
            told.sentence.contains("No rating was given"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn a_rating_is_held_against_the_hottest() {
        let bottle = |rating: &str| told(&[("rating", rating)]).sentence;
        assert!(
            bottle("3 bar").contains("over the rating, 3.00 bar"),
            "{}",
            bottle("3")
        );
        assert!(
            bottle("7").contains("within the margin below the rating"),
            "{}",
            bottle("7")
        );
        assert!(
            bottle("9").contains("below rating and margin"),
            "{}",
            bottle("9")
        );
        // A hotter place of its own counts.
        let hot = told(&[("rating", "9"), ("own", "55")]).sentence;
        assert!(
            hot.contains("at 55.0 °C") && hot.contains("over the rating"),
            "{hot}"
        );
    }

    #[test]
    fn honey_for_sweetening_is_more_than_a_formula_covers() {
        let told = told(&[("sugar", "60 g/L"), ("rating", "8 bar")]);
        assert!(
            told.sentence.contains("more than 10 bar at 20.0 °C"),
            "{}",
            told.sentence
        );
        assert!(
            told.sentence.contains("over the rating, 8.00 bar"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn purged_bottles_read_an_atmosphere_less() {
        let air = value(&told(&[]), "at-20");
        let purged = value(&told(&[("above", "purged")]), "at-20");
        assert!((air - purged - 0.99).abs() < 0.1, "{air} {purged}");
    }

    #[test]
    fn filled_from_the_record() {
        let mut known = Known::default();
        known.fill(
            Fact::MostLeft,
            Filling::Number(0.0031),
            "the verdict's upper end",
        );
        known.fill(Fact::Strength, Filling::Number(11.0), "its gravities");
        let told = ask_knowing("sealed-risk", &[], &known).unwrap();
        let left = told.inputs.iter().find(|i| i.path == "left").unwrap();
        assert_eq!(
            (left.value, left.from.as_str()),
            (Some(0.0031), "the verdict's upper end")
        );
    }

    #[test]
    fn impossible_input_is_named() {
        assert!(
            said(&[("strength", "140"), ("left", "0.002")])
                .contains("Strength: strength 140 is outside 0 to 25")
        );
        assert!(
            said(&[("strength", "12"), ("left", "-0.002")])
                .contains("fall -0.002 is outside 0 to 0.2 SG")
        );
        assert!(
            said(&[("strength", "22"), ("left", "0.002")])
                .contains("Strength: 22.0 % vol is more than the 20 % vol")
        );
        assert!(
            said(&[("strength", "12"), ("left", "0.002"), ("headspace", "0.5")])
                .contains("Room above the liquid: warmed to")
        );
        assert!(said(&[("strength", "12")]).contains("at the most: this is needed"));
        assert!(
            said(&[("strength", "12"), ("left", "0.002"), ("own", "-5")])
                .contains("One more temperature: at -5.0 °C")
        );
    }
}
