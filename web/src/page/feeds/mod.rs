//! The feeds: what comes in, from where, how well, and what waits to be claimed.

mod claim;
mod one;
mod tilt;

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::reading::ProblemKind;
use ebbmark_store::model::{Feed, ProblemCount, Unclaimed, Vessel};
use maud::{Markup, html};

use super::field::fold;
use super::{Asked, Here, done, shell, why_no_forms};
use crate::StatusLine;
use crate::app::App;
use crate::fault::Fault;
use crate::form::Draft;
use crate::visitor::{Looking, Visitor};

pub(crate) use claim::{MOST_CANDIDATES, claim_form};
pub(crate) use one::{map_form, move_form};
pub(crate) use tilt::tilt_form;

/// Unclaimed topics shown at once; a chatty broker has thousands.
const MOST_TOPICS: usize = 30;
/// Up to so many stand with their forms open.
const FEW_TOPICS: usize = 3;

struct Intakes {
    feeds: Vec<Feed>,
    paired: Vec<tilt::Paired>,
    unclaimed: Vec<Unclaimed>,
    problems: Vec<ProblemCount>,
    vessels: Vec<Vessel>,
    undated: u64,
    /// Unclaimed topics that made room for later ones.
    dropped: u64,
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    Ok(page(&app, &visitor, None, asked.done.as_deref())
        .await?
        .into_response())
}

pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let markup = page(app, visitor, Some(draft), None).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

async fn page(
    app: &App,
    visitor: &Visitor,
    draft: Option<&Draft>,
    done_key: Option<&str>,
) -> Result<Markup, Fault> {
    let intakes = app
        .read(|reader| {
            let (feeds, vessels) = (reader.feeds()?, reader.vessels()?);
            Ok(Intakes {
                paired: tilt::paired(reader, &feeds, &vessels)?,
                feeds,
                unclaimed: reader.unclaimed()?,
                problems: reader.problems()?,
                vessels: vessels.into_iter().filter(|v| !v.retired).collect(),
                undated: reader.undated()?,
                dropped: reader.unclaimed_dropped()?,
            })
        })
        .await?;
    let status = (app.handle.status)();
    let (retired, live): (Vec<&Feed>, Vec<&Feed>) =
        intakes.feeds.iter().partition(|feed| feed.retired);
    let strangers = intakes.problems.iter().filter(|p| p.feed.is_none());
    let few = intakes.unclaimed.len() <= FEW_TOPICS;
    let body = html! {
        (done(done_key))
        h1 { "Feeds" }
        (ways_in(&status, intakes.undated))
        @if let Some(why) = why_no_forms(visitor) { (why) }
        section #unclaimed {
            @if !intakes.unclaimed.is_empty() { h2 { "Waiting to be claimed" } }
            @for topic in intakes.unclaimed.iter().take(MOST_TOPICS) {
                (claim::show(visitor, topic, &intakes.vessels, draft, few))
            }
            @if let Some(more) = intakes.unclaimed.len().checked_sub(MOST_TOPICS).filter(|n| *n > 0) {
                p.aside { "And " (more) " topics more; they are shown as these are claimed." }
            }
            @if intakes.dropped > 0 {
                p.aside {
                    (intakes.dropped) " earlier topics had to make room for these: too many send here. "
                    "Let only the floats' topics through."
                }
            }
        }
        section {
            h2 { "Claimed" }
            @if live.is_empty() {
                p.aside {
                    "None yet. Point a float's messages at the intake, or post them to "
                    code { "/intake/" i { "topic" } }
                    "; the topic then waits here to be claimed."
                }
            }
            @for feed in &live {
                (one::show(visitor, feed, &intakes.problems, &intakes.vessels, &intakes.paired, draft))
            }
        }
        (problems(visitor, strangers.collect(), "Turned away from unclaimed topics"))
        @if !retired.is_empty() {
            (fold("retired", &format!("{} retired", retired.len()), false, html! {
                ul.plain { @for feed in retired {
                    li { b { (feed.name) } " " code { (feed.topic) } ", " (feed.readings) " readings kept" }
                } }
            }))
        }
    };
    let follows = if draft.is_some() { "" } else { "feeds" };
    Ok(shell(visitor, Here::Feeds, "Feeds", follows, body))
}

fn ways_in(status: &[StatusLine], undated: u64) -> Markup {
    html! {
        @if !status.is_empty() {
            section aria-labelledby="ways-in" {
                h2 #ways-in { "Ways in" }
                dl.facts { @for line in status {
                    div.trouble[line.troubled] { dt { (line.name) } dd { (line.says) } }
                } }
            }
        }
        @if undated > 0 {
            p.aside {
                (undated) " messages came while the board's clock could not be believed. They are "
                "dated as soon as it can be; those from before a restart that came first stay kept "
                "without a date."
            }
        }
    }
}

fn problems(visitor: &Visitor, problems: Vec<&ProblemCount>, heading: &str) -> Markup {
    html! {
        @if !problems.is_empty() {
            div.problems {
                h3 { (heading) }
                ul.plain { @for p in problems {
                    li {
                        b { (p.count) " × " (kind_words(p.kind)) } ", last " (visitor.ago(p.last)) ": "
                        span.detail { (p.detail) }
                        @if p.feed.is_none() { " (" code { (p.topic) } ")" }
                    }
                } }
            }
        }
    }
}

fn kind_words(kind: ProblemKind) -> &'static str {
    match kind {
        ProblemKind::Unreadable => "unreadable",
        ProblemKind::Missing => "value missing",
        ProblemKind::WrongType => "not a number",
        ProblemKind::WrongUnit => "unit not known",
        ProblemKind::OutOfRange => "out of range",
        ProblemKind::BadTime => "impossible time",
        ProblemKind::Duplicate => "came twice",
        ProblemKind::Conflict => "two values for one instant",
        ProblemKind::Empty => "nothing in it",
    }
}

/// Vessels to choose from, and none.
fn vessel_choices(vessels: &[Vessel]) -> Vec<(String, String)> {
    let none = (String::new(), "none yet".to_owned());
    let named = vessels
        .iter()
        .map(|v| (v.id.to_string(), v.facts.name.clone()));
    std::iter::once(none).chain(named).collect()
}
