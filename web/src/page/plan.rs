//! The plan of a mead: its fields in the form, and in words.

use ebbmark_core::card::called;
use ebbmark_core::deed::{Dose, Substance, What};
use ebbmark_core::plan::{By, Finish, GOES_IN, MOST_STEPS, PUSH_EVERY, Pack, Plan, Planned, Steep};
use maud::{Markup, html};

use super::field::{Sheet, choices, fold, pick};
use crate::show::as_heading;
use crate::visitor::Visitor;

/// So many kinds of fruit or spice have fields, unless more are planned.
const STEEPS: usize = 2;
/// Empty rows after what is planned to go in.
const MORE_GOODS: usize = 2;
/// The key of no nutrient step at all.
const OPEN: &str = "";
/// What may be chosen, each with its key and what it is called.
pub(crate) const BYS: [(By, &str, &str); 2] = [
    (By::Sugar, "sugar", "the sugar used"),
    (By::Hours, "hours", "hours after the yeast"),
];
pub(crate) const FINISHES: [(Option<Finish>, &str, &str); 3] = [
    (None, "", "open"),
    (Some(Finish::Dry), "dry", "as it is"),
    (
        Some(Finish::Sweetened),
        "sweetened",
        "stabilised and sweetened",
    ),
];
pub(crate) const PACKS: [(Option<Pack>, &str, &str); 3] = [
    (None, "", "open"),
    (Some(Pack::Keg), "keg", "a keg"),
    (Some(Pack::Bottle), "bottle", "bottles"),
];
pub(crate) const NO_OR_YES: [(bool, &str, &str); 2] = [(false, "", "no"), (true, "yes", "yes")];
/// Said on the form and in its complaints.
pub(crate) const ROUSE: &str = "Stir the gas out in the first days";
pub(crate) const FINE: &str = "Cleared with something stirred in";
pub(crate) const SPARKLING: &str = "It is to sparkle";

pub(super) fn fields(sheet: &Sheet, visitor: &Visitor, plan: &Plan) -> Markup {
    let gravity = plan
        .gravity
        .map_or_else(String::new, |g| visitor.gravity_field(g));
    let strength = plan
        .strength
        .map_or_else(String::new, |s| s.get().to_string());
    let steps = plan
        .nutrient
        .map_or_else(String::new, |n| n.steps.to_string());
    let by = plan.nutrient.map_or(By::Sugar, |n| n.by);
    let mut counts = vec![(OPEN.to_owned(), "none planned".to_owned())];
    counts.extend((1..=MOST_STEPS).map(|n| (n.to_string(), n.to_string())));
    let inner = html! {
        p.aside { "All of it may be left open. What is said here asks for its steps in time." }
        div.fields {
            (sheet.text("style", "What it is to be", &plan.style, "In your own words: \"dry, on figs\"."))
            (sheet.number("target", &format!("Gravity in the glass, {}", visitor.gravity_unit()), &gravity, ""))
            (sheet.number("strength", "Strength, % vol", &strength, ""))
            (sheet.select("steps", "Nutrient steps", &counts, &steps))
            (pick(sheet, "by", "… go by", &BYS, by))
            (pick(sheet, "rouse", ROUSE, &NO_OR_YES, plan.rouse))
            @for n in 0..plan.steeps.len().max(STEEPS) { (steep(sheet, n, plan.steeps.get(n))) }
            (pick(sheet, "finish", "Finished", &FINISHES, plan.finish))
            (pick(sheet, "fine", FINE, &NO_OR_YES, plan.fine))
            (pick(sheet, "pack", "Into", &PACKS, plan.pack))
            (pick(sheet, "sparkling", SPARKLING, &NO_OR_YES, plan.sparkling))
        }
    };
    html! {
        (fold("plan", "What it is to become", sheet.refused(), inner))
        (fold("goods", "What is to go in", sheet.refused(), html! {
            @for n in 0..plan.goods.len() + MORE_GOODS { (good(sheet, visitor, n, plan.goods.get(n))) }
        }))
    }
}

fn steep(sheet: &Sheet, n: usize, steep: Option<&Steep>) -> Markup {
    let days = steep
        .and_then(|s| s.days)
        .map_or_else(String::new, |d| d.to_string());
    let push = steep.map_or(PUSH_EVERY, |s| s.push_every).to_string();
    let field = |part: &str| steep_field(n, part);
    let which = if n == 0 { "Fruit or spice" } else { "Another" };
    html! {
        (sheet.text(&field("name"), which, steep.map_or("", |s| &s.name), "As you will name it in the book when it goes in."))
        (sheet.number(&field("days"), "… stays in, days", &days, "Then you are told to take it out."))
        (sheet.number(&field("push"), "… pushed down every so many days", &push, "0 for what does not float."))
    }
}

/// A row of what is planned to go in; left without a mass it is none.
fn good(sheet: &Sheet, visitor: &Visitor, n: usize, good: Option<&Planned>) -> Markup {
    let dose = good.map(|g| &g.dose);
    let mass = dose.map_or_else(String::new, |d| visitor.mass(d.mass));
    let extract = dose
        .and_then(|d| d.extract)
        .map_or_else(String::new, |e| e.get().to_string());
    let with = good.map_or(What::Pitch, |g| g.with);
    let field = |part: &str| good_field(n, part);
    html! {
        fieldset.good {
            legend { (dose.map_or_else(|| "Another".to_owned(), |d| as_heading(&called(d.of, &d.name)))) }
            div.fields {
                (sheet.select(&field("with"), "Goes in", &choices(&GOES_IN, What::key, goes_in), with.key()))
                (sheet.select(&field("of"), "What", &choices(&Substance::ALL, Substance::key, Substance::label),
                    dose.map_or(Substance::Honey, |d| d.of).key()))
                (sheet.text(&field("name"), "Its name", dose.map_or("", |d| &d.name), ""))
                (sheet.number(&field("mass"), &format!("How much, {}", visitor.mass_unit()), &mass, "Left empty: it does not go in."))
                (sheet.number(&field("extract"), "Extract in it, % by mass", &extract, "Of what brings sugar; honey has about 82."))
            }
        }
    }
}

/// Name of a field of the nth thing that is planned to go in.
pub(crate) fn good_field(n: usize, part: &str) -> String {
    format!("good-{}-{part}", n + 1)
}

/// When or what for something planned goes in, after its name.
pub(crate) fn goes_in(with: What) -> &'static str {
    match with {
        What::Pitch => "with the yeast",
        What::Nutrient => "for the yeast",
        What::Sweeten => "to sweeten it",
        What::Fine => "to clear it",
        What::Carbonate => "for the sparkle",
        _ => "later on",
    }
}

/// "6.2 kg linden honey".
fn weighed(visitor: &Visitor, dose: &Dose) -> String {
    format!(
        "{} {}",
        visitor.mass(dose.mass),
        called(dose.of, &dose.name)
    )
}

/// Name of a field of the nth fruit or spice.
pub(crate) fn steep_field(n: usize, part: &str) -> String {
    format!("steep-{}-{part}", n + 1)
}

/// The plan in a line; empty where nothing is planned.
pub(super) fn in_words(visitor: &Visitor, plan: &Plan) -> String {
    let mut words = Vec::new();
    if !plan.style.is_empty() {
        words.push(plan.style.clone());
    }
    if let Some(g) = plan.gravity {
        words.push(format!("{} in the glass", visitor.gravity(g)));
    }
    if let Some(s) = plan.strength {
        words.push(format!("{} % vol", s.get()));
    }
    if let Some(n) = plan.nutrient {
        let steps = if n.steps == 1 { "step" } else { "steps" };
        let by = match n.by {
            By::Sugar => "sugar used",
            By::Hours => "hours",
        };
        words.push(format!("{} nutrient {steps} by {by}", n.steps));
    }
    for steep in &plan.steeps {
        words.push(match steep.days {
            Some(1) => format!("{} for a day", steep.name),
            Some(days) => format!("{} for {days} days", steep.name),
            None => steep.name.clone(),
        });
    }
    match plan.finish {
        Some(Finish::Dry) => words.push("kept as it is".to_owned()),
        Some(Finish::Sweetened) => words.push("stabilised and sweetened".to_owned()),
        None => {}
    }
    if plan.fine {
        words.push("cleared".to_owned());
    }
    match plan.pack {
        Some(Pack::Keg) => words.push("kegged".to_owned()),
        Some(Pack::Bottle) => words.push("bottled".to_owned()),
        None => {}
    }
    if plan.sparkling {
        words.push("sparkling".to_owned());
    }
    for with in GOES_IN {
        let goods = plan.goods.iter().filter(|g| g.with == with);
        let goods: Vec<String> = goods.map(|g| weighed(visitor, &g.dose)).collect();
        if !goods.is_empty() {
            words.push(format!("{} {}", goods.join(" and "), goes_in(with)));
        }
    }
    words.join(", ")
}
