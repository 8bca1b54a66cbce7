//! Reading the plan out of the form of a mead.

use ebbmark_core::plan::{
    MOST_DAYS, MOST_PUSH, MOST_STEEPS, MOST_STEPS, Nutrient, PUSH_EVERY, Plan, Steep,
};

use crate::form::{Complaint, Take, of};
use crate::page::plan::{BYS, FINE, FINISHES, NO_OR_YES, PACKS, ROUSE, SPARKLING, steep_field};
use crate::visitor::Posted;

/// `None` from a form that does not ask for it: then the plan stays as it is.
pub(super) fn read(posted: &Posted) -> Result<Option<Plan>, Vec<Complaint>> {
    if !posted.fields.pairs().any(|(name, _)| name == "finish") {
        return Ok(None);
    }
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let style = take.line("style", "What it is to be");
    let gravity = take.gravity("target", "Gravity in the glass");
    let strength = take.strength("strength", "Strength");
    let steps = take.choice("steps", "Nutrient steps", |key| match key {
        "" => Some(0),
        n => n.parse().ok().filter(|n| (1..=MOST_STEPS).contains(n)),
    });
    let by = take.choice("by", "Nutrient steps go by", |key| of(&BYS, key));
    let finish = take.choice("finish", "Finished", |key| of(&FINISHES, key));
    let pack = take.choice("pack", "Into", |key| of(&PACKS, key));
    let rouse = take.choice("rouse", ROUSE, |key| of(&NO_OR_YES, key));
    let fine = take.choice("fine", FINE, |key| of(&NO_OR_YES, key));
    let sparkling = take.choice("sparkling", SPARKLING, |key| of(&NO_OR_YES, key));
    let steeps = (0..MOST_STEEPS)
        .filter_map(|n| steep(&mut take, n))
        .collect();
    let (Some(style), Some(steps), Some(by), Some(finish), Some(pack)) =
        (style, steps, by, finish, pack)
    else {
        return take.finish(None);
    };
    let (Some(rouse), Some(fine), Some(sparkling)) = (rouse, fine, sparkling) else {
        return take.finish(None);
    };
    take.finish(Some(Some(Plan {
        gravity,
        strength,
        style,
        nutrient: (steps > 0).then_some(Nutrient { steps, by }),
        rouse,
        steeps,
        finish,
        fine,
        pack,
        sparkling,
    })))
}

fn steep(take: &mut Take, n: usize) -> Option<Steep> {
    let field = |part: &str| steep_field(n, part);
    let name = take.line(&field("name"), "Fruit or spice")?;
    let days = take.count(&field("days"), "Days it stays in", 1..=MOST_DAYS);
    let push = take.count(
        &field("push"),
        "Pushed down every so many days",
        0..=MOST_PUSH.into(),
    );
    if name.is_empty() {
        if days.is_some() {
            take.complain(
                &field("name"),
                "Fruit or spice: say what stays in for so long",
            );
        }
        return None;
    }
    Some(Steep {
        name,
        days,
        push_every: push
            .and_then(|p| u8::try_from(p).ok())
            .unwrap_or(PUSH_EVERY),
    })
}
