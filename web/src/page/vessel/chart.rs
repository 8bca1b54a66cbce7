//! The drawing, what it means, and the record as files.

use maud::{Markup, html};

use super::Story;
use crate::chart::{self, Plot, Shape};
use crate::curve::Stretch;
use crate::fault::Fault;
use crate::page::drawing;
use crate::visitor::Visitor;

pub(super) fn show(visitor: &Visitor, story: &Story) -> Result<Markup, Fault> {
    let curve = &story.curve;
    let plot = curve.plot(visitor);
    let drawn = |shape| {
        chart::svg(&plot, shape)
            .map(drawing)
            .map_err(|e| Fault::broken(e.to_string()))
    };
    let id = story.vessel.id;
    Ok(html! {
        h2 #drawing { "The curve" }
        nav.stretches aria-label="Stretch of time" {
            @for (which, key, name) in Stretch::ALL {
                a href={ "/vessel/" (id) "?span=" (key) "#drawing" }
                    aria-current=[(which == curve.stretch).then_some("true")] { (name) }
            }
        }
        @if plot.is_empty() {
            p.aside { "No readings in this stretch of time." }
        } @else {
            figure {
                (drawn(Shape::Wide)?)
                (drawn(Shape::Tall)?)
                figcaption { (key(&plot, curve.is_put_right())) }
            }
        }
        p.links {
            a href={ "/vessel/" (id) "/readings.csv" } download { "All readings as CSV" }
            a href={ "/vessel/" (id) "/hours.csv" } download { "By hours" }
            a href={ "/vessel/" (id) "/log.csv" } download { "The log as CSV" }
            @if !plot.is_empty() {
                a href={ "/vessel/" (id) "/curve.png?span=" (curve.stretch.key()) } { "Curve as picture" }
            }
            @if let Some(batch) = &story.vessel.batch {
                a href={ "/archive?mead=" (batch.id) } { "Lay it beside others" }
            }
        }
    })
}

fn key(plot: &Plot, put_right: bool) -> Markup {
    let forecast = plot.curve.iter().any(|p| p.at > plot.now);
    html! {
        @if !plot.gravity.is_empty() { span { i.key.gravity {} "gravity, shaded as far as readings spread" } }
        @if !plot.curve.is_empty() { span {
            i.key.fitted {} "fitted curve"
            @if put_right { ", the float put right" }
        } }
        @if forecast { span { i.key.ahead {} "forecast, and what the fitted curves leave open" } }
        @if !plot.hand.is_empty() { span { i.key.hand {} "read by hand" } }
        @if !plot.temperature.is_empty() { span { i.key.warmth {} "temperature" } }
    }
}
