//! Water in honey from its refractive index.

use super::answer::{Answer, Formula, result};
use super::scale::shown;
use super::{Complaints, Field, Given, Reckoning};
use crate::must::honey::{HoneyError, water};
use crate::units::{Celsius, MassPercent, RefractiveIndex};

pub static HONEY_MOISTURE: Reckoning = Reckoning {
    key: "honey-moisture",
    title: "Water in honey",
    says: "How much water a honey holds, by its refractive index: what its sugar is reckoned by.",
    gate: None,
    fields: &[
        Field::number::<RefractiveIndex>("index", "Refractive index of the honey").hint(
            "1.4740 to 1.5044 at 20 °C. A scale in °Bx for sugar solutions does not serve here.",
        ),
        Field::number::<Celsius>("temperature", "Temperature of the honey")
            .usual("20 °C")
            .hint("20 °C when the instrument corrects for it."),
    ],
    run,
};

/// Half range to state, % water: the instrument and crystals.
const HALF: f64 = 0.2;
/// General limit of Council Directive 2001/110/EC annex II, % water.
const LIMIT: f64 = 20.0;

fn run(given: &Given) -> Result<Answer, Complaints> {
    let n: RefractiveIndex = given.need("index")?;
    let t: Celsius = given.need("temperature")?;
    let found = water(n, t).map_err(|e| {
        let key = match e {
            HoneyError::NotHoney { .. } => "index",
            HoneyError::Temperature(_) => "temperature",
        };
        given.complain(key, &e.to_string())
    })?;
    let w = found.get();
    let keeps = if w > LIMIT {
        " That is above 20 %, the general limit for honey that is sold in the EU (heather honey 23 %), and it may \
         start to ferment by itself."
    } else {
        ""
    };
    Ok(Answer::new(format!(
        "This honey holds {w:.1} % water and {:.1} % solids.{keeps}",
        100.0 - w
    ))
    .result(
        result("moisture", "Water", found).between(
            MassPercent::computed(w - HALF),
            MassPercent::computed(w + HALF),
        ),
    )
    .result(result(
        "solids",
        "Solids, counted as extract",
        MassPercent::computed(100.0 - w),
    ))
    .formula(Formula {
        name: "Chataway's table by Wedmore's formula",
        source: "W = (-0.2681 - log10(n - 1))/0.002243, AOAC 969.38; table in Bogdanov, Book of Honey, chapter 4",
    })
    .formula(Formula {
        name: "limit of moisture",
        source: "Council Directive 2001/110/EC, annex II",
    })
    .how_sure(format!(
        "Give or take 0.2 % water by the instrument at {}; crystals in the honey make it worse, so warm it until clear \
         and let it cool. One per cent of water more or less is 0.001 in the gravity of a must.",
        shown(given, t)
    )))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    /// Bogdanov, Book of Honey, chapter 4, table after Chataway.
    #[test]
    fn by_the_table() {
        for (index, water) in [("1.4935", 17.2), ("1,4865", 20.0)] {
            let told = ask("honey-moisture", &[("index", index)]).unwrap();
            assert!((value(&told, "moisture") - water).abs() < 0.05);
        }
        let wet = ask(
            "honey-moisture",
            &[("index", "1.4830"), ("temperature", "68 F")],
        )
        .unwrap();
        assert!(wet.sentence.contains("above 20 %"));
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("honey-moisture", fields).unwrap_err().to_string();
        assert!(said(&[("index", "1.4000")]).contains(
            "Refractive index of the honey: a refractive index of 1.4000 at 20 °C means"
        ));
        assert!(said(&[("index", "80")]).contains("80 is outside 1.3 to 1.55"));
        assert!(
            said(&[("index", "1.49"), ("temperature", "50")])
                .contains("Temperature of the honey: 50.0 °C is too far")
        );
    }
}
