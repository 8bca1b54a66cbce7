//! The card itself.

use ebbmark_core::card::{self, Card, Ingredient, Record, Relative};
use ebbmark_core::deed::What;
use ebbmark_core::ids::BatchId;
use ebbmark_core::strength::uncertainty;
use ebbmark_core::units::{Energy, Kilograms, Litres, Quantity};
use maud::{Markup, html};

use super::paper::{FININGS, INGREDIENTS, KIN, NOTE, PLACES, TASTINGS, paper};
use super::{curve, log};
use crate::fault::Fault;
use crate::show::as_heading;
use crate::visitor::Visitor;

const UNKNOWN: &str = "not on record";

/// `linked` is for the page; a file that stands alone leads nowhere.
pub(super) fn show(visitor: &Visitor, record: &Record, linked: bool) -> Result<Markup, Fault> {
    let card = card::card(record);
    let rows = log::rows(visitor, &card);
    let paper = paper(&card, log::wanted(&rows));
    Ok(html! {
        article class={ "card " (paper.class) } {
            (head(visitor, &card))
            (figures(visitor, &card))
            (curve::show(visitor, record)?)
            div.parts {
                (ingredients(visitor, &card))
                (steps(visitor, &card))
                (places(visitor, &card))
                (family(visitor, &card, linked))
                (measured(visitor, &card))
                (tasting(visitor, &card))
                (told(&card))
                (missing(&card))
            }
            (log::show(visitor, &card, rows, paper))
            p.made {
                "As the book says" @if card.mead.ended.is_none() { " so far" } ", "
                (visitor.date(card.as_of)) "."
            }
        }
    })
}

fn head(visitor: &Visitor, card: &Card) -> Markup {
    let mead = &card.mead;
    let mut facts = Vec::new();
    if !mead.honey.is_empty() {
        facts.push(format!("honey: {}", mead.honey));
    }
    if !mead.yeast.is_empty() {
        facts.push(format!("yeast: {}", mead.yeast));
    }
    let days = format!("{:.0}", mead.days.floor());
    html! {
        header {
            h1 { (mead.name) @if !mead.style.is_empty() { small { (mead.style) } } }
            p {
                "No. " (mead.number) ". Pitched " (visitor.date(mead.pitched)) ", "
                @match mead.ended {
                    Some(ended) => { "finished " (visitor.date(ended)) " after " (days) " days." }
                    None => { "day " (days) ", so far." }
                }
                @if !facts.is_empty() { " " (as_heading(&facts.join("; "))) "." }
            }
            @if !mead.note.is_empty() { p.note { (short(&mead.note)) } }
        }
    }
}

fn figures(visitor: &Visitor, card: &Card) -> Markup {
    let (strength, strength_how) = strength(card);
    let (gravity, gravity_how) = gravity(visitor, card);
    let (made, made_how) = volume(visitor, card);
    let (left, left_how) = match &card.sweetness {
        Some(s) => (
            format!("{:.0} g/L", s.residual_extract_g_per_l.get()),
            format!(
                "extract, at most so much sugar; {}",
                Energy::MEASURE.show(s.energy_kcal_per_100ml.get(), visitor.prefs)
            ),
        ),
        None => (UNKNOWN.to_owned(), String::new()),
    };
    let (cost, cost_how) = cost(visitor, card);
    html! {
        dl.figures {
            (figure("Strength", &strength, &strength_how))
            (figure("Gravity", &gravity, &gravity_how))
            (figure("Made", &made, &made_how))
            (figure("Left in it", &left, &left_how))
            (figure("A bottle costs", &cost, &cost_how))
        }
    }
}

fn figure(name: &str, value: &str, how: &str) -> Markup {
    html! {
        div {
            dt { (name) }
            dd { b.unknown[value == UNKNOWN] { (value) } @if !how.is_empty() { small { (how) } } }
        }
    }
}

fn strength(card: &Card) -> (String, String) {
    let Some(by_mass) = card.strength.by_mass_percent else {
        return (UNKNOWN.to_owned(), String::new());
    };
    let sure = format!("give or take {:.1}", uncertainty(by_mass).get());
    let how = match card.strength.by_gravities_percent {
        Some(two) => format!(
            "reckoned by mass, {sure}; by its two gravities {:.1}",
            two.get()
        ),
        None => format!("reckoned by mass through its log, {sure}"),
    };
    (format!("{:.1} % vol", by_mass.get()), how)
}

fn gravity(visitor: &Visitor, card: &Card) -> (String, String) {
    let shown = |g| visitor.gravity(g);
    let gravity = &card.gravity;
    let value = match (gravity.original_sg, gravity.last_sg) {
        (Some(original), Some(last)) => format!("{} to {}", shown(original), shown(last)),
        (Some(original), None) => format!("{} at first", shown(original)),
        (None, Some(last)) => format!("{} at last", shown(last)),
        (None, None) => UNKNOWN.to_owned(),
    };
    let sweetened = card.log.iter().find(|line| line.what == What::Sweeten);
    let before = sweetened.and_then(|line| line.gravity_before_sg);
    let before = before.map(|g| format!("{} before it was sweetened", shown(g)));
    let carried = gravity.with_additions_sg;
    let carried = carried.map(|g| format!("all that went in would have begun at {}", shown(g)));
    let how: Vec<String> = before.into_iter().chain(carried).collect();
    (value, how.join("; "))
}

fn volume(visitor: &Visitor, card: &Card) -> (String, String) {
    let volume = &card.volume;
    let shown = |v| visitor.volume(v);
    let value = volume.made_l.map_or(UNKNOWN.to_owned(), shown);
    let more = |v: &Option<Litres>| v.filter(|v| v.get() >= 0.05);
    let mut how = Vec::new();
    how.extend(volume.began_l.map(|v| format!("from {}", shown(v))));
    how.extend(more(&volume.lost_l).map(|v| format!("{} lost", shown(v))));
    how.extend(more(&volume.poured_l).map(|v| format!("{} poured into others", shown(v))));
    (value, how.join(", "))
}

fn cost(visitor: &Visitor, card: &Card) -> (String, String) {
    let Some(cost) = &card.cost else {
        return (UNKNOWN.to_owned(), String::new());
    };
    let money = |v: f64| {
        let amount = format!("{v:.2}");
        if cost.money.is_empty() {
            amount
        } else {
            format!("{amount} {}", cost.money)
        }
    };
    let least = if cost.without_price.is_empty() {
        ""
    } else {
        "at least "
    };
    let value = cost
        .per_bottle
        .map_or(UNKNOWN.to_owned(), |v| format!("{least}{}", money(v)));
    let with = if cost.with_bottle { "with" } else { "without" };
    let size = Litres::MEASURE.show(cost.bottle_l.get(), visitor.prefs);
    let mut how = vec![format!("{size}, {with} the bottle")];
    how.extend(cost.per_litre.map(|v| format!("{v:.2} a litre")));
    how.push(format!("{:.2} in all", cost.in_all));
    (value, how.join("; "))
}

/// One thing in one row, however much extract each of its doses brought.
fn together(all: &[Ingredient]) -> Vec<Ingredient> {
    let mut rows: Vec<Ingredient> = Vec::new();
    let sum = |a: Kilograms, b: Kilograms| Kilograms::computed(a.get() + b.get());
    for one in all {
        match rows.iter_mut().find(|r| r.called() == one.called()) {
            Some(row) => {
                row.own_kg = sum(row.own_kg, one.own_kg);
                let both = row.inherited_kg.zip(one.inherited_kg);
                row.inherited_kg = both.map(|(a, b)| sum(a, b));
                let both = row.poured_kg.zip(one.poured_kg);
                row.poured_kg = both.map(|(a, b)| sum(a, b));
            }
            None => rows.push(one.clone()),
        }
    }
    rows
}

fn ingredients(visitor: &Visitor, card: &Card) -> Markup {
    let all = together(&card.ingredients);
    if all.is_empty() {
        return html! {};
    }
    let along = all
        .iter()
        .any(|i| i.inherited_kg.is_none_or(|kg| kg.get() > 0.0));
    let mass = |kg: Kilograms| {
        if kg.get() > 0.0 {
            visitor.mass(kg)
        } else {
            String::new()
        }
    };
    let some = |kg: Option<Kilograms>| kg.map_or("some".to_owned(), mass);
    let on = all
        .iter()
        .any(|i| i.poured_kg.is_none_or(|kg| kg.get() > 0.0));
    html! {
        section.went-in aria-labelledby="went-in" {
            h2 #went-in { "What went in" }
            table {
                thead { tr {
                    th scope="col" { "What" } th.number scope="col" { "Put in" }
                    @if along { th.number scope="col" { "Came along" } }
                    @if on { th.number scope="col" { "Went on" } }
                } }
                tbody {
                    @for (n, ingredient) in all.iter().enumerate() {
                        tr.beyond[n >= INGREDIENTS] {
                            th scope="row" { (as_heading(&ingredient.called())) }
                            td.number { (mass(ingredient.own_kg)) }
                            @if along { td.number { (some(ingredient.inherited_kg)) } }
                            @if on { td.number { (some(ingredient.poured_kg)) } }
                        }
                    }
                }
            }
            (and_more(all.len(), INGREDIENTS))
            @if along { p.aside { "What came along is its share of what the meads before it were given." } }
            @if on { p.aside { "What went on is what the meads poured from it took of it." } }
        }
    }
}

/// Said on paper alone, where not all is there.
fn and_more(all: usize, shown: usize) -> Markup {
    html! { @if all > shown { p.beyond-said { "And " (all - shown) " more." } } }
}

fn steps(visitor: &Visitor, card: &Card) -> Markup {
    html! {
        section aria-labelledby="steps" {
            h2 #steps { "Days in each step" }
            table {
                thead { tr { th scope="col" { "Step" } th scope="col" { "From" } th.number scope="col" { "Days" } } }
                tbody {
                    @for step in &card.steps {
                        tr {
                            th scope="row" { (as_heading(step.step.label())) }
                            td { (visitor.date(step.from)) }
                            td.number {
                                (format!("{:.0}", step.days))
                                @if step.until.is_none() { " so far" }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn places(visitor: &Visitor, card: &Card) -> Markup {
    html! {
        section aria-labelledby="places" {
            h2 #places { "Where it was" }
            ul.plain {
                @for (n, place) in card.places.iter().enumerate() {
                    li.beyond[n >= PLACES] {
                        (place.vessel)
                        @if place.mead != card.mead.name { " (as " (place.mead) ")" }
                        ", from " (visitor.date(place.from))
                        @if let Some(until) = place.until { " to " (visitor.date(until)) }
                        ", " (format!("{:.0}", place.days)) " days"
                    }
                }
            }
            (and_more(card.places.len(), PLACES))
        }
    }
}

fn family(visitor: &Visitor, card: &Card, linked: bool) -> Markup {
    if card.parents.is_empty() && card.children.is_empty() {
        return html! {};
    }
    let amount = |r: &Relative| {
        r.volume_l
            .map_or("a part".to_owned(), |v| visitor.volume(v))
    };
    let name = |r: &Relative| {
        let to = address(r.number);
        html! { @if linked { a href=(to) { (r.name) } } @else { (r.name) } }
    };
    html! {
        section aria-labelledby="kin" {
            h2 #kin { "Family" }
            ul.plain {
                @for (n, from) in card.parents.iter().enumerate() {
                    li.beyond[n >= KIN] { (as_heading(&amount(from))) " from " (name(from)) ", " (visitor.date(from.at)) }
                }
                @for (n, into) in card.children.iter().enumerate() {
                    li.beyond[n + card.parents.len() >= KIN] {
                        (as_heading(&amount(into))) " went into " (name(into)) ", " (visitor.date(into.at))
                    }
                }
            }
            (and_more(card.parents.len() + card.children.len(), KIN))
        }
    }
}

pub(in crate::page) fn address(mead: BatchId) -> String {
    format!("/mead/{mead}")
}

fn measured(visitor: &Visitor, card: &Card) -> Markup {
    if card.temperature.is_none() && card.ph.is_none() {
        return html! {};
    }
    html! {
        section aria-labelledby="measured" {
            h2 #measured { "Measured" }
            ul.plain {
                @if let Some(t) = &card.temperature {
                    li {
                        "While it fermented mostly " (visitor.temperature(t.median_c)) ", from "
                        (visitor.temperature(t.lowest_c)) " to " (visitor.temperature(t.highest_c))
                    }
                }
                @if let Some(ph) = &card.ph {
                    li {
                        "pH " (visitor.ph(ph.first))
                        @if ph.first != ph.last { " at first, " (visitor.ph(ph.last)) " at last" }
                    }
                }
            }
        }
    }
}

fn tasting(visitor: &Visitor, card: &Card) -> Markup {
    if card.tasting.is_empty() {
        return html! {};
    }
    // The last word on it comes first.
    html! {
        section aria-labelledby="tasting" {
            h2 #tasting { "Tasted" }
            ul.plain {
                @for (n, taste) in card.tasting.iter().rev().enumerate() {
                    li.beyond[n >= TASTINGS] { (visitor.date(taste.at)) ": " (short(&taste.note)) }
                }
            }
            (and_more(card.tasting.len(), TASTINGS))
        }
    }
}

fn told(card: &Card) -> Markup {
    html! {
        section.told aria-labelledby="told" {
            h2 #told { "To whoever drinks it" }
            p { (card.sulphites.says) }
            // The last says what to look for and is never cut.
            @if let Some((care, fined)) = card.allergens.split_last() {
                @for (n, fined) in fined.iter().enumerate() {
                    p.beyond[n >= FININGS] { (short(fined)) }
                }
                (and_more(fined.len(), FININGS))
                p { (care) }
            }
        }
    }
}

fn missing(card: &Card) -> Markup {
    html! {
        @if !card.missing.is_empty() {
            section aria-labelledby="missing" {
                h2 #missing { "Not on record" }
                p { (as_heading(&card.missing.join("; "))) "." }
            }
        }
    }
}

/// All of it on the screen, the beginning of it on paper.
fn short(note: &str) -> Markup {
    if note.chars().count() <= NOTE {
        return html! { (note) };
    }
    let cut: String = note.chars().take(NOTE - 1).chain(['…']).collect();
    html! { span.full { (note) } span.cut aria-hidden="true" { (cut) } }
}
