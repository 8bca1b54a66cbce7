//! Carbonating in a keg.

use super::answer::{Answer, Formula, Outcome, Step, result};
use super::fizz::{
    GRAVITY, HEIGHT, HENRY, KEG, LAW, RATING, STOPPED, STRENGTH, WARMEST, WINE, air, beyond,
    content, solvent, stopped, sweetness,
};
use super::scale::shown;
use super::{Complaints, Fact, Field, Given, Reckoning};
use crate::deed::What;
use crate::gas::{MODEL_ERROR, grams, keg, volumes};
use crate::time::Span;
use crate::units::{BarGauge, Celsius, Kilograms, Litres, Volumes};

pub static CARBONATE: Reckoning = Reckoning {
    key: "carbonate",
    title: "Carbonating in a keg",
    says: "What pressure of carbon dioxide gives the fizz that is wanted, and what is in the mead already.",
    gate: None,
    fields: &[
        Field::number::<Volumes>("target", "Carbonation wanted").hint(
            "Volumes of gas: 1 is still with a prickle, 2.5 lively, 4 like champagne (common practice, \
             no source).",
        ),
        Field::number::<Celsius>("temperature", "Temperature of the keg").fill(Fact::Temperature),
        STRENGTH,
        GRAVITY,
        WARMEST.may_be_left(),
        Field::number::<Litres>("volume", "Volume")
            .may_be_left()
            .hint("For how much gas it takes from the cylinder.")
            .fill(Fact::Volume),
        RATING,
        HEIGHT,
        STOPPED,
    ],
    run,
};

fn run(given: &Given) -> Result<Answer, Complaints> {
    let mead = solvent(given)?;
    let (target, temperature): (Volumes, Celsius) =
        (given.need("target")?, given.need("temperature")?);
    let (wanted, air) = (grams(target), air(given));
    let gauge = keg::gauge(wanted, temperature, mead, air)
        .map_err(|e| beyond(given, e, "temperature", "target"))?;
    let there = match given.maybe::<Celsius>("warmest") {
        Some(_) => Some(content(given, mead)?),
        None => None,
    };
    // The model's error is one of solubility, so it stands on the gas's own pressure.
    let off = MODEL_ERROR * (gauge.get() + air.get());
    let shown_gauge = |v: f64| BarGauge::computed(v.max(0.0));
    let most = shown_gauge(gauge.get() + off);
    let rating: Option<BarGauge> = given.maybe("rating");
    let words = format!(
        "{:.1} volumes ({}) at {}",
        target.get(),
        shown(given, wanted),
        shown(given, temperature)
    );
    let mut answer = Answer::new(if gauge.get() <= 0.0 {
        format!("{words} are held without any pressure on the gauge: still mead holds as much.")
    } else {
        let over = match rating {
            Some(rating) if most > rating => format!(
                " That is over what the keg is rated for, {}: keep it colder or want less.",
                shown(given, rating)
            ),
            _ => String::new(),
        };
        format!(
            "{words} want {} on the gauge, somewhere from {} to {}.{over}",
            shown(given, gauge),
            shown(given, shown_gauge(gauge.get() - off)),
            shown(given, most)
        )
    })
    .result(
        result("gauge", "Pressure on the gauge", shown_gauge(gauge.get()))
            .between(shown_gauge(gauge.get() - off), most),
    )
    .result(result("wanted", "Carbon dioxide wanted", wanted));
    if let Some(there) = there {
        answer = answer.result(
            result("there", "There already, at the most", volumes(there))
                .between(Volumes::computed(0.0), volumes(there))
                .note("What fermentation left; racking, stirring and time drive it out."),
        );
    }
    if let Some(volume) = given.maybe::<Litres>("volume") {
        let kilograms = |g: f64| Kilograms::computed(g.max(0.0) * volume.get() / 1000.0);
        let missing = kilograms(wanted.get() - there.map_or(0.0, |g| g.get()));
        answer = answer.result(
            result("gas", "Gas it takes up", missing)
                .between(missing, kilograms(wanted.get()))
                .note("Filling the headspace and purging come on top."),
        );
    }
    answer = answer.result(Outcome::words(
        "time",
        "Time at this pressure",
        "5 to 14 days at rest; 1 to 3 days if shaken now and then (common practice, no source)",
    ));
    if gauge.get() > 0.0 && rating.is_none_or(|r| most <= r) {
        answer = answer.step(Step {
            wait: Some((Span::days(5), "tasting")),
            ..Step::new(
                What::Carbonate,
                format!(
                    "Put under {} of carbon dioxide at {} for {:.1} volumes",
                    shown(given, gauge),
                    shown(given, temperature),
                    target.get()
                ),
            )
        });
    }
    if !stopped(given) && sweetness(mead).is_some() {
        answer = answer.caution(
            "This mead has sugar in it and nothing on record has stopped its yeast: it may go on in \
             the keg, past any pressure that was set.",
        );
    }
    Ok(answer
        .how_sure(format!(
            "For mead the pressure is within {:.0} % of the gas's own: alcohol and sugar were measured \
             on wine at 20 °C. Weather moves the air by 0.03 bar. Taste and correct.",
            100.0 * MODEL_ERROR
        ))
        .formula(HENRY)
        .formula(WINE)
        .formula(Formula {
            name: "volumes and grams",
            source: "one volume is 1.977 g/L, carbon dioxide as a real gas at 0 °C and 1 atm (IUPAC-NIST \
                     SRD 106)",
        })
        .formula(Formula {
            name: "the air's pressure by height",
            source: "ISO 2533 standard atmosphere",
        })
        .caution(KEG)
        .caution(LAW))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};
    use crate::reckon::{Refusal, Told};

    const COLD: [(&str, &str); 3] = [
        ("target", "2,5"),
        ("temperature", "4 °C"),
        ("strength", "12"),
    ];

    fn told(extra: &[(&str, &str)]) -> Told {
        ask("carbonate", &[&COLD, extra].concat()).unwrap()
    }

    /// The chart for beer (trade journal, 1994) gives 2.47 volumes at 40 °F and 12 psi; within the 7 %.
    #[test]
    fn beer_as_the_chart_has_it() {
        let beer = [
            ("target", "2.47"),
            ("temperature", "40 F"),
            ("strength", "5.4"),
        ];
        let told = ask("carbonate", &beer).unwrap();
        let psi = value(&told, "gauge") / 0.068_947_6;
        assert!((psi - 12.0).abs() < 0.07 * (12.0 + 14.7), "{psi}");
        let r = told.results.iter().find(|r| r.key == "gauge").unwrap();
        assert!(r.low.unwrap() < 12.0 * 0.068_947_6 && r.high.unwrap() > 12.0 * 0.068_947_6);
    }

    #[test]
    fn strength_sugar_and_height_ask_for_more() {
        let plain = value(&told(&[]), "gauge");
        let more = |extra| value(&told(&[extra]), "gauge");
        assert!(more(("strength", "14")) > plain);
        assert!(more(("gravity", "1.020")) > plain);
        // 1500 m: the standard atmosphere is 0.168 bar less (ISO 2533).
        assert!((more(("height", "1500")) - plain - 0.168).abs() < 0.001);
        assert!((more(("height", "4921.26 ft")) - plain - 0.168).abs() < 0.001);
    }

    #[test]
    fn units_are_the_makers() {
        let metric = told(&[("rating", "4.1368544 bar"), ("volume", "18.927059 L")]);
        let american = told(&[
            ("temperature", "39.2 F"),
            ("rating", "60 psi"),
            ("volume", "5 US gal"),
        ]);
        for key in ["gauge", "wanted", "gas"] {
            assert!(
                (value(&metric, key) - value(&american, key)).abs() < 1e-8,
                "{key}"
            );
        }
        assert_eq!(metric.sentence, american.sentence);
    }

    #[test]
    fn what_is_there_and_what_is_taken() {
        let told = told(&[("warmest", "20"), ("volume", "19 L")]);
        // 0.73 volumes: saturated at one atmosphere, 12 % vol, 20 °C (reckoned apart by Weiss's law).
        assert!((value(&told, "there") - 0.73).abs() < 0.03);
        let missing = (2.5 - value(&told, "there")) * 1.977 * 0.019;
        assert!((value(&told, "gas") - missing).abs() < 1e-9);
        assert!(told.step.unwrap().deed.note.contains("2.5 volumes"));
    }

    #[test]
    fn a_keg_that_does_not_bear_it() {
        let told = told(&[("temperature", "25"), ("target", "4"), ("rating", "4 bar")]);
        assert!(
            told.sentence
                .contains("over what the keg is rated for, 4.00 bar"),
            "{}",
            told.sentence
        );
        assert!(told.step.is_none());
    }

    #[test]
    fn still_mead_needs_nothing() {
        let told = told(&[("target", "0.5")]);
        assert!(
            told.sentence.contains("without any pressure"),
            "{}",
            told.sentence
        );
        assert_eq!(value(&told, "gauge"), 0.0);
    }

    #[test]
    fn sweet_and_alive_is_said() {
        let sweet = told(&[("gravity", "1.015")]);
        assert!(
            sweet
                .cautions
                .iter()
                .any(|c| c.contains("nothing on record has stopped"))
        );
        let stopped = told(&[("gravity", "1.015"), ("stopped", "yes")]);
        assert!(
            !stopped
                .cautions
                .iter()
                .any(|c| c.contains("nothing on record"))
        );
    }

    #[test]
    fn impossible_input_is_named() {
        let said = |fields: &[(&str, &str)]| match ask("carbonate", fields) {
            Err(Refusal::Fields(all)) => all.iter().map(|c| c.say.clone()).collect::<String>(),
            other => panic!("{other:?}"),
        };
        assert!(
            said(&[&COLD[..], &[("target", "40")]].concat())
                .contains("carbonation 40 is outside 0 to 12 volumes")
        );
        assert!(
            said(&[&COLD[..], &[("temperature", "-4")]].concat())
                .contains("Temperature of the keg: at -4.0 °C")
        );
        assert!(
            said(&[&COLD[..], &[("gravity", "0.96")]].concat())
                .contains("Gravity now: a mead of 12.0 % vol cannot read")
        );
        assert!(
            said(&[&COLD[..], &[("target", "12"), ("temperature", "40")]].concat())
                .contains("more than 10 bar")
        );
        assert!(said(&COLD[..1]).contains("Strength: this is needed"));
    }

    /// The task "carbonate it" ends with a deed of this kind.
    #[test]
    fn the_step_is_carbonating() {
        let step = told(&[]).step.unwrap();
        assert_eq!(step.deed.what, crate::deed::What::Carbonate);
    }
}
