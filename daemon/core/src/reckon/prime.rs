//! Priming bottles with sugar or honey.

use super::answer::{Amount, Answer, Formula, Outcome, Step, Table, result, table};
use super::fizz::{
    BURST, CLOSED, GRAVITY, HEADSPACE, HEIGHT, HENRY, HOTTEST_AT_LEAST, LAW, LEFT, MARGIN, RATING,
    STOPPED, STRENGTH, TEMPERATURES, TOO_MUCH, WARMEST, WINE, against, at, bar, beyond, closed,
    content, headspace, most_said, pressure_result, rated, solvent, spread, stopped, sweetness,
};
use super::scale::{shown, weighed_within};
use super::{Choice, Complaint, Complaints, Fact, Field, Given, Reckoning, Which};
use crate::deed::{Dose, Substance, What};
use crate::gas::closed::{Above, Closed, Inside};
use crate::gas::priming::{self, Primer};
use crate::gas::room::MOST_GRAMS_A_POINT;
use crate::gas::{grams, solubility, volumes};
use crate::molar;
use crate::time::Span;
use crate::units::{Celsius, Fall, GramsPerLitre, Kilograms, Litres, MassPercent, Volumes};

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
        LEFT.usual("0.001 SG")
            .hint("As 0.002 or 2 points: it comes on top of the priming."),
        RATING,
        MARGIN,
        HEIGHT,
        STOPPED,
    ],
    run,
};

struct Sugar {
    primer: Primer,
    substance: Substance,
    name: &'static str,
    /// Of it by mass, for the log.
    extract: MassPercent,
}

fn sugar(given: &Given) -> Result<Sugar, Complaint> {
    Ok(match given.choice("primer") {
        "honey" => {
            let sugar: MassPercent = given.need("honey-sugar")?;
            if !(60.0..=90.0).contains(&sugar.get()) {
                let why = "honey holds 60 to 90 % of sugar";
                return Err(given.complain("honey-sugar", why));
            }
            Sugar {
                primer: Primer::Honey { sugar },
                substance: Substance::Honey,
                name: "honey",
                extract: sugar,
            }
        }
        "glucose" => Sugar {
            primer: Primer::GlucoseMonohydrate,
            substance: Substance::Sugar,
            name: "grape sugar",
            extract: MassPercent::computed(100.0 * molar::HEXOSE / molar::GLUCOSE_MONOHYDRATE),
        },
        _ => Sugar {
            primer: Primer::Sucrose,
            substance: Substance::Sugar,
            name: "table sugar",
            extract: MassPercent::computed(100.0),
        },
    })
}

/// Down to what a scale can weigh: a little less sugar, never a little more pressure.
fn weighed_down(mass: Kilograms, substance: Substance) -> Kilograms {
    if substance == Substance::Honey && mass.get() > 1.0 {
        Kilograms::computed((mass.get() * 100.0).floor() / 100.0)
    } else {
        weighed_within(mass, mass)
    }
}

struct Primed {
    dose: Kilograms,
    /// Gas the dose gives in each litre.
    fed: GramsPerLitre,
    there: GramsPerLitre,
    bottle: Closed,
}

impl Primed {
    /// The same bottle with so many grams of gas more in each litre.
    fn and(&self, more: f64) -> Closed {
        Closed {
            content: GramsPerLitre::computed(self.bottle.content.get() + more),
            ..self.bottle
        }
    }

    /// What is dissolved at 20 °C in the end, and the bottle then.
    fn at_20(&self, given: &Given) -> Result<(Volumes, Inside), Complaint> {
        let t = Celsius::computed(20.0);
        let inside = self.bottle.at(t);
        let content = inside.and_then(|i| {
            Ok((
                solubility::dissolved(i.carbon_dioxide, t, self.bottle.liquid)?,
                i,
            ))
        });
        content
            .map(|(content, inside)| (volumes(content), inside))
            .map_err(|e| beyond(given, e, "warmest", "target"))
    }
}

fn primed(given: &Given, sugar: &Sugar) -> Result<Primed, Complaint> {
    let mead = solvent(given)?;
    let (target, volume): (Volumes, Litres) = (given.need("target")?, given.need("volume")?);
    if volume.get() <= 0.0 {
        return Err(given.complain("volume", "there is nothing to prime"));
    }
    let there = content(given, mead)?;
    let needed = priming::needed(grams(target), headspace(given)?, mead)
        .map_err(|e| beyond(given, e, "target", "target"))?;
    let a_litre = priming::dose(needed, there, sugar.primer);
    let exact = Kilograms::computed(a_litre.get() * volume.get() / 1000.0);
    let dose = weighed_down(exact, sugar.substance);
    let fed = dose.get() * 1000.0 / volume.get() * sugar.primer.yields();
    Ok(Primed {
        dose,
        fed: GramsPerLitre::computed(fed),
        there,
        bottle: closed(
            given,
            mead,
            GramsPerLitre::computed(there.get() + fed),
            Above::Air,
        )?,
    })
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    if stopped(given) {
        let why = "its yeast was stopped, and sorbate or heat leaves too little of it to ferment the \
                   priming: bottles stay flat or turn out each its own. Carbonate it in a keg";
        return Err(given.complain("stopped", why).into());
    }
    let sugar = sugar(given)?;
    let primed = primed(given, &sugar)?;
    let (comes_to, at_20) = primed.at_20(given)?;
    let volume: Litres = given.need("volume")?;
    let left: Fall = given.need("left")?;
    let sweet = sweetness(primed.bottle.liquid);
    let there = volumes(primed.there);
    let least = Volumes::computed((comes_to.get() - there.get()).max(0.0));

    let most = primed.and(MOST_GRAMS_A_POINT * left.get() * 1000.0);
    let hottest = Celsius::computed(HOTTEST_AT_LEAST);
    let at_hottest = at(given, &most, hottest)?;
    let (bottles, borne) = rated(given, at_hottest.as_ref(), hottest)?;

    let mut answer = Answer::new(format!(
        "{} Warm, it comes to {}. {borne}{}",
        sentence(given, &primed, &sugar, comes_to, &at_20),
        most_said(given, at_hottest.as_ref()),
        warning(sweet)
    ))
    .result(
        result("dose", format!("Weigh out of {}", sugar.name), primed.dose).note(format!(
            "{:.1} g to the litre, dissolved in a little boiled water and mixed in evenly.",
            1000.0 * primed.dose.get() / volume.get()
        )),
    )
    .result(
        result("carbonation", "Carbonation it comes to", comes_to)
            .between(least, comes_to)
            .note("Less by what gas has left the mead since it fermented; the dose counts on all of it."),
    )
    .result(
        result("there", "There already, at the most", there)
            .between(Volumes::computed(0.0), there),
    )
    .result(pressure_result("at-20", "Pressure at 20 °C", &at_20))
    .result(result(
        "stronger",
        "Strength gained",
        priming::strength_gained(primed.fed),
    ));
    if let Some(sugar) = sweet {
        let all = primed.and(priming::from_hexose(sugar).get());
        let words = match all.at(Celsius::computed(20.0)) {
            Ok(inside) => shown(given, inside.gauge),
            Err(_) => TOO_MUCH.to_owned(),
        };
        answer = answer.result(Outcome::words(
            "all",
            "At 20 °C if all its sugar ferments",
            words,
        ));
    }
    if primed.dose.get() > 0.0 && !bottles.forbids() {
        answer = answer.step(step(given, &primed, sugar, comes_to));
    }
    Ok(answer
        .table(pressures(given, &primed.bottle, &most)?)
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

fn sentence(
    given: &Given,
    primed: &Primed,
    sugar: &Sugar,
    comes_to: Volumes,
    at_20: &Inside,
) -> String {
    if primed.dose.get() <= 0.0 {
        return format!(
            "No {}: it holds {} already, as much as is wanted.",
            sugar.name,
            shown(given, volumes(primed.there))
        );
    }
    let (low, high) = spread(at_20);
    format!(
        "{} of {} give up to {:.1} volumes, at 20 °C {} to {} on a gauge.",
        shown(given, primed.dose),
        sugar.name,
        comes_to.get(),
        shown(given, low),
        shown(given, high),
    )
}

fn warning(sweet: Option<GramsPerLitre>) -> String {
    match sweet {
        Some(sugar) => format!(
            " But about {:.0} g/L of sugar are in it: primed yeast does not stop at what was wanted, it goes \
             on until the sugar or the glass is gone. Prime it only if it is sure that its yeast can \
             do no more.",
            sugar.get()
        ),
        None => String::new(),
    }
}

fn step(given: &Given, primed: &Primed, sugar: Sugar, comes_to: Volumes) -> Step {
    Step {
        doses: vec![Dose {
            name: sugar.name.to_owned(),
            extract: Some(sugar.extract),
            ..Dose::of(sugar.substance, primed.dose)
        }],
        wait: Some((Span::days(14), "opening the first bottle")),
        ..Step::new(
            What::Seal,
            format!(
                "Primed with {} of {} for {:.1} volumes, and bottled",
                shown(given, primed.dose),
                sugar.name,
                comes_to.get()
            ),
        )
    }
}

fn pressures(given: &Given, primed: &Closed, most: &Closed) -> Result<Table, Complaint> {
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
    for t in TEMPERATURES {
        let t = Celsius::computed(t);
        let most = at(given, most, t)?.map(|i| spread(&i).1);
        table = table.row(vec![
            Amount::of(t),
            bar(at(given, primed, t)?.map(|i| i.gauge)),
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
        // Whole grams, as a kitchen scale has them.
        assert!((dose - dose.round()).abs() < 1e-9, "{dose}");
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
        assert!(said(&[("headspace", "100")]).contains("Room above the liquid: more than half"));
        assert!(said(&[("volume", "0")]).contains("there is nothing to prime"));
        assert!(
            said(&[("primer", "honey"), ("honey-sugar", "20")])
                .contains("Sugar in the honey: honey holds 60 to 90 %")
        );
        assert!(said(&[("primer", "molasses")]).contains("is none of sucrose, glucose, honey"));
        assert!(said(&[("headspace", "0.4")]).contains("Room above the liquid: warmed to"));
    }

    #[test]
    fn what_the_bottles_bear_is_said_and_no_step_goes_past_it() {
        let unrated = told(&[]);
        assert!(
            unrated.sentence.contains("No rating was given"),
            "{}",
            unrated.sentence
        );
        assert!(unrated.step.is_some());
        let rated = |bar: &str| told(&[("rating", bar)]);
        let weak = rated("3 bar");
        assert!(
            weak.sentence
                .contains("At 30.0 °C that is over the rating, 3.00 bar"),
            "{}",
            weak.sentence
        );
        assert!(weak.step.is_none());
        let at_30 = weak.tables[0].rows[3][2].value.unwrap();
        let near = rated(&format!("{} bar", at_30 * 1.1));
        assert!(
            near.sentence.contains("within the margin below the rating"),
            "{}",
            near.sentence
        );
        assert!(near.step.is_none());
        let strong = rated(&format!("{} bar", at_30 * 1.4));
        assert!(
            strong.sentence.contains("below rating and margin"),
            "{}",
            strong.sentence
        );
        assert!(strong.step.is_some());
    }
}
