//! Priming bottles with sugar or honey.

use super::answer::{Amount, Answer, Formula, Outcome, Step, result, table};
use super::fizz::{
    BURST, CLOSED, GRAVITY, HEADSPACE, HEIGHT, HENRY, LAW, RATING, STOPPED, STRENGTH, WARMEST,
    WINE, against, air, beyond, content, pressure_result, solvent, spread, stopped, sweetness,
};
use super::scale::{shown, weighed_within};
use super::{Choice, Complaints, Fact, Field, Given, Reckoning, Which};
use crate::deed::{Dose, Substance, What};
use crate::gas::closed::{Above, Closed};
use crate::gas::priming::{self, Primer};
use crate::gas::room::MOST_GRAMS_A_POINT;
use crate::gas::{Beyond, grams, volumes};
use crate::time::Span;
use crate::units::{
    BarGauge, Celsius, Fall, GramsPerLitre, Heat, Kilograms, Litres, MassPercent, Percent, Volumes,
};

pub static PRIME: Reckoning = Reckoning {
    key: "prime",
    title: "Priming bottles",
    says: "How much sugar or honey gives bottles the fizz that is wanted, and what pressure they come to.",
    gate: Some(Which::Seal),
    fields: &[
        Field::number::<Volumes>("target", "Carbonation wanted").hint(
            "Volumes of gas: 2 is gentle, 2.5 lively, 4 like champagne (common practice, no source).",
        ),
        Field::number::<Litres>("volume", "Volume to bottle").fill(Fact::Volume),
        STRENGTH,
        GRAVITY,
        WARMEST,
        Field::choice(
            "primer",
            "Primed with",
            &[
                Choice {
                    key: "sucrose",
                    label: "table sugar",
                },
                Choice {
                    key: "glucose",
                    label: "grape sugar (glucose monohydrate)",
                },
                Choice {
                    key: "honey",
                    label: "honey",
                },
            ],
        ),
        Field::number::<MassPercent>("honey-sugar", "Sugar in the honey")
            .usual("80 %")
            .hint("About four fifths is usual (from memory); the rest is mostly water."),
        HEADSPACE.usual("3 %"),
        Field::number::<Fall>("left", "Gravity that may still fall, at the most")
            .usual("0.001 SG")
            .hint("As 0.002 or 2 points: it comes on top of the priming.")
            .fill(Fact::MostLeft),
        RATING,
        Field::number::<Percent>("margin", "Kept in hand below the rating").usual("25 %"),
        HEIGHT,
        STOPPED,
    ],
    run,
};

fn primer(given: &Given) -> Result<(Primer, Substance, &'static str), Complaints> {
    Ok(match given.choice("primer") {
        "honey" => {
            let sugar: MassPercent = given.need("honey-sugar")?;
            if !(60.0..=90.0).contains(&sugar.get()) {
                let why = "honey holds 60 to 90 % of sugar";
                return Err(given.complain("honey-sugar", why).into());
            }
            (Primer::Honey { sugar }, Substance::Honey, "honey")
        }
        "glucose" => (Primer::GlucoseMonohydrate, Substance::Sugar, "grape sugar"),
        _ => (Primer::Sucrose, Substance::Sugar, "table sugar"),
    })
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    if stopped(given) {
        let why = "its yeast was stopped, and sorbate or heat leaves too little of it to ferment the \
                   priming: bottles stay flat or turn out each its own. Carbonate it in a keg";
        return Err(given.complain("stopped", why).into());
    }
    let mead = solvent(given)?;
    let (target, volume): (Volumes, Litres) = (given.need("target")?, given.need("volume")?);
    let (headspace, left): (Percent, Fall) = (given.need("headspace")?, given.need("left")?);
    if volume.get() <= 0.0 {
        return Err(given.complain("volume", "there is nothing to prime").into());
    }
    let wanted = grams(target);
    let there = content(given, mead)?;
    let (primer, substance, name) = primer(given)?;
    let needed = priming::needed(wanted, headspace, mead)
        .map_err(|e| beyond(given, e, "temperature", "target"))?;
    let exact = priming::dose(needed, there, primer).get() * volume.get() / 1000.0;
    // Rounded down: a little less sugar, never a little more pressure.
    let exact = Kilograms::computed(exact);
    let weighed = match primer {
        Primer::Honey { .. } if exact.get() > 1.0 => {
            Kilograms::computed((exact.get() * 100.0).floor() / 100.0)
        }
        _ => weighed_within(exact, exact),
    };
    let fed = GramsPerLitre::computed(weighed.get() * 1000.0 / volume.get() * primer.yields());
    let bottle = |content: f64| Closed {
        liquid: mead,
        content: GramsPerLitre::computed(content),
        headspace,
        closed_at: Heat::computed(20.0),
        above: Above::Air,
        atmosphere: air(given),
    };
    let primed = bottle(there.get() + fed.get());
    let still_to_come = MOST_GRAMS_A_POINT * left.get() * 1000.0;
    let most = bottle(primed.content.get() + still_to_come);
    let sweet = sweetness(mead);

    let least = Volumes::computed((target.get() - volumes(there).get()).max(0.0));
    let at_20 = primed
        .at(Heat::computed(20.0))
        .map_err(|e| beyond(given, e, "warmest", "target"))?;
    let warning = match sweet {
        Some(sugar) => format!(
            " But about {} of sugar are in it: primed yeast does not stop at what was wanted, it goes \
             on until the sugar or the glass is gone. Prime it only if it is sure that its yeast can \
             do no more.",
            shown(given, sugar)
        ),
        None => String::new(),
    };
    let mut answer = Answer::new(if weighed.get() > 0.0 {
        format!(
            "{} of {name} in {} give up to {:.1} volumes, {} at 20 °C.{warning}",
            shown(given, weighed),
            shown(given, volume),
            target.get(),
            shown(given, at_20.gauge),
        )
    } else {
        format!(
            "No {name}: it holds {:.2} volumes already, as much as is wanted.{warning}",
            volumes(there).get()
        )
    })
    .result(
        result("dose", format!("Weigh out of {name}"), weighed).note(format!(
            "{} to the litre, dissolved in a little boiled water and mixed in evenly.",
            shown(given, GramsPerLitre::computed(1000.0 * weighed.get() / volume.get()))
        )),
    )
    .result(
        result("carbonation", "Carbonation it comes to", target)
            .between(least, target)
            .note("Less by what gas has left the mead since it fermented; the dose counts on all of it."),
    )
    .result(
        result("there", "There already, at the most", volumes(there))
            .between(Volumes::computed(0.0), volumes(there)),
    )
    .result(pressure_result("at-20", "Pressure at 20 °C", &at_20))
    .result(
        result("stronger", "Strength gained", priming::strength_gained(fed)),
    );
    if let Some(sugar) = sweet {
        let all = bottle(primed.content.get() + priming::from_hexose(sugar).get());
        let words = match all.at(Heat::computed(20.0)) {
            Ok(inside) => shown(given, inside.gauge),
            Err(_) => "more than 10 bar".to_owned(),
        };
        answer = answer.result(Outcome::words(
            "all",
            "At 20 °C if all its sugar ferments",
            words,
        ));
    }
    if weighed.get() > 0.0 {
        answer = answer.step(Step {
            what: What::Seal,
            doses: vec![Dose {
                of: substance,
                mass: weighed,
                name: name.to_owned(),
                extract: None,
            }],
            note: format!(
                "Primed with {} of {name} for {:.1} volumes, and bottled",
                shown(given, weighed),
                target.get()
            ),
            volume: None,
            gravity: None,
            ph: None,
            wait: Some((Span::days(14), "opening the first bottle")),
        });
    }
    Ok(answer
        .table(pressures(given, &primed, &most)?)
        .how_sure(
            "All the sugar is counted as gas; yeast keeps about 5 % of it. Pressure is within 7 % where \
             the content is right. What is there already is the most it can be, so bottles come out at \
             what was wanted or below, if nothing else ferments: \"at the most\" counts what may.",
        )
        .formula(Formula {
            name: "gas from sugar",
            source: "C6H12O6 → 2 C2H5OH + 2 CO2: 0.489 g from a gram of hexose, 0.514 of sucrose, 0.444 of \
                     glucose monohydrate (IUPAC atomic weights)",
        })
        .formula(HENRY)
        .formula(WINE)
        .formula(CLOSED)
        .caution(BURST)
        .caution(LAW))
}

fn pressures(given: &Given, primed: &Closed, most: &Closed) -> Result<super::Table, Complaints> {
    let rating: Option<BarGauge> = given.maybe("rating");
    let margin: Percent = given.need("margin")?;
    let mut table = table(
        "pressures",
        "Pressure above the air's",
        &[
            ("temperature", "At"),
            ("primed", "Primed"),
            ("most", "At the most"),
            ("rating", "Against the rating"),
        ],
    );
    for t in [5.0, 12.0, 20.0, 30.0, 40.0] {
        let t = Celsius::computed(t);
        let [primed, most] = [primed, most].map(|bottle| match bottle.at(t.into()) {
            Ok(inside) => Ok(Some(inside)),
            Err(Beyond::Pressure) => Ok(None),
            Err(e) => Err(beyond(given, e, "warmest", "target")),
        });
        let (primed, most) = (primed?, most?.map(|i| spread(&i).1));
        let cell = |gauge: Option<BarGauge>| match gauge {
            Some(gauge) => Amount::of(BarGauge::computed(gauge.get().max(0.0))),
            None => Amount::Words("more than 10 bar".to_owned()),
        };
        let stands = match (most, rating) {
            (None, Some(_)) => "over the rating",
            (most, rating) => against(rating, margin, most.unwrap_or(BarGauge::computed(10.0))),
        };
        table = table.row(vec![
            Amount::of(t),
            cell(primed.map(|i| i.gauge)),
            cell(most),
            Amount::Words(stands.to_owned()),
        ]);
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Fact, Filling, Known, Refusal, Told};

    const DRY: [(&str, &str); 4] = [
        ("target", "2.5"),
        ("volume", "10 L"),
        ("strength", "12"),
        ("warmest", "20"),
    ];

    fn told(extra: &[(&str, &str)]) -> Told {
        ask("prime", &[&DRY, extra].concat()).unwrap()
    }

    fn said(extra: &[(&str, &str)]) -> String {
        match ask("prime", &[&DRY, extra].concat()) {
            Err(Refusal::Fields(all)) => all.iter().map(|c| c.say.clone()).collect(),
            other => panic!("{other:?}"),
        }
    }

    /// 2.5 volumes less the 1.45 g/L there are 6.8 g/L of sucrose (reckoned apart, without headspace,
    /// which takes a few per cent more).
    #[test]
    fn table_sugar_for_ten_litres() {
        let told = told(&[]);
        let dose = value(&told, "dose") * 1000.0;
        assert!((68.0..=75.0).contains(&dose), "{dose}");
        assert_eq!(dose.fract().min(1.0 - dose.fract()).abs() < 1e-9, true);
        let step = told.step.unwrap();
        assert_eq!(step.deed.doses.len(), 1);
        assert!((step.deed.doses[0].mass.get() * 1000.0 - dose).abs() < 1e-9);
    }

    #[test]
    fn honey_and_grape_sugar_take_more() {
        let dose = |primer| value(&told(&[("primer", primer)]), "dose");
        // By the gas a gram gives: 0.5143 of sucrose, 0.4442 of the monohydrate, 0.8·0.4886 of honey.
        assert!((dose("glucose") / dose("sucrose") - 0.5143 / 0.4442).abs() < 0.03);
        assert!((dose("honey") / dose("sucrose") - 0.5143 / (0.8 * 0.4886)).abs() < 0.03);
        let barrel = told(&[("primer", "honey"), ("volume", "200 L")]);
        let kg = value(&barrel, "dose");
        assert!(
            kg > 1.0 && (kg * 100.0 - (kg * 100.0).round()).abs() < 1e-6,
            "{kg}"
        );
    }

    #[test]
    fn never_more_than_was_wanted() {
        for litres in ["1", "3.7", "19", "57 L"] {
            let told = told(&[("volume", litres)]);
            let bar = value(&told, "at-20");
            let endless = value(
                &ask(
                    "carbonate",
                    &[("target", "2.5"), ("temperature", "20"), ("strength", "12")],
                )
                .unwrap(),
                "gauge",
            );
            // In the keg the gas alone is above the liquid; in the bottle trapped air is too.
            assert!(
                bar <= endless + 1.0 && bar > endless + 0.8,
                "{bar} {endless}"
            );
        }
    }

    #[test]
    fn a_stopped_mead_is_refused() {
        assert!(said(&[("stopped", "yes")]).contains("its yeast was stopped"));
        let mut known = Known::default();
        known.fill(
            Fact::Stabilised,
            Filling::Words("yes".into()),
            "stabilised 1 March",
        );
        assert!(ask_knowing("prime", &DRY, &known).is_err());
    }

    #[test]
    fn a_sweet_mead_is_warned_of() {
        let told = told(&[("gravity", "1.010")]);
        assert!(
            told.sentence
                .contains("until the sugar or the glass is gone"),
            "{}",
            told.sentence
        );
        let all = told.results.iter().find(|r| r.key == "all").unwrap();
        assert_eq!(all.text, "more than 10 bar");
        assert!(
            !self::told(&[("gravity", "0.996")])
                .sentence
                .contains("glass")
        );
    }

    #[test]
    fn what_may_still_ferment_comes_on_top() {
        let most = |left| told(&[("left", left)]).tables[0].rows[2][2].value.unwrap();
        let each = (most("3 points") - most("2 points")) / 1.06 / 1.07;
        assert!((each - 0.66).abs() < 0.05, "{each}");
    }

    #[test]
    fn enough_is_there() {
        let told = told(&[("target", "0.5")]);
        assert!(
            told.sentence.starts_with("No table sugar"),
            "{}",
            told.sentence
        );
        assert!(told.step.is_none());
    }

    #[test]
    fn impossible_input_is_named() {
        assert!(
            said(&[("target", "13")])
                .contains("Carbonation wanted: carbonation 13 is outside 0 to 12 volumes")
        );
        assert!(said(&[("volume", "0")]).contains("there is nothing to prime"));
        assert!(
            said(&[("primer", "honey"), ("honey-sugar", "20")])
                .contains("Sugar in the honey: honey holds 60 to 90 %")
        );
        assert!(said(&[("primer", "molasses")]).contains("is none of sucrose, glucose, honey"));
        assert!(said(&[("headspace", "0.4")]).contains("Room above the liquid: warmed to"));
    }
}
