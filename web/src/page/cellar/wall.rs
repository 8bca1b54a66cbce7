//! The cellar for a screen on the wall, read from three metres: large, without anything to tap
//! but the way back.

use axum::extract::State;
use maud::{Markup, html};

use super::glance::{few_words, wrong};
use super::row::{self, Row};
use crate::app::App;
use crate::fault::Fault;
use crate::page::screen;
use crate::show::as_heading;
use crate::visitor::{Looking, Visitor};

/// What fits a screen; what wants something comes first.
const MOST: usize = 8;

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
) -> Result<Markup, Fault> {
    let cellar = row::load(&app, &visitor).await?;
    let full: Vec<&Row> = cellar
        .rows
        .iter()
        .filter(|row| row.vessel.batch.is_some())
        .collect();
    let more = full.len().saturating_sub(MOST);
    // The style sheet knows a size of letters for each number of vessels.
    let of = format!("wall of-{}", full.len().clamp(1, MOST));
    let body = html! {
        h1.hidden { "The cellar" }
        ol class=(of) {
            @for row in full.iter().take(MOST) { (line(&visitor, row)) }
            @if full.is_empty() { li { b { "The cellar is empty." } } }
        }
        p.foot {
            span {
                @if more > 0 { (more) " more, which want nothing before these. " }
                (visitor.clock(visitor.now))
            }
            a href="/" { "To the cellar" }
        }
    };
    Ok(screen(&visitor, "On the wall", "cellar", body))
}

fn line(visitor: &Visitor, row: &Row) -> Markup {
    let verdict = row.verdict.as_ref().map(|stored| &stored.verdict);
    let wrong = wrong(visitor, row);
    let due = row.tasks.iter().find(|task| task.is_due(visitor.now));
    let says = match (wrong, due, verdict) {
        (Some(says), ..) => says,
        (None, Some(task), _) => &task.title,
        (None, None, Some(verdict)) => few_words(verdict.phase),
        (None, None, None) => "not judged yet",
    };
    html! {
        li.wants[wrong.is_some()].due[wrong.is_none() && due.is_some()] {
            b { (row.vessel.facts.name) }
            b.number { @if let Some(g) = verdict.and_then(|v| v.gravity) { (visitor.gravity(g)) } }
            span { (as_heading(says)) }
            span.number { @if let Some(t) = verdict.and_then(|v| v.temperature) { (visitor.temperature(t)) } }
        }
    }
}
