//! What may be done with the mead now, and what to take care of when doing it.

use ebbmark_core::deed::What;
use ebbmark_core::time::Moment;
use ebbmark_core::verdict::outcome::Gate;
use maud::{Markup, html};

use super::Story;
use crate::show::as_sentence;
use crate::visitor::Visitor;

struct Step<'a> {
    what: What,
    name: &'static str,
    gate: &'a Gate,
    care: Option<&'static str>,
}

pub(super) fn show(visitor: &Visitor, story: &Story) -> Markup {
    let Some(stored) = &story.verdict else {
        return html! {
            h2 #gates { "What may be done" }
            p.aside { "That is told once there is a mead with readings in it." }
        };
    };
    let gates = &stored.verdict.gates;
    let steps = [
        Step {
            what: What::Rack,
            name: "Rack",
            gate: &gates.rack,
            care: None,
        },
        Step {
            what: What::Stabilise,
            name: "Stabilise",
            gate: &gates.stabilise,
            care: Some(
                "Sulphite irritates eyes and lungs and can be dangerous to people with asthma: \
                 open a window, weigh exactly, follow the label and your local rules.",
            ),
        },
        Step {
            what: What::Seal,
            name: "Keg or bottle",
            gate: &gates.seal,
            care: Some(
                "A mead that goes on working builds pressure, and glass can burst. Use only \
                 vessels rated for the pressure, and follow your local codes.",
            ),
        },
    ];
    let deeds = story.deeds();
    html! {
        h2 #gates { "What may be done" }
        ul.gate-list { @for step in &steps { (one(visitor, step, &deeds)) } }
    }
}

fn one(visitor: &Visitor, step: &Step, deeds: &[(Moment, What)]) -> Markup {
    let last = deeds
        .iter()
        .filter(|(_, what)| *what == step.what)
        .map(|(at, _)| *at)
        .max();
    html! {
        li.gate.open[step.gate.open] {
            h3 {
                (step.name) " "
                span.answer { @if step.gate.open { "yes" } @else { "not yet" } }
            }
            p { (as_sentence(&step.gate.why)) }
            // Unless the reason says so itself.
            @if let (false, Some(at), false) = (step.gate.open, step.gate.opens, step.gate.why.contains("likely")) {
                p { "Likely from " (visitor.day(at)) "." }
            }
            @if let Some(since) = step.gate.since.filter(|_| step.gate.open) {
                p.aside { "So since " (visitor.day_and_time(since)) "." }
            }
            @if let Some(at) = last { p.aside { "Last done " (visitor.day(at)) "." } }
            @if let Some(care) = step.care { p.care { (care) } }
        }
    }
}
