//! What the sentence rests on and what would change it, in words; the numbers for who wants them;
//! and what is known of the mead.

use ebbmark_core::text;
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::outcome::{Odds, Phase, Trued, Verdict};
use maud::{Markup, html};

use super::super::card::sheet::address;
use super::super::field::fold;
use super::super::plan;
use super::Story;
use crate::visitor::Visitor;

/// Half the width of what is true nine times out of ten, in standard deviations.
const NINE_IN_TEN: f64 = 1.645;

/// Why, and what would change it.
pub(super) fn why(visitor: &Visitor, story: &Story) -> Markup {
    let Some(stored) = &story.verdict else {
        return html! {};
    };
    let v = &stored.verdict;
    let style = visitor.style();
    html! {
        div.reasons {
            section aria-labelledby="why" {
                h2 #why { "Why" }
                (list(&text::evidence(v, &style)))
                @if let Some(why) = &v.no_curve_because {
                    p.aside { "No curve since the last pitch, addition or sweetening: " (why) "." }
                }
            }
            section aria-labelledby="change" {
                h2 #change { (change_heading(v.phase)) }
                (list(&text::would_change(v, &style)))
            }
        }
        (fold("numbers", "The numbers", false, html! {
            p.aside { "Ranges in brackets, and \"±\", hold nine times out of ten." }
            dl.facts { (numbers(visitor, story, v)) }
        }))
    }
}

fn change_heading(phase: Phase) -> &'static str {
    match phase {
        Phase::Stuck | Phase::Resting | Phase::Restarted => "What to do, and what would change it",
        _ => "What would change it",
    }
}

fn list(lines: &[String]) -> Markup {
    html! { ul.points { @for line in lines { li { (line) } } } }
}

pub(super) fn mead_and_feeds(visitor: &Visitor, story: &Story) -> Markup {
    html! {
        h2 #mead { "The mead" }
        dl.facts {
            @if !story.vessel.facts.place.is_empty() { (fact("Stands", &story.vessel.facts.place)) }
            @if let Some(tare) = story.vessel.facts.tare { (fact("Empty it weighs", &visitor.mass(tare))) }
            @if let Some(at) = story.last_reading() { (fact("Last reading", &visitor.ago(at))) }
            (feeds(visitor, story))
            (mead(visitor, story))
        }
    }
}

fn numbers(visitor: &Visitor, story: &Story, v: &Verdict) -> Markup {
    // Differences of gravity are shown near the gravity they happened at.
    let near = v.gravity.unwrap_or(Gravity::computed(1.0));
    let since = story.verdict.as_ref().map(|s| s.phase_since);
    html! {
        @if let Some(odds) = v.odds { (sureness(odds)) }
        @if let Some(g) = v.gravity { (fact("Gravity now", &visitor.gravity(g))) }
        @if let Some(fall) = v.fall_per_day { (fact("Falls a day", &visitor.step_range(fall, near))) }
        // Falling again, it has left the curve these go by.
        @if v.phase != Phase::Restarted { (forecast(visitor, v, near)) }
        @if let Some(end) = v.expected_end { (fact("Should end near", &visitor.gravity(end))) }
        @if let Some(jar) = v.test_ferment {
            @let counts = if jar.counts() { "" } else { ", does not count" };
            (fact("Test ferment", &(visitor.gravity(jar.gravity) + counts)))
        }
        @if let Some(span) = v.looked_at { (fact("Judged over", &ebbmark_core::show::span(span))) }
        @if let Some(t) = v.temperature { (fact("Temperature", &visitor.temperature(t))) }
        @if let Some(change) = v.temperature_change {
            (fact("Colder than its warm days by", &visitor.warmth((-change).max(0.0))))
        }
        @if let Some(trued) = v.float.as_ref().and_then(|f| f.trued) { (float(visitor, trued, near)) }
        @if let Some(at) = since { (fact("Judged so since", &visitor.day_and_time(at))) }
    }
}

fn sureness(odds: Odds) -> Markup {
    html! {
        (fact("Still", &percent(odds.flat)))
        (fact("Where it should end", &odds.at_floor.map_or("no end known".to_owned(), percent)))
        (fact("Nothing else explains it", &percent(odds.nothing_else)))
    }
}

fn forecast(visitor: &Visitor, v: &Verdict, near: Gravity) -> Markup {
    let gravity = |sg| visitor.gravity(Gravity::computed(sg));
    let more = format!("More than {} left to fall", visitor.step(0.002, near));
    html! {
        @if let Some(odds) = v.odds { (fact(&more, &percent(odds.more_left))) }
        @if let Some(left) = v.left_to_fall { (fact("Left to fall", &visitor.step_range(left, near))) }
        @if let Some(at) = v.settles_at {
            @let day = |at| visitor.day(at);
            (fact("Settles", &day(at.mid)))
            (fact("… every second time", &between(&day(at.half_low), &day(at.half_high))))
            (fact("… nine times out of ten", &between(&day(at.low), &day(at.high))))
        }
        @if let Some(end) = v.final_gravity {
            (fact("Ends, by its curve", &gravity(end.mid)))
            (fact("… every second time", &between(&gravity(end.half_low), &gravity(end.half_high))))
            (fact("… nine times out of ten", &between(&gravity(end.low), &gravity(end.high))))
        }
    }
}

fn float(visitor: &Visitor, t: Trued, near: Gravity) -> Markup {
    let give = |value: f64, sd: f64| {
        format!(
            "{}, ± {}",
            visitor.step(value, near),
            visitor.step(NINE_IN_TEN * sd, near)
        )
    };
    html! {
        (fact("Float reads high by", &give(t.reads_high, t.reads_high_sd)))
        (fact("… and drifts in a week by", &give(7.0 * t.drift_per_day, 7.0 * t.drift_sd)))
        (fact("… by so many hand readings", &t.hand_readings.to_string()))
    }
}

fn between(low: &str, high: &str) -> String {
    if low == high {
        low.to_owned()
    } else {
        format!("{low} to {high}")
    }
}

/// "97 %"; what is not certain is not shown as if it were.
fn percent(odds: f64) -> String {
    match 100.0 * odds {
        p if p < 0.1 => "under 0.1 %".to_owned(),
        p if p < 1.0 => format!("{p:.1} %"),
        p if p > 99.9 => "over 99.9 %".to_owned(),
        p if p > 99.0 => format!("{p:.1} %"),
        p => format!("{p:.0} %"),
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
        @if let Some(origin) = story.past.as_ref().and_then(|p| p.origin.as_ref()) {
            div {
                dt { @if story.is_blend() { "Poured together" } @else { "Split off" } }
                dd {
                    (visitor.day_and_time(origin.at))
                    @if story.is_blend() { ", most of it from " } @else { " from " }
                    a href={ "/vessel/" (origin.vessel.id) } { (origin.mead) " in " (origin.vessel.facts.name) }
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
        @let planned = plan::in_words(visitor, &batch.plan);
        @if !planned.is_empty() { (fact("Planned", &planned)) }
        @if !facts.note.is_empty() { (fact("Note", &facts.note)) }
        div { dt { "Card" } dd { a href=(address(batch.id)) { "All of it on one page" } } }
    }
}

fn fact(name: &str, value: &str) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_shown_as_certain() {
        for (odds, shown) in [
            (0.0, "under 0.1 %"),
            (0.004, "0.4 %"),
            (0.5, "50 %"),
            (0.994, "99.4 %"),
            (1.0, "over 99.9 %"),
        ] {
            assert_eq!(percent(odds), shown);
        }
    }
}
