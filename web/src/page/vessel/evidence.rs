//! What the sentence rests on.

use ebbmark_core::units::Gravity;
use maud::{Markup, html};

use super::Story;
use crate::visitor::Visitor;

pub(super) fn show(visitor: &Visitor, story: &Story) -> Markup {
    html! {
        h2 #evidence { "What it rests on" }
        dl.facts { (judged(visitor, story)) (feeds(visitor, story)) (mead(visitor, story)) }
        @if let Some(why) = story.verdict.as_ref().and_then(|s| s.verdict.no_curve_because.as_ref()) {
            p.aside { "No curve since the last pitch, addition or sweetening: " (why) "." }
        }
    }
}

fn judged(visitor: &Visitor, story: &Story) -> Markup {
    let Some(stored) = &story.verdict else {
        return html! {};
    };
    let v = &stored.verdict;
    // Differences of gravity are shown near the gravity they happened at.
    let near = v.gravity.unwrap_or(Gravity::computed(1.0));
    html! {
        @if let Some(g) = v.gravity { (fact("Gravity now", &visitor.gravity(g))) }
        @if let Some(fall) = v.fall_per_day { (fact("Falls a day", &visitor.step_range(fall, near))) }
        @if let Some(left) = v.left_to_fall { (fact("Likely left to fall", &visitor.step_range(left, near))) }
        @if let Some(end) = v.final_gravity {
            (fact("Likely end", &format!(
                "{} ({} to {})",
                visitor.gravity(Gravity::computed(end.mid)),
                visitor.gravity(Gravity::computed(end.low)),
                visitor.gravity(Gravity::computed(end.high)),
            )))
        }
        @if let Some(at) = v.settles_at {
            (fact("Likely settled by", &format!(
                "{} ({} to {})",
                visitor.day(at.mid), visitor.day(at.low), visitor.day(at.high),
            )))
        }
        @if let Some(span) = v.looked_at { (fact("Judged over", &ebbmark_core::show::span(span))) }
        @if let Some(t) = v.temperature {
            (fact("Temperature", &match v.temperature_change {
                // Less is day and night.
                Some(change) if change <= -0.5 => format!("{}, {} below its warmest days", visitor.temperature(t), visitor.warmth(-change)),
                _ => visitor.temperature(t),
            }))
        }
        @if let Some(at) = story.last_reading() { (fact("Last reading", &visitor.ago(at))) }
        (fact("So since", &visitor.day_and_time(stored.phase_since)))
    }
}

fn feeds(visitor: &Visitor, story: &Story) -> Markup {
    html! {
        @for feed in &story.feeds {
            div {
                dt { "Feed" }
                dd {
                    a href={ "/feeds#feed-" (feed.id) } { (feed.name) }
                    @if let Some(at) = feed.last_reading { ", " (visitor.ago(at)) }
                    @if feed.went_away.is_some() { ", went away" }
                }
            }
        }
    }
}

fn mead(visitor: &Visitor, story: &Story) -> Markup {
    let Some(batch) = &story.vessel.batch else {
        return html! {};
    };
    let facts = &batch.facts;
    html! {
        (fact("Pitched", &visitor.day_and_time(story.past.as_ref().map_or(facts.started, |p| p.pitched))))
        @if let Some(past) = &story.past {
            div {
                dt { "Split off" }
                dd {
                    (visitor.day_and_time(past.split)) " from "
                    a href={ "/vessel/" (past.vessel.id) } { (past.mead) " in " (past.vessel.facts.name) }
                }
            }
        }
        @if let Some(g) = facts.original_gravity { (fact("Began at", &visitor.gravity(g))) }
        @if let Some(g) = facts.expected_final { (fact("Expected end", &visitor.gravity(g))) }
        @if !facts.yeast.is_empty() {
            (fact("Yeast", &match facts.tolerance {
                Some(t) => format!("{}, bears {} % vol", facts.yeast, t.get()),
                None => facts.yeast.clone(),
            }))
        }
        @if !facts.honey.is_empty() { (fact("Honey", &facts.honey)) }
        @if let Some(v) = facts.volume { (fact("Volume", &visitor.volume(v))) }
        @if !facts.note.is_empty() { (fact("Note", &facts.note)) }
    }
}

fn fact(name: &str, value: &str) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}
