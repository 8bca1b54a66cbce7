//! Reading the plan out of the form of a mead.

use ebbmark_core::deed::{Dose, Substance, What};
use ebbmark_core::plan::{
    GOES_IN, MOST_DAYS, MOST_GOODS, MOST_PUSH, MOST_STEEPS, MOST_STEPS, Nutrient, PUSH_EVERY, Plan,
    Planned, Steep,
};
use ebbmark_core::units::{Kilograms, MassPercent};

use crate::form::{Complaint, Take, of};
use crate::page::plan::{
    BYS, FINE, FINISHES, NO_OR_YES, PACKS, ROUSE, SPARKLING, good_field, steep_field,
};
use crate::visitor::Posted;

/// `None` from a form that does not ask for it: then the plan stays as it is, `old`.
pub(super) fn read(posted: &Posted, old: &Plan) -> Result<Option<Plan>, Vec<Complaint>> {
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
    let goods = (0..MOST_GOODS)
        .filter_map(|n| good(&mut take, posted, n, old.goods.get(n)))
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
        goods,
    })))
}

/// What was planned keeps the digits that were not shown where its mass was not touched.
fn good(take: &mut Take, posted: &Posted, n: usize, old: Option<&Planned>) -> Option<Planned> {
    let field = |part: &str| good_field(n, part);
    let text = posted.fields.get(&field("mass"));
    if text.is_empty() {
        return None;
    }
    let with = take.choice(&field("with"), "Goes in", |key| {
        What::from_key(key).filter(|w| GOES_IN.contains(w))
    });
    let of = take.choice(&field("of"), "What", Substance::from_key);
    let name = take.line(&field("name"), "Its name");
    let extract: Option<MassPercent> = take.quantity(&field("extract"), "Extract in it");
    let same = old.map(|o| o.dose.mass);
    let mass = match same.filter(|mass| posted.visitor.mass(*mass) == text) {
        Some(mass) => Some(mass),
        None => take.quantity::<Kilograms>(&field("mass"), "How much"),
    };
    Some(Planned {
        with: with?,
        dose: Dose {
            of: of?,
            mass: mass?,
            name: name?,
            extract,
        },
    })
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
