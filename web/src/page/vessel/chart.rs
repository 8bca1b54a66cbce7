//! The drawing, ways to look at it otherwise, what it means, and the record as files.

use ebbmark_core::time::{Moment, Span};
use maud::{Markup, html};

use super::{Story, table};
use crate::assets;
use crate::chart::{self, Plot, Shape, Upper};
use crate::curve::{Curve, Look, Readings, Stretch, View, read_out};
use crate::fault::Fault;
use crate::page::drawing;
use crate::visitor::Visitor;

pub(super) fn show(visitor: &Visitor, story: &Story) -> Result<Markup, Fault> {
    let curve = &story.curve;
    let plot = curve.plot(visitor);
    let id = story.vessel.id;
    let empty = plot.is_empty();
    Ok(html! {
        h2 #drawing { "The curve" }
        div #curve data-from=(curve.from.0) data-to=(curve.to.0)
            data-earliest=(curve.earliest.0) data-latest=(curve.latest.0)
            data-read-out={ "/vessel/" (id) "/read-out?" (curve.look.query()) } {
            (looks(curve))
            @if empty {
                p.aside { (nothing(curve)) }
            } @else {
                (figure(visitor, curve, &plot)?)
                @if curve.only_hours {
                    p.aside { "Of this time only hours are kept: each with its middle value and its extremes." }
                }
            }
            (table::show(visitor, story))
            p.links {
                a href={ "/vessel/" (id) "/readings.csv" } download {
                    @if curve.thinned { "Readings that are kept, as CSV" } @else { "All readings as CSV" }
                }
                a href={ "/vessel/" (id) "/hours.csv" } download { "By hours" }
                a href={ "/vessel/" (id) "/log.csv" } download { "The log as CSV" }
                @if !empty {
                    a href={ "/vessel/" (id) "/curve.png?" (curve.look.query()) } { "Curve as picture" }
                }
                @if let Some(batch) = &story.vessel.batch {
                    a href={ "/archive?mead=" (batch.id) } { "Lay it beside others" }
                }
            }
        }
        @for script in ["read-out.js", "closer.js"] { script defer src=(assets::address(script)) {} }
    })
}

fn nothing(curve: &Curve) -> &'static str {
    match curve.look.view {
        View::Gravity => "No readings in this stretch of time.",
        View::Fall => "Too few readings in this stretch of time to tell a fall from.",
    }
}

fn figure(visitor: &Visitor, curve: &Curve, plot: &Plot) -> Result<Markup, Fault> {
    let drawn = |shape| {
        chart::svg(plot, shape)
            .map(drawing)
            .map_err(|e| Fault::broken(e.to_string()))
    };
    let places = read_out::of(visitor, plot);
    let last = places.iter().rev().find(|p| p.is_read()).or(places.last());
    Ok(html! {
        figure.curve {
            div.paper {
                (drawn(Shape::Wide)?)
                (drawn(Shape::Tall)?)
            }
            p.read-out { @if let Some(place) = last { (place.says()) } }
            figcaption { (key(curve, plot)) }
        }
    })
}

/// Links to the other stretches, views and readings.
fn looks(curve: &Curve) -> Markup {
    let look = &curve.look;
    let id = curve.vessel.id;
    let address = |look: &Look| format!("/vessel/{id}?{}#drawing", look.query());
    let link = |name: &str, to: &Look, current: bool| {
        html! { a href=(address(to)) aria-current=[current.then_some("true")] { (name) } }
    };
    let over = look.between().is_none().then_some(look.span);
    let views = [(View::Gravity, "Gravity"), (View::Fall, "Fall per day")];
    let readings = [
        (Readings::AsSent, "As sent"),
        (Readings::PutRight, "Put right"),
    ];
    let sorts =
        look.view == View::Gravity && (curve.is_put_right() || look.readings == Readings::PutRight);
    html! {
        div.looks {
            nav aria-label="Stretch of time" {
                @for (which, name) in Stretch::OFFERED {
                    (link(name, &look.over(which), over == Some(which)))
                }
            }
            nav aria-label="Closer, further, along" {
                @for (name, stretch) in moves(curve) {
                    @match stretch {
                        Some((from, to)) => (link(name, &look.within(from, to), false)),
                        // Keeps its place, so that the next tap finds the same link where it was.
                        None => a aria-disabled="true" role="link" { (name) },
                    }
                }
            }
            nav aria-label="What is shown" {
                @for (which, name) in views {
                    (link(name, &Look { view: which, ..look.clone() }, look.view == which))
                }
            }
            @if sorts {
                nav aria-label="Which readings" {
                    @for (which, name) in readings {
                        (link(name, &Look { readings: which, ..look.clone() }, look.readings == which))
                    }
                }
            }
        }
    }
}

/// A stretch nobody need look closer than.
const CLOSEST: Span = Span::hours(3);

/// Where the next stretch of each kind lies; `None` where there is no more.
fn moves(curve: &Curve) -> [(&'static str, Option<(Moment, Moment)>); 4] {
    let Curve {
        from,
        to,
        earliest,
        latest,
        ..
    } = *curve;
    let width = to.since(from);
    let (half, quarter) = (Span(width.0 / 2), Span(width.0 / 4));
    let closer = (width > CLOSEST).then(|| (from + quarter, to - quarter));
    let wider = ((from - half).max(earliest), (to + half).min(latest));
    let further = (wider != (from, to)).then_some(wider);
    let by = half.min(from.since(earliest));
    let earlier = (by > Span::ZERO).then(|| (from - by, to - by));
    let by = half.min(latest.since(to));
    let later = (by > Span::ZERO).then(|| (from + by, to + by));
    [
        ("Closer", closer),
        ("Further", further),
        ("Earlier", earlier),
        ("Later", later),
    ]
}

fn key(curve: &Curve, plot: &Plot) -> Markup {
    let fitted = || plot.curve.iter().filter(|p| plot.shows(p.at));
    let ahead = fitted().any(|p| p.at > plot.now);
    let behind = fitted().any(|p| p.at <= plot.now);
    let spread = !curve.is_of_single_readings();
    let right = curve.look.readings == Readings::PutRight;
    html! {
        @if !plot.gravity.is_empty() { span {
            i.key.gravity.spread[spread && !plot.unsure].unsure[plot.unsure] {}
            @match (plot.upper, right, spread) {
                (Upper::Fall, ..) => {
                    "fall per day: the straight line through the hours half a day to either side, the float put right; "
                    "shaded where it lies nine times out of ten"
                }
                (Upper::Gravity, true, _) => {
                    "gravity put right by hand readings and without the float's jumps, "
                    "shaded as far as readings spread and the float's error is not known"
                }
                (Upper::Gravity, false, true) => "gravity, shaded as far as readings spread",
                (Upper::Gravity, false, false) => "gravity, reading by reading",
            }
        } }
        @if behind { span {
            i.key.fitted {} "fitted curve"
            @if curve.is_put_right() { ", the float put right" }
        } }
        @if ahead { span { i.key.ahead {} "forecast, and what the fitted curves leave open" } }
        @if plot.hand.iter().any(|(at, _)| plot.shows(*at)) { span { i.key.hand {} "read by hand" } }
        @if !plot.temperature.is_empty() { span { i.key.warmth {} "temperature" } }
    }
}
