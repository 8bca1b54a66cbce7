//! The last hours of what is drawn as a table: the drawing's other form.

use ebbmark_core::hours::HOUR_MS;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity};
use maud::{Markup, html};

use super::Story;
use crate::page::field::fold;
use crate::visitor::Visitor;

const HOURS: usize = 50;

pub(super) fn show(visitor: &Visitor, story: &Story) -> Markup {
    let hours = &story.curve.hours;
    if hours.is_empty() {
        return html! {};
    }
    let gravity = |sg: f64| visitor.gravity(Gravity::computed(sg));
    let temperature = |c: f64| visitor.temperature(Celsius::computed(c));
    let rows = html! {
        div.scroll {
            table {
                caption { "Middle value of each hour, with the lowest and highest reading" }
                thead { tr {
                    th scope="col" { "Hour" }
                    th scope="col" { "Gravity" }
                    th scope="col" { "from, to" }
                    th scope="col" { "Temperature" }
                } }
                tbody {
                    @for hour in hours.iter().rev().take(HOURS) {
                        tr {
                            th scope="row" { (visitor.day_and_time(Moment(hour.index.saturating_mul(HOUR_MS)))) }
                            td { @if let Some(g) = hour.gravity { (gravity(g.median)) } }
                            td { @if let Some(g) = hour.gravity { (gravity(g.min)) ", " (gravity(g.max)) } }
                            td { @if let Some(t) = hour.temperature { (temperature(t.median)) } }
                        }
                    }
                }
            }
        }
    };
    fold("hours", "The last 50 hours of it as a table", false, rows)
}
