//! What was done, newest first.

use ebbmark_core::deed::{Deed, Dose};
use ebbmark_store::model::{HandFacts, LogLine};
use maud::{Markup, html};

use super::Story;
use crate::page::field::fold;
use crate::visitor::Visitor;

pub(super) fn show(visitor: &Visitor, story: &Story) -> Markup {
    let standing: Vec<&LogLine> = story.standing_lines().collect();
    let replaced: Vec<&LogLine> = story
        .log
        .iter()
        .filter(|line| line.replaced_by.is_some())
        .collect();
    let may_write = visitor.mark().is_some();
    html! {
        h2 #log { "What was done" }
        @if standing.is_empty() { p.aside { "Nothing is written yet." } }
        ol.lines reversed {
            @for line in standing.iter().rev() {
                li {
                    time { (visitor.day_and_time(line.deed.at)) }
                    p { (in_words(visitor, line)) }
                    @if may_write {
                        a href={ "/vessel/" (line.vessel) "/line/" (line.id) } {
                            "correct" span.hidden { " this line: " (line.deed.what.label()) }
                        }
                    }
                }
            }
        }
        @if let Some(past) = &story.past {
            @let before = match (&past.origin, story.is_blend()) {
                (Some(_), true) => "Of the largest part, before it was poured together",
                (Some(_), false) => "Before it was split off",
                (None, _) => "Before it came into this vessel",
            };
            (fold("inherited", before, false, html! {
                ol.lines {
                    @for line in past.lines.iter().rev() {
                        li {
                            time { (visitor.day_and_time(line.deed.at)) }
                            p { (in_words(visitor, line)) }
                        }
                    }
                }
            }))
        }
        @if !replaced.is_empty() {
            (fold("replaced", &format!("{} corrected since", replaced.len()), false, html! {
                ol.lines {
                    @for line in replaced {
                        li {
                            time { (visitor.day_and_time(line.deed.at)) }
                            p { s { (in_words(visitor, line)) } }
                        }
                    }
                }
            }))
        }
        @if story.phases.len() > 1 {
            (fold("phases", "How the verdict changed", false, html! {
                ol.lines {
                    @for (since, sentence) in story.phases.iter().rev() {
                        li { time { (visitor.day_and_time(*since)) } p { (sentence) } }
                    }
                }
            }))
        }
        (earlier(visitor, story))
    }
}

/// Meads that were in this vessel before.
fn earlier(visitor: &Visitor, story: &Story) -> Markup {
    let in_it = story.vessel.batch.as_ref().map(|b| b.id);
    let before = story.batches.iter().filter(|b| Some(b.id) != in_it);
    let ended: Vec<_> = before.map(|b| (b, b.ended)).collect();
    if ended.is_empty() {
        return html! {};
    }
    fold(
        "earlier",
        "Meads before",
        false,
        html! {
            ul.plain {
                @for (batch, end) in ended {
                    li {
                        (batch.facts.name) ", " (visitor.day(batch.facts.started))
                        @match end {
                            Some(end) => { " to " (visitor.day(end)) }
                            None => { ", now in " a href={ "/vessel/" (batch.vessel) } { "another vessel" } }
                        }
                        @if let Some(g) = batch.facts.original_gravity { ", began at " (visitor.gravity(g)) }
                    }
                }
            }
        },
    )
}

/// "hand reading: 1.0526 at 20 °C (read 1.052 in a sample of 24.0 °C)."
pub(super) fn in_words(visitor: &Visitor, line: &LogLine) -> String {
    deed_in_words(visitor, &line.deed, line.hand.as_ref())
}

/// As [`in_words`], of a deed that may not be written yet.
pub(in crate::page) fn deed_in_words(
    visitor: &Visitor,
    deed: &Deed,
    hand: Option<&HandFacts>,
) -> String {
    let mut words = deed.what.label().to_owned();
    match (hand, deed.gravity) {
        (Some(hand), Some(g)) => {
            words += &format!(
                ": {} (read {} in a sample of {}, hydrometer marked for {})",
                visitor.gravity(g),
                visitor.gravity(hand.read),
                visitor.temperature(hand.sample),
                visitor.temperature(hand.reference)
            );
        }
        (None, Some(g)) => words += &format!(", {} after it", visitor.gravity(g)),
        (_, None) => {}
    }
    if let Some(ph) = deed.ph {
        words += &format!(", pH {}", visitor.ph(ph));
    }
    if let Some(volume) = deed.volume {
        words += &format!(", {} in the vessel after it", visitor.volume(volume));
    }
    if !deed.note.is_empty() {
        words += &format!(": {}", deed.note);
    }
    let doses = deed.doses.iter().map(|d| dose(visitor, d));
    // A note written by a reckoning says them itself.
    let doses: Vec<String> = doses.filter(|d| !deed.note.contains(d)).collect();
    if !doses.is_empty() {
        words += &format!(" [{}]", doses.join(", "));
    }
    if !deed.despite.is_empty() {
        words += &format!(". Done all the same: {}", deed.despite);
    }
    words
}

fn dose(visitor: &Visitor, dose: &Dose) -> String {
    let mass = visitor.mass(dose.mass);
    if dose.name.is_empty() {
        format!("{mass} {}", dose.of.label())
    } else {
        format!("{mass} {}", dose.name)
    }
}
