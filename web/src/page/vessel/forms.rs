//! The forms of a vessel's page.

use ebbmark_core::deed::{Substance, What};
use ebbmark_core::lineage::Book;
use ebbmark_core::plan::Plan;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity, Litres, Ph};
use ebbmark_store::model::{Batch, IMPORT, LogLine, Vessel};
use maud::{Markup, html};

use super::{Story, planned};
use crate::form::{Draft, local_text};
use crate::page::cellar::vessel_fields;
use crate::page::field::{Sheet, choices, fold};
use crate::page::plan;
use crate::visitor::Visitor;

pub(crate) const HAND_FORM: &str = "hand";
pub(crate) const DEED_FORM: &str = "deed";
/// Starting a mead, or editing the one that is in.
pub(crate) const BATCH_FORM: &str = "batch";
pub(crate) const END_FORM: &str = "end";
pub(crate) const MOVE_FORM: &str = "move";
pub(crate) const SPLIT_FORM: &str = "split";
pub(crate) const FACTS_FORM: &str = "facts";
const RETIRE_FORM: &str = "retire";

/// What becomes of a float when its mead moves.
pub(crate) const ALONG: &str = "along";
pub(crate) const STAYS: &str = "stays";

/// What most glass hydrometers are marked for today. Common practice, no source.
const USUAL_REFERENCE: Celsius = Celsius::computed(20.0);

pub(super) fn show(visitor: &Visitor, story: &Story, draft: Option<&Draft>) -> Markup {
    let id = story.vessel.id;
    let batch = story.vessel.batch.as_ref();
    let folded = |name: &str,
                  summary: &str,
                  action: &str,
                  button: &str,
                  fields: &dyn Fn(&Sheet) -> Markup| {
        Sheet::new(visitor, name, draft).map(|sheet| {
            fold(
                name,
                summary,
                sheet.refused(),
                sheet.form(action, button, fields(&sheet)),
            )
        })
    };
    let at = |rest: &str| format!("/vessel/{id}/{rest}");
    html! {
        @if batch.is_none() {
            @if let Some(sheet) = Sheet::new(visitor, BATCH_FORM, draft) {
                (fold(BATCH_FORM, "Start a mead", true,
                    batch_form(&sheet, visitor, &at("batch"), "Start the mead", None, &story.elsewhere)))
            }
        }
        @if let Some(batch) = batch { (planned::show(visitor, story, batch, draft)) }
        @if let Some(form) = folded(HAND_FORM, "Note a hand reading", &at("hand"), "Note the reading",
            &|s| hand_fields(s, visitor, None)) { (form) }
        @if let Some(form) = folded(DEED_FORM, "Note what was done", &at("deed"), "Note it",
            &|s| deed_fields(s, visitor, None)) { (form) }
        @if let Some(batch) = batch {
            @if let Some(sheet) = Sheet::new(visitor, BATCH_FORM, draft) {
                (fold(BATCH_FORM, "Change the facts of this mead", sheet.refused(), batch_form(
                    &sheet, visitor, &at(&format!("batch/{}", batch.id)), "Save the mead", Some(batch), &[])))
            }
            @if let Some(form) = folded(MOVE_FORM, "Move it to another vessel", &at(&format!("batch/{}/move", batch.id)),
                "Move it", &|s| move_fields(s, visitor, story)) { (form) }
            @if let Some(form) = folded(SPLIT_FORM, "Split some off into another vessel", &at(&format!("batch/{}/split", batch.id)),
                "Split it off", &|s| split_fields(s, visitor, story, batch)) { (form) }
            @if visitor.mark().is_some() {
                p.jump { a href=(at("blend")) { "Blend it with others" } }
            }
            @if let Some(form) = folded(END_FORM, "Finish this mead", &at(&format!("batch/{}/end", batch.id)),
                "Finish it", &|s| end_fields(s)) { (form) }
        }
        @if let Some(form) = folded(FACTS_FORM, "Vessel settings", &at("facts"), "Save the vessel",
            &|s| html! { (vessel_fields(s, visitor, Some(&story.vessel))) }) { (form) }
        p.jump { a href=(at("label")) { "A label with its address, to print" } }
        @if !story.vessel.retired {
            @if let Some(form) = folded(RETIRE_FORM, "Retire this vessel", &at("retire"), "Take it off the cellar view",
                &|_| html! { p { "It disappears from the cellar view. Its record and readings stay." } }) { (form) }
        }
    }
}

/// Fields of a hand reading; filled from `line` when that is being corrected.
pub(in crate::page) fn hand_fields(
    sheet: &Sheet,
    visitor: &Visitor,
    line: Option<&LogLine>,
) -> Markup {
    let hand = line.and_then(|l| l.hand);
    let degrees = visitor.temperature_unit();
    let temperature =
        |t: Option<Celsius>| t.map_or_else(String::new, |t| visitor.temperature_field(t));
    html! {
        div.fields {
            (sheet.number("read", &format!("Gravity as read, {}", visitor.gravity_unit()),
                &gravity_text(visitor, hand.map(|h| h.read)), "Off the stem, not corrected: that is done here."))
            (sheet.number("sample", &format!("Temperature of the sample, {degrees}"),
                &temperature(hand.map(|h| h.sample)), ""))
            (sheet.number("reference", &format!("Hydrometer is marked for, {degrees}"),
                &temperature(Some(hand.map_or(USUAL_REFERENCE, |h| h.reference))), "Stands on its paper scale."))
            (sheet.number("ph", "pH", &ph_text(visitor, line), "If you measured it."))
            (when(sheet, visitor, line))
            (sheet.note("note", "Note", line.map_or("", |l| &l.deed.note), ""))
        }
    }
}

/// Fields of any other deed.
pub(in crate::page) fn deed_fields(
    sheet: &Sheet,
    visitor: &Visitor,
    line: Option<&LogLine>,
) -> Markup {
    let deeds: Vec<What> = What::ALL
        .into_iter()
        .filter(|w| *w != What::HandReading)
        .collect();
    let deed = line.map(|l| &l.deed);
    let volume = deed
        .and_then(|d| d.volume)
        .map_or_else(String::new, |v| visitor.volume_field(v));
    html! {
        div.fields {
            (sheet.select("what", "What", &choices(&deeds, What::key, What::label),
                deed.map_or(What::Rack, |d| d.what).key()))
            (when(sheet, visitor, line))
            (sheet.number("gravity", &format!("Gravity after it, {}", visitor.gravity_unit()),
                &gravity_text(visitor, deed.and_then(|d| d.gravity)),
                "At 20 °C, if you measured it. Of a test ferment: what its jar stands at."))
            (sheet.number("temperature", &format!("Temperature then, {}", visitor.temperature_unit()),
                &deed.and_then(|d| d.temperature).map_or_else(String::new, |t| visitor.temperature_field(t)), ""))
            (sheet.number("ph", "pH after it", &ph_text(visitor, line), "If you measured it."))
            (sheet.number("volume", &format!("Volume after it, {}", visitor.volume_unit()), &volume,
                "What is in the vessel then, if that changed."))
            (sheet.note("note", "Note", deed.map_or("", |d| &d.note), "How it went, how it tastes."))
            (weighed(sheet, visitor))
            p.care {
                "Pasteurising: heat builds pressure in whatever is closed, and glass can burst; hot "
                "mead scalds. Heat it open, or only in what is rated for that pressure, warm and "
                "cool it slowly, and shield eyes and hands."
            }
        }
    }
}

/// Something that was put in, weighed.
fn weighed(sheet: &Sheet, visitor: &Visitor) -> Markup {
    let mut all = vec![(String::new(), "nothing".to_owned())];
    all.extend(choices(&Substance::ALL, Substance::key, Substance::label));
    html! {
        (sheet.select("of", "Put in", &all, ""))
        (sheet.number("mass", &format!("How much of it, {}", visitor.mass_unit()), "", "\"350 g\" is read too."))
        (sheet.text("called", "Called", "", "The honey's or the fruit's name."))
        (sheet.number("extract", "Sugar in it, %", "", "By mass. Left empty, what it brings is not reckoned."))
    }
}

fn ph_text(visitor: &Visitor, line: Option<&LogLine>) -> String {
    let ph: Option<Ph> = line.and_then(|l| l.deed.ph);
    ph.map_or_else(String::new, |ph| visitor.ph(ph))
}

fn when(sheet: &Sheet, visitor: &Visitor, line: Option<&LogLine>) -> Markup {
    let value = line.map_or_else(String::new, |l| local_text(l.deed.at, &visitor.zone));
    sheet.when("at", "When", &value, "Left empty: now.")
}

fn move_fields(sheet: &Sheet, visitor: &Visitor, story: &Story) -> Markup {
    let volume = story
        .own()
        .and_then(|own| own.book.volume())
        .map_or_else(String::new, |v| visitor.volume_field(v));
    html! {
        @if story.empty.is_empty() {
            p { "Every other vessel has something in it. " a href="/" { "Add a vessel" } " or finish a mead first." }
        }
        div.fields {
            (into_field(sheet, visitor, story))
            (sheet.number("volume", &format!("Volume in it then, {}", visitor.volume_unit()), &volume,
                "What was left behind is noted as a loss."))
            (float_field(sheet, story, ALONG))
            (sheet.when("at", "When", "", "Left empty: now."))
            (sheet.note("note", "Note", "", ""))
        }
    }
}

fn split_fields(sheet: &Sheet, visitor: &Visitor, story: &Story, batch: &Batch) -> Markup {
    let own = story.own();
    let half = own
        .and_then(|own| own.book.volume())
        .map_or_else(String::new, |v| {
            let half = (v.get() * 5.0).round() / 10.0;
            visitor.volume_field(Litres::computed(half))
        });
    html! {
        @if let Some(own) = own { p { (in_words(visitor, &own.book)) " The part is as strong and as sweet." } }
        @if story.empty.is_empty() {
            p { "Every other vessel has something in it. " a href="/" { "Add a vessel" } " or finish a mead first." }
        }
        div.fields {
            (into_field(sheet, visitor, story))
            (sheet.number("volume", &format!("How much, {}", visitor.volume_unit()), &half,
                "Left empty when nobody measured it."))
            (sheet.text("name", "Name of the part", &batch.facts.name, ""))
            (float_field(sheet, story, STAYS))
            (sheet.when("at", "When", "", "Left empty: now."))
            (sheet.note("note", "Note", "", "What is different about it: \"on plums\"."))
        }
    }
}

fn into_field(sheet: &Sheet, visitor: &Visitor, story: &Story) -> Markup {
    let named = |v: &Vessel| {
        let holds = v
            .facts
            .capacity
            .map(|c| format!(", holds {}", visitor.volume(c)));
        let words = format!("{}{}", v.facts.name, holds.unwrap_or_default());
        (v.id.to_string(), words)
    };
    let empty: Vec<_> = story.empty.iter().map(named).collect();
    let first = empty.first().map_or(String::new(), |(key, _)| key.clone());
    sheet.select("to", "Into", &empty, &first)
}

/// What becomes of the floats; only asked where there are any.
fn float_field(sheet: &Sheet, story: &Story, chosen: &str) -> Markup {
    let floats = story.feeds.iter().any(|feed| feed.source != IMPORT);
    let choices = [
        (ALONG.to_owned(), "goes along".to_owned()),
        (STAYS.to_owned(), "stays in this vessel".to_owned()),
    ];
    html! { @if floats { (sheet.select("float", "The float", &choices, chosen)) } }
}

/// "16.2 L at 1.010, 12.3 % vol."; what is not known is left out.
pub(in crate::page) fn in_words(visitor: &Visitor, book: &Book) -> String {
    let volume = book.volume().map(|v| visitor.volume(v));
    let gravity = book.gravity().map(|g| format!("at {}", visitor.gravity(g)));
    let strength = book.strength().map(|s| visitor.strength(s));
    let first: Vec<String> = volume.into_iter().chain(gravity).collect();
    let said: Vec<String> = [first.join(" ")]
        .into_iter()
        .chain(strength)
        .filter(|s| !s.is_empty())
        .collect();
    if said.is_empty() {
        return "How strong it is cannot be told.".to_owned();
    }
    format!("{}.", said.join(", "))
}

fn end_fields(sheet: &Sheet) -> Markup {
    html! {
        p { "The vessel becomes empty; the mead's record stays." }
        div.fields { (sheet.when("at", "When", "", "Left empty: now.")) }
    }
}

fn batch_form(
    sheet: &Sheet,
    visitor: &Visitor,
    action: &str,
    button: &str,
    batch: Option<&Batch>,
    elsewhere: &[(Batch, String)],
) -> Markup {
    let facts = batch.map(|b| &b.facts);
    let started: Option<Moment> = facts.map(|f| f.started);
    let unit = visitor.gravity_unit();
    let gravity = |g: Option<Gravity>| gravity_text(visitor, g);
    let volume = facts
        .and_then(|f| f.volume)
        .map_or_else(String::new, |v| visitor.volume_field(v));
    let tolerance = facts
        .and_then(|f| f.tolerance)
        .map_or_else(String::new, |t| t.get().to_string());
    let started = started.map_or_else(String::new, |at| local_text(at, &visitor.zone));
    let split_off = facts.is_some_and(|f| f.origin.is_some());
    let began = match (split_off, elsewhere.is_empty()) {
        (true, _) => "Split off",
        (false, true) => "Yeast pitched",
        (false, false) => "Yeast pitched, or split off",
    };
    sheet.form(action, button, html! {
        div.fields {
            @if !elsewhere.is_empty() { (origin_field(sheet, elsewhere)) }
            (sheet.text("name", "Name of the mead", facts.map_or("", |f| &f.name), ""))
            (sheet.when("started", began, &started, "Left empty: now."))
            (sheet.number("original", &format!("Gravity it began at, {unit}"),
                &gravity(facts.and_then(|f| f.original_gravity)), "Lets it tell how far a fall has gone."))
            (sheet.number("expected", &format!("Gravity you expect it to end at, {unit}"),
                &gravity(facts.and_then(|f| f.expected_final)), "Tells settled from stuck."))
            (sheet.text("yeast", "Yeast", facts.map_or("", |f| &f.yeast), ""))
            (sheet.text("honey", "Honey", facts.map_or("", |f| &f.honey), "With the same yeast and honey it learns from earlier meads."))
            (sheet.number("tolerance", "Strength the yeast bears, % vol", &tolerance, "As its maker says."))
            (sheet.number("volume", &format!("Volume, {}", visitor.volume_unit()), &volume, ""))
            (sheet.note("note", "Note", facts.map_or("", |f| &f.note), ""))
        }
        (plan::fields(sheet, visitor, batch.map_or(&Plan::default(), |b| &b.plan)))
    })
}

/// Which mead it is a part of. Without scripts nothing can be filled in when one is chosen, so
/// what is left empty is taken over when the form is sent.
fn origin_field(sheet: &Sheet, elsewhere: &[(Batch, String)]) -> Markup {
    let mut origins = vec![(String::new(), "nothing: a new mead".to_owned())];
    let named = |(batch, vessel): &(Batch, String)| {
        let words = format!("{} in {vessel}", batch.facts.name);
        (batch.id.to_string(), words)
    };
    origins.extend(elsewhere.iter().map(named));
    html! {
        (sheet.select("origin", "Split off from", &origins, ""))
        p.aside {
            "A mead that is split off has the other one's past. Name, gravities, yeast, honey and "
            "strength are taken from it where they are left empty; both books note the split."
        }
    }
}

fn gravity_text(visitor: &Visitor, g: Option<Gravity>) -> String {
    g.map_or_else(String::new, |g| visitor.gravity_field(g))
}
