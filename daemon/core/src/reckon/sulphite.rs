//! Topping up sulphite after a measurement.

use super::answer::{Answer, Step};
use super::sulphur::{self, Sulphite};
use super::{Complaints, Given, Reckoning, rules};
use crate::deed::What;

pub static SULPHITE: Reckoning = Reckoning {
    key: "sulphite",
    title: "Topping up sulphite",
    says: "How much metabisulphite brings measured free sulphur dioxide back to where it protects.",
    gate: None,
    fields: &[
        sulphur::VOLUME,
        sulphur::PH,
        sulphur::FREE_NOW,
        sulphur::TOTAL_NOW,
        sulphur::MOLECULAR,
        sulphur::BOUND,
        sulphur::SALT,
        sulphur::SOLUTION,
        rules::field(),
        sulphur::OWN_LIMIT,
    ],
    run,
};

fn run(given: &Given) -> Result<Answer, Complaints> {
    let plan = Sulphite::plan(given)?;
    let answer = plan
        .tell(given, Answer::new(plan.sentence(given)))
        .how_sure(plan.how_sure())
        .caution(sulphur::CAUTION_FUMES)
        .caution(sulphur::CAUTION_LABEL)
        .caution(sulphur::CAUTION_LAW);
    if plan.portion.mass.get() <= 0.0 {
        return Ok(answer);
    }
    Ok(answer.step(Step {
        doses: vec![plan.dose()],
        wait: Some(sulphur::UNTIL_MEASURED),
        // A remark: without sorbate nothing holds the yeast.
        ..Step::new(
            What::Remark,
            format!("sulphite topped up: {}", plan.dose_told(given)),
        )
    }))
}
