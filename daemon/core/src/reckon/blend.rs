//! Blending two or more meads.

use super::answer::{Answer, result};
use super::field::{Choice, Field};
use super::scale::shown;
use super::sweet::{READING, TABARIE};
use super::{Complaint, Complaints, Fact, Given, Reckoning};
use crate::blend::{BlendError, Wanted, pour_in, to_volume, together};
use crate::liquid::{Liquid, LiquidError};
use crate::strength::uncertainty;
use crate::units::{AbvPercent, Gravity, Litres};

pub static BLEND: Reckoning = Reckoning {
    key: "blend",
    title: "Blending",
    says: "What two or more meads give together, or how much of the last one it takes to a strength or a sweetness.",
    gate: None,
    fields: &[
        Field::choice("want", "What is wanted", WANT),
        Field::number::<Litres>("volume", "Volume of this mead").fill(Fact::Volume),
        Field::number::<Gravity>("gravity", "Its gravity").fill(Fact::Gravity),
        Field::number::<AbvPercent>("strength", "Its strength").fill(Fact::Strength),
        Field::rows("parts", "Blended with", PARTS, 1, 6),
        Field::number::<AbvPercent>("target-strength", "Strength wanted").may_be_left(),
        Field::number::<Gravity>("target-gravity", "Gravity wanted").may_be_left(),
        Field::number::<Litres>("total", "Volume wanted")
            .may_be_left()
            .hint("Leave it empty to use all of this mead."),
    ],
    run,
};

const WANT: &[Choice] = &[
    Choice {
        key: "together",
        label: "what all of them give together",
    },
    Choice {
        key: "strength",
        label: "how much of the last for a strength",
    },
    Choice {
        key: "gravity",
        label: "how much of the last for a sweetness",
    },
];

const PARTS: &[Field] = &[
    Field::words("name", "Name"),
    Field::number::<Litres>("volume", "Volume")
        .may_be_left()
        .hint("How much there is; of the last it may be left empty when it is asked for."),
    Field::number::<Gravity>("gravity", "Gravity").hint("Water: 1.000."),
    Field::number::<AbvPercent>("strength", "Strength"),
];

/// Stands in where it is not said how much of the last part there is.
const ANY: Litres = Litres::computed(1.0);

struct Part {
    name: String,
    volume: Option<Litres>,
    liquid: Liquid,
}

fn part(row: &Given, name: String) -> Result<Part, Complaint> {
    let volume: Option<Litres> = row.maybe("volume");
    if volume.is_some_and(|v| v.get() <= 0.0) {
        return Err(row.complain("volume", "it must be more than 0 L"));
    }
    let liquid = Liquid::mead(
        volume.unwrap_or(ANY),
        row.need("gravity")?,
        row.need("strength")?,
    )
    .map_err(|e| row.complain("gravity", &e.to_string()))?;
    Ok(Part {
        name,
        volume,
        liquid,
    })
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    let this = part(given, "this mead".to_owned())?;
    let mut parts = vec![this];
    let rows = given.rows("parts");
    for (i, row) in rows.iter().enumerate() {
        let name = match row.words("name") {
            "" => format!("part {}", i + 2),
            name => name.to_owned(),
        };
        parts.push(part(row, name)?);
    }
    let asked = given.choice("want");
    let wanted = match asked {
        "strength" => Some(Wanted::Strength(given.need("target-strength")?)),
        "gravity" => Some(Wanted::Gravity(given.need("target-gravity")?)),
        _ => None,
    };
    // All of a part goes in whose share is not asked for, so it must be said how much that is.
    let fixed = parts.len() - usize::from(wanted.is_some());
    if let Some(row) = rows
        .iter()
        .take(fixed - 1)
        .find(|row| row.maybe::<Litres>("volume").is_none())
    {
        return Err(row.complain("volume", "this is needed").into());
    }
    let at_fault = |e: LiquidError| Complaints::from(given.complain("parts", &e.to_string()));
    match wanted {
        None => {
            let all: Vec<Liquid> = parts.iter().map(|p| p.liquid).collect();
            all_together(given, together(&all)).map_err(at_fault)
        }
        Some(wanted) => {
            let key = match wanted {
                Wanted::Strength(_) => "target-strength",
                Wanted::Gravity(_) => "target-gravity",
            };
            to_wanted(given, &parts, wanted, key)
        }
    }
}

fn to_wanted(
    given: &Given,
    parts: &[Part],
    wanted: Wanted,
    key: &str,
) -> Result<Answer, Complaints> {
    let Some((last, rest)) = parts.split_last() else {
        return Err(given.complain("parts", "at least one is needed").into());
    };
    let base = together(&rest.iter().map(|p| p.liquid).collect::<Vec<_>>());
    let blend_fault = |e: BlendError| Complaints::from(given.complain(key, &e.to_string()));
    let liquid_fault = |e: LiquidError| Complaints::from(given.complain("parts", &e.to_string()));
    let (of_base, of_last, blend) = match given.maybe::<Litres>("total") {
        None => {
            let (poured, blend) = pour_in(base, last.liquid, wanted).map_err(blend_fault)?;
            (base.volume().map_err(liquid_fault)?, poured, blend)
        }
        Some(total) => {
            let ([of_base, of_last], blend) =
                to_volume(base, last.liquid, wanted, total).map_err(blend_fault)?;
            (of_base, of_last, blend)
        }
    };
    let there = base.volume().map_err(liquid_fault)?;
    if of_base.get() > there.get() * (1.0 + 1e-9) {
        return Err(given
            .complain(
                "total",
                &format!(
                    "{} of it would be needed, and there are {}",
                    shown(given, of_base),
                    shown(given, there)
                ),
            )
            .into());
    }
    let short = match last
        .volume
        .filter(|v| of_last.get() > v.get() * (1.0 + 1e-9))
    {
        Some(v) => format!(" There are only {} of it.", shown(given, v)),
        None => String::new(),
    };
    let base_name = match rest {
        [one] => one.name.clone(),
        _ => "the others together".to_owned(),
    };
    let answer = Answer::new(format!(
        "{} of {base_name} and {} of {} make {}.{short}",
        shown(given, of_base),
        shown(given, of_last),
        last.name,
        describe(given, blend).map_err(liquid_fault)?,
    ))
    .result(result("of-first", format!("Of {base_name}"), of_base))
    .result(result("of-last", format!("Of {}", last.name), of_last));
    tell(answer, blend).map_err(liquid_fault)
}

fn all_together(given: &Given, blend: Liquid) -> Result<Answer, LiquidError> {
    let answer = Answer::new(format!("Together they make {}.", describe(given, blend)?));
    tell(answer, blend)
}

fn describe(given: &Given, blend: Liquid) -> Result<String, LiquidError> {
    Ok(format!(
        "{} at {} with {:.1} % vol",
        shown(given, blend.volume()?),
        shown(given, blend.gravity()?),
        blend.strength()?.get()
    ))
}

fn tell(answer: Answer, blend: Liquid) -> Result<Answer, LiquidError> {
    let (gravity, strength) = (blend.gravity()?, blend.strength()?);
    let half = uncertainty(strength).get();
    Ok(answer
        .result(result("volume", "Volume of the blend", blend.volume()?))
        .result(result("gravity", "Its gravity", gravity).between(
            Gravity::computed(gravity.get() - READING),
            Gravity::computed(gravity.get() + READING),
        ))
        .result(result("strength", "Its strength", strength).between(
            AbvPercent::computed((strength.get() - half).max(0.0)),
            AbvPercent::computed(strength.get() + half),
        ))
        .result(result("sugar", "Extract to the litre", blend.extract_per_litre()?))
        .formula(TABARIE)
        .how_sure(format!(
            "As sure as the parts are known: ±0.001 in gravity, ±{half:.1} % vol. Taste it in a glass in the same shares \
             first."
        ))
        .caution(
            "Two finished meads may ferment again together: one brings sugar, the other yeast that bears more. Look at it as \
             one that is not stopped, and see what a sealed vessel would come to before you close it.",
        ))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    const TWO: [(&str, &str); 7] = [
        ("volume", "20 L"),
        ("gravity", "0.998"),
        ("strength", "14"),
        ("parts.1.name", "the sweet one"),
        ("parts.1.volume", "10 L"),
        ("parts.1.gravity", "1.030"),
        ("parts.1.strength", "9"),
    ];

    fn with<'a>(more: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
        TWO.into_iter().chain(more.iter().copied()).collect()
    }

    #[test]
    fn all_of_both() {
        let told = ask("blend", &TWO).unwrap();
        assert!((value(&told, "strength") - 12.33).abs() < 0.02);
        assert!((value(&told, "volume") - 30.0).abs() < 0.05);
        assert!(told.sentence.starts_with("Together they make"));
    }

    #[test]
    fn to_a_strength_or_a_sweetness() {
        let told = ask(
            "blend",
            &with(&[("want", "strength"), ("target-strength", "13")]),
        )
        .unwrap();
        assert!((value(&told, "strength") - 13.0).abs() < 1e-6);
        assert!((value(&told, "of-last") - 5.0).abs() < 0.05);
        let told = ask(
            "blend",
            &with(&[
                ("want", "gravity"),
                ("target-gravity", "1.010"),
                ("total", "5 L"),
            ]),
        )
        .unwrap();
        assert!((value(&told, "gravity") - 1.010).abs() < 1e-6);
        assert!((value(&told, "volume") - 5.0).abs() < 1e-6);
        // More of the last than there is, is said.
        let much = ask(
            "blend",
            &with(&[("want", "strength"), ("target-strength", "10")]),
        )
        .unwrap();
        assert!(
            much.sentence.contains("There are only 10.00 L of it"),
            "{}",
            much.sentence
        );
    }

    #[test]
    fn three_parts() {
        let told = ask(
            "blend",
            &with(&[
                ("want", "strength"),
                ("target-strength", "11"),
                ("parts.2.name", "water"),
                ("parts.2.gravity", "1.000"),
                ("parts.2.strength", "0"),
            ]),
        )
        .unwrap();
        assert!(told.sentence.contains("the others together"));
        assert!((value(&told, "strength") - 11.0).abs() < 1e-6);
    }

    #[test]
    fn nonsense_is_named() {
        let said = |more: &[(&str, &str)]| ask("blend", &with(more)).unwrap_err().to_string();
        assert_eq!(
            said(&[("want", "strength"), ("target-strength", "16")]),
            "Strength wanted: a blend of these lies between 9.0 % vol and 14.0 % vol"
        );
        assert_eq!(
            said(&[("want", "strength")]),
            "Strength wanted: this is needed"
        );
        assert!(
            said(&[("parts.1.gravity", "0.96")])
                .contains("Gravity: a mead of 9.0 % vol cannot read 0.9600")
        );
        assert!(said(&[("parts.1.volume", "")]).contains("Volume: this is needed"));
        assert!(said(&[("parts.1.volume", "0")]).contains("more than 0 L"));
        assert!(
            said(&[
                ("want", "gravity"),
                ("target-gravity", "1.001"),
                ("total", "60")
            ])
            .contains("Volume wanted: ")
        );
        assert!(
            ask("blend", &TWO[..3])
                .unwrap_err()
                .to_string()
                .contains("Blended with: at least one")
        );
    }
}
