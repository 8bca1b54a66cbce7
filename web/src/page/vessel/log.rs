//! What was done, newest first.

use ebbmark_core::line;
use ebbmark_store::model::LogLine;
use maud::{Markup, html};

use super::Story;
use crate::page::card::sheet::address;
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
                li id={ "line-" (line.id) } {
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
                        li id={ "line-" (line.id) } {
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
                        a href=(address(batch.id)) { (batch.facts.name) } ", " (visitor.day(batch.facts.started))
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

pub(super) fn in_words(visitor: &Visitor, line: &LogLine) -> String {
    line::in_words(&line.deed, line.hand.as_ref(), visitor.prefs)
}
