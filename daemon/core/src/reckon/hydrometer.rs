//! A glass hydrometer read warm or cold.

use super::answer::{Answer, Formula, result};
use super::scale::shown;
use super::{Complaints, Fact, Field, Given, Reckoning};
use crate::density::correct_hand_reading;
use crate::show;
use crate::units::{Celsius, Gravity};

pub static HYDROMETER: Reckoning = Reckoning {
    key: "hydrometer",
    title: "Hydrometer read warm or cold",
    says: "What a glass hydrometer would read at 20 °C, for must and for mead, whatever it is marked for.",
    gate: None,
    fields: &[
        Field::number::<Gravity>("read", "Read on the hydrometer"),
        Field::number::<Celsius>("sample", "Temperature of the sample")
            .hint("0 to 40 °C.")
            .fill(Fact::Temperature),
        Field::number::<Celsius>("marked", "The hydrometer is marked for")
            .usual("20 °C")
            .hint("It stands on its paper: 20 °C, 60 °F (15.6 °C) or 15 °C."),
        Field::number::<Gravity>("original", "Gravity before fermentation")
            .may_be_left()
            .hint("For a mead: alcohol makes it expand more. Leave it empty for must.")
            .fill(Fact::OriginalGravity),
    ],
    run,
};

/// Where the densities hold, °C.
const COLDEST: f64 = 0.0;
const WARMEST: f64 = 40.0;
/// What the correction itself is good to, SG: glass of another kind and honey for sucrose. For each
/// 10 °C.
const PER_TEN_DEGREES: f64 = 0.0002;

fn run(given: &Given) -> Result<Answer, Complaints> {
    let read: Gravity = given.need("read")?;
    let (sample, marked): (Celsius, Celsius) = (given.need("sample")?, given.need("marked")?);
    for (key, t) in [("sample", sample), ("marked", marked)] {
        if !(COLDEST..=WARMEST).contains(&t.get()) {
            return Err(given
                .complain(
                    key,
                    &format!(
                        "{} is outside {} to {}, where the densities are known",
                        shown(given, t),
                        shown(given, Celsius::computed(COLDEST)),
                        shown(given, Celsius::computed(WARMEST)),
                    ),
                )
                .into());
        }
    }
    let original: Option<Gravity> = given.maybe("original");
    let right = correct_hand_reading(read, sample, marked, original)
        .map_err(|e| given.complain("read", &e.to_string()))?;
    let fermented = original.filter(|o| *o > right);
    let off = right.get() - read.get();
    let units = given.asker.style.units;
    let which = match (off.abs() < 5e-5, off > 0.0) {
        (true, _) => "as it reads".to_owned(),
        (_, more) => format!(
            "{} {} than it reads",
            show::gravity_step(off.abs(), read, units),
            if more { "more" } else { "less" }
        ),
    };
    let must = correct_hand_reading(read, sample, marked, None)
        .map_err(|e| given.complain("read", &e.to_string()))?;
    let half = 0.0001 + PER_TEN_DEGREES * (sample.get() - marked.get()).abs() / 10.0;
    let mut answer = Answer::new(format!(
        "{} at 20 °C, {which}{}.",
        shown(given, right),
        if fermented.is_some() {
            ", its alcohol counted"
        } else {
            ", taken as must without alcohol"
        },
    ))
    .result(
        result("gravity", "Gravity at 20 °C (SG 20/20)", right).between(
            Gravity::computed(right.get() - half),
            Gravity::computed(right.get() + half),
        ),
    );
    if fermented.is_some() {
        answer = answer.result(
            result("as-must", "The same if it were must", must)
                .note("Without counting that alcohol expands more."),
        );
    }
    Ok(answer
        .formula(Formula {
            name: "buoyancy of a glass hydrometer",
            source: "glass by ISO 1768:1975, 25e-6 a degree; densities by ICUMSA SPS-4, OIML R 22 and CIPM",
        })
        .how_sure(
            "The correction is good to 0.0002 for each 10 °C. The reading itself is ±0.001 at best; drive the gas out \
             first, bubbles lift the hydrometer. A floating electronic one is not made of glass: \
             this does not hold for it.",
        ))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    #[test]
    fn warm_must_reads_low() {
        let told = ask("hydrometer", &[("read", "1.080"), ("sample", "30 C")]).unwrap();
        assert!((value(&told, "gravity") - 1.08314).abs() < 5e-5);
        assert!(
            told.sentence
                .contains("0.0031 more than it reads, taken as must"),
            "{}",
            told.sentence
        );
        let f = ask("hydrometer", &[("read", "1.080"), ("sample", "86 °F")]).unwrap();
        assert!((value(&f, "gravity") - value(&told, "gravity")).abs() < 1e-9);
    }

    #[test]
    fn mead_and_other_marks() {
        let mead = ask(
            "hydrometer",
            &[
                ("read", "1.010"),
                ("sample", "10"),
                ("marked", "60 F"),
                ("original", "1.100"),
            ],
        )
        .unwrap();
        assert!(value(&mead, "gravity") < value(&mead, "as-must"));
        let still = ask("hydrometer", &[("read", "1.010"), ("sample", "20")]).unwrap();
        assert!(still.sentence.contains("as it reads"));
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("hydrometer", fields).unwrap_err().to_string();
        assert_eq!(
            said(&[("read", "1.05"), ("sample", "55")]),
            "Temperature of the sample: 55.0 °C is outside 0.0 °C to 40.0 °C, where the densities are known"
        );
        assert!(said(&[("read", "10.5"), ("sample", "20")]).contains("outside 0.95 to 1.25"));
        assert_eq!(
            said(&[("sample", "20")]),
            "Read on the hydrometer: this is needed"
        );
    }
}
