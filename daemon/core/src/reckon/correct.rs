//! A must that came out too high or too low.

use super::answer::{Answer, Step, result};
use super::field::Field;
use super::scale::{capital, shown};
use super::sweet::{self, BALANCE, HONEY_OR_SUGAR, READING, Sweet, to_scale};
use super::{Complaints, Fact, Given, Reckoning};
use crate::deed::What;
use crate::must::{Correction, MustError, correct};
use crate::units::{Gravity, Kilograms, Litres};

pub static CORRECT_MUST: Reckoning = Reckoning {
    key: "correct-must",
    title: "A must put right",
    says: "How much honey, sugar or water brings a must that came out wrong to its gravity.",
    gate: None,
    fields: &[
        Field::number::<Litres>("volume", "Volume of must").fill(Fact::Volume),
        Field::number::<Gravity>("gravity", "Gravity now")
            .hint("Before fermentation, well stirred, at 20 °C.")
            .fill(Fact::Gravity),
        Field::number::<Gravity>("target", "Gravity wanted"),
        Field::choice("with", "Raised with", HONEY_OR_SUGAR).hint("To lower it there is water."),
        sweet::MOISTURE,
        sweet::HONEY_INDEX,
    ],
    run,
};

fn run(given: &Given) -> Result<Answer, Complaints> {
    let volume: Litres = given.need("volume")?;
    let (now, target): (Gravity, Gravity) = (given.need("gravity")?, given.need("target")?);
    if volume.get() <= 0.0 {
        return Err(given.complain("volume", "it must be more than 0 L").into());
    }
    if now.get() < 1.0 {
        return Err(given
            .complain(
                "gravity",
                "a must reads 1.000 or more; this one has fermented",
            )
            .into());
    }
    if target.get() < 1.0 {
        return Err(given
            .complain("target", "water cannot bring a must below 1.000")
            .into());
    }
    let with = if target < now {
        sweet::by_key(given, "water")?
    } else {
        sweet::by_key(given, given.choice("with"))?
    };
    let done = |now: Gravity| correct(volume, now, target, with.ingredient);
    let right = done(now).map_err(|e| given.complain("target", &e.to_string()))?;
    let off = |by: f64| match done(Gravity::computed(now.get() + by)) {
        Ok(c) => to_scale(c.add),
        // Read so, it is past the target already.
        Err(MustError::OutOfReach { .. }) => Kilograms::computed(0.0),
        // A must cannot read that, so it does not widen the range.
        Err(_) => to_scale(right.add),
    };
    let (a, b) = (off(READING), off(-READING));
    let range = if a < b { (a, b) } else { (b, a) };
    tell(given, &with, right, range, target)
        .map_err(|e| given.complain("target", &e.to_string()).into())
}

fn tell(
    given: &Given,
    with: &Sweet,
    right: Correction,
    range: (Kilograms, Kilograms),
    target: Gravity,
) -> Result<Answer, crate::liquid::LiquidError> {
    let mass = to_scale(right.add);
    let after = right.after.volume()?;
    if mass.get() <= 0.0 {
        return Ok(
            Answer::new(format!("It is at {} already.", shown(given, target)))
                .result(result("mass", capital(with.name), mass))
                .formula(BALANCE)
                .how_sure("As sure as the reading, which is good to 0.001."),
        );
    }
    let instead = to_scale(right.add_instead);
    let mut answer = Answer::new(format!(
        "Stir in {} of {}: {} at {}. To keep the volume, take {} out first and stir in {}.",
        shown(given, mass),
        with.name,
        shown(given, after),
        shown(given, target),
        shown(given, right.take_out),
        shown(given, instead),
    ));
    for outcome in with.outcomes(mass, range.0, range.1) {
        answer = answer.result(outcome);
    }
    Ok(answer
        .result(result("gravity", "Gravity after", target))
        .result(result("volume", "Volume after", after))
        .result(result("take-out", "Or take out", right.take_out))
        .result(result("mass-instead", "and stir in", instead))
        .formula(BALANCE)
        .how_sure(
            "The range is what 0.001 in the reading makes. Honey that is not stirred in lies at the bottom and reads too \
             low: stir, wait, read again before adding more.",
        )
        .step(Step {
            doses: vec![with.dose(mass)],
            volume: Some(after),
            gravity: Some(target),
            ..Step::new(
                What::Addition,
                format!("{} {} to bring the must to {:.4}", shown(given, mass), with.name, target.get()),
            )
        }))
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    #[test]
    fn up_with_honey_down_with_water() {
        let up = ask(
            "correct-must",
            &[("volume", "20"), ("gravity", "1.090"), ("target", "1.100")],
        )
        .unwrap();
        assert!(up.sentence.contains("of honey"), "{}", up.sentence);
        assert!(value(&up, "volume") > 20.4);
        let down = ask(
            "correct-must",
            &[("volume", "20"), ("gravity", "1.110"), ("target", "1.100")],
        )
        .unwrap();
        assert!(down.sentence.contains("of water"));
        // Points times volume stay, nearly: 20·110/100 = 22.
        assert!((value(&down, "volume") - 22.0).abs() < 0.2);
        let step = down.step.unwrap().deed;
        assert_eq!(step.doses.len(), 1);
        let same = ask(
            "correct-must",
            &[("volume", "20"), ("gravity", "1.1"), ("target", "1.1")],
        )
        .unwrap();
        assert!(same.sentence.contains("already") && same.step.is_none());
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("correct-must", fields).unwrap_err().to_string();
        assert!(
            said(&[("volume", "20"), ("gravity", "0.998"), ("target", "1.1")])
                .contains("this one has fermented")
        );
        assert!(
            said(&[("volume", "20"), ("gravity", "1.05"), ("target", "0.99")])
                .contains("Gravity wanted: water cannot")
        );
        assert!(
            said(&[("volume", "0"), ("gravity", "1.05"), ("target", "1.06")])
                .contains("more than 0 L")
        );
        assert!(
            said(&[("volume", "20"), ("gravity", "1.05"), ("target", "3")])
                .contains("3 is outside 0.95 to 1.25")
        );
    }

    /// Water that reads 0.001 less is no must; the range still holds the answer.
    #[test]
    fn the_range_holds_the_answer_from_water_up() {
        let told = ask(
            "correct-must",
            &[("volume", "20"), ("gravity", "1.000"), ("target", "1.050")],
        )
        .unwrap();
        let mass = told.results.iter().find(|r| r.key == "mass").unwrap();
        assert!(mass.low.unwrap() < mass.value.unwrap() && mass.low.unwrap() > 0.0);
        assert_eq!(mass.high, mass.value);
        let near = ask(
            "correct-must",
            &[("volume", "20"), ("gravity", "1.0495"), ("target", "1.050")],
        )
        .unwrap();
        let mass = near.results.iter().find(|r| r.key == "mass").unwrap();
        assert_eq!(mass.low, Some(0.0));
    }
}
