//! Claiming a topic: saying what its numbers are and which vessel it floats in.

use ebbmark_core::decode::{Candidate, Looks, look};
use ebbmark_core::feed::Quantity;
use ebbmark_store::model::{Unclaimed, Vessel};
use maud::{Markup, html};

use super::vessel_choices;
use crate::form::Draft;
use crate::page::field::{Sheet, choices, fold};
use crate::visitor::Visitor;

/// More numbers than this in one message are not offered.
pub(crate) const MOST_CANDIDATES: usize = 40;
/// Of a payload, this much is shown.
const SHOWN: usize = 600;

/// Name of the form for one topic.
pub(crate) fn claim_form(source: &str, topic: &str) -> String {
    format!("claim:{source}:{topic}")
}

pub(super) fn show(
    visitor: &Visitor,
    topic: &Unclaimed,
    vessels: &[Vessel],
    draft: Option<&Draft>,
    open: bool,
) -> Markup {
    let name = claim_form(&topic.source, &topic.topic);
    let sheet = Sheet::new(visitor, &name, draft);
    let claim = |format: &str, found: &[Candidate]| {
        html! {
            @if let Some(sheet) = &sheet { (form(sheet, topic, &name, vessels, open, format, found)) }
        }
    };
    let latest = topic.payloads.first();
    let looks = latest.map(|payload| look(payload));
    html! {
        article.feed {
            h3 { code { (topic.topic) } }
            p {
                "By way of " (topic.source) ", " (topic.count)
                @if topic.count == 1 { " message" } @else { " messages" }
                @if let Some(at) = topic.last { ", last " (visitor.ago(at)) }
                "."
            }
            @if let Some(payload) = latest { pre { (readable(payload)) } }
            @match looks {
                None => p.aside { "No payload was kept." },
                Some(Looks::Nothing(why)) => p.aside { "No number was found in it: " (why) },
                Some(Looks::Senml(found)) => (claim("senml", &found)),
                Some(Looks::Json(found)) => (claim("json", &found)),
                Some(Looks::Number(found)) => (claim("number", &[found])),
            }
            @if topic.payloads.len() > 1 {
                (fold(&format!("more-{name}"), "Earlier messages", false, html! {
                    @for payload in topic.payloads.iter().skip(1) { pre { (readable(payload)) } }
                }))
            }
        }
    }
}

fn form(
    sheet: &Sheet,
    topic: &Unclaimed,
    name: &str,
    vessels: &[Vessel],
    open: bool,
    format: &str,
    found: &[Candidate],
) -> Markup {
    let quantities = quantity_choices();
    // The last part of a topic is mostly what the device is called.
    let called = topic.topic.rsplit('/').next().unwrap_or_default();
    let fields = html! {
        (sheet.hidden("source", &topic.source))
        (sheet.hidden("topic", &topic.topic))
        (sheet.hidden("format", format))
        p { "Say what each number is; leave out what is no measurement." }
        div.fields {
            @for (i, candidate) in found.iter().take(MOST_CANDIDATES).enumerate() {
                (sheet.hidden(&format!("from-{i}"), &candidate.from))
                (sheet.select(&format!("what-{i}"), &candidate_label(candidate), &quantities,
                    candidate.guess.map_or("", Quantity::key)))
            }
            (sheet.text("name", "Name of the feed", called, "As you call the float."))
            (sheet.select("vessel", "Floats in", &vessel_choices(vessels), ""))
            (polynomial(sheet, ""))
        }
    };
    fold(
        &format!("fold-{name}"),
        "Claim this topic",
        open || sheet.refused(),
        sheet.form("/feeds/claim", "Claim it", fields),
    )
}

fn candidate_label(candidate: &Candidate) -> String {
    if candidate.from.is_empty() {
        candidate.shown.clone()
    } else {
        format!("{}: {}", candidate.from, candidate.shown)
    }
}

pub(super) fn quantity_choices() -> Vec<(String, String)> {
    let mut all = vec![(String::new(), "leave out".to_owned())];
    all.extend(choices(&Quantity::ALL, Quantity::key, Quantity::label));
    all
}

pub(super) fn polynomial(sheet: &Sheet, value: &str) -> Markup {
    sheet.text(
        "polynomial",
        "Gravity from tilt: c0 c1 c2 c3",
        value,
        "Only if it sends a tilt: SG = c0 + c1·a + c2·a² + c3·a³, a in degrees, from your own calibration.",
    )
}

/// A payload as text; what is not text shows as the replacement sign.
fn readable(payload: &[u8]) -> String {
    let text = String::from_utf8_lossy(payload);
    let mut shown: String = text.chars().take(SHOWN).collect();
    if text.chars().count() > SHOWN {
        shown.push('…');
    }
    shown
}
