//! The maker's arithmetic: what can be reckoned, and one reckoning with its fields and its answer.

mod answer;
mod fields;

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::VesselId;
use ebbmark_core::reckon::{self, Refusal, Told, shown};
use ebbmark_core::words::LONGEST_NOTE;
use ebbmark_store::model::Vessel;
use maud::{Markup, html};

use self::fields::Fields;
use super::{Here, shell};
use crate::app::App;
use crate::assets;
use crate::fault::Fault;
use crate::reckoned::{By, Wanted};
use crate::show::as_sentence;
use crate::visitor::{Looking, Visitor};

type Pairs = Vec<(String, String)>;

/// Empty rows after the filled ones, so that more can be typed without scripts.
const SPARE: usize = 2;

/// All of them.
pub(crate) async fn list(Looking(visitor): Looking) -> Markup {
    let body = html! {
        section {
            h1 { "Reckon" }
            p { "From a vessel's page the fields are filled from its record." }
            ul.reckonings { @for reckoning in reckon::ALL { (line(reckoning, None)) } }
        }
    };
    shell(&visitor, Here::Reckon, "Reckon", "", body)
}

/// A reckoning to go to, for a vessel or for none.
pub(in crate::page) fn line(reckoning: &reckon::Reckoning, vessel: Option<VesselId>) -> Markup {
    html! {
        li {
            a href=(address(reckoning.key, vessel)) { (reckoning.title) }
            p.aside { (reckoning.says) }
        }
    }
}

pub(crate) fn address(key: &str, vessel: Option<VesselId>) -> String {
    match vessel {
        Some(id) => format!("/vessel/{id}/reckon/{key}"),
        None => format!("/reckon/{key}"),
    }
}

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(key): Path<String>,
    Query(asked): Query<Pairs>,
) -> Result<Markup, Fault> {
    one(&app, &visitor, &key, None, asked).await
}

pub(crate) async fn of_vessel(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path((id, key)): Path<(i64, String)>,
    Query(asked): Query<Pairs>,
) -> Result<Markup, Fault> {
    one(&app, &visitor, &key, Some(VesselId(id)), asked).await
}

async fn one(
    app: &App,
    visitor: &Visitor,
    key: &str,
    vessel: Option<VesselId>,
    asked: Pairs,
) -> Result<Markup, Fault> {
    let wanted = Wanted::load(app, key, vessel, asked, By::visitor(visitor)).await?;
    Ok(page(visitor, &wanted, &wanted.reckon()))
}

/// The page again, with what kept a step from being done.
pub(crate) fn again(visitor: &Visitor, wanted: &Wanted, refusal: Refusal) -> Response {
    let markup = page(visitor, wanted, &Err(refusal));
    (StatusCode::UNPROCESSABLE_ENTITY, markup).into_response()
}

fn page(visitor: &Visitor, wanted: &Wanted, result: &Result<Told, Refusal>) -> Markup {
    let reckoning = wanted.reckoning;
    let asker = wanted.by.asker();
    let shown = shown(reckoning, &wanted.asked, &wanted.known, &asker, SPARE);
    let sheet = Fields::new(visitor, &shown, result.as_ref().err());
    let vessel = wanted.vessel.as_ref();
    let action = address(reckoning.key, vessel.map(|v| v.id));
    let body = html! {
        header.head {
            h1 { (reckoning.title) @if let Some(v) = vessel { small { (whose(v)) } } }
            p { (reckoning.says) }
            p.jump { (back(vessel)) }
        }
        div.reckon {
            form.asked method="get" action=(action) autocomplete="off" data-reckon {
                (shut(wanted))
                (sheet.complaints())
                @for part in fields::parts(&shown) { (sheet.part(part)) }
                p.act { button type="submit" { "Reckon" } }
            }
            div.said {
                p.sentence #told data-fresh role="status" { (sentence(result, &sheet)) }
                p.all #more data-fresh { @if result.is_ok() { a href="#answer" { "The whole answer" } } }
            }
            div.outcome {
                div #answer data-fresh {
                    @if let Ok(told) = result { (answer::show(told)) }
                }
                @if let Some(v) = vessel { (answer::do_it(visitor, wanted, v, result.as_ref().ok(), &shown)) }
                div #ground data-fresh {
                    @if let Ok(told) = result { (answer::ground(told)) }
                }
            }
        }
        script defer src=(assets::address("reckon.js")) {}
    };
    let follows = vessel.map_or_else(String::new, |v| format!("vessel-{}", v.id));
    shell(visitor, Here::Reckon, reckoning.title, &follows, body)
}

fn whose(vessel: &Vessel) -> String {
    match &vessel.batch {
        Some(batch) => format!("{}, {}", vessel.facts.name, batch.facts.name),
        None => format!("{}, empty", vessel.facts.name),
    }
}

fn back(vessel: Option<&Vessel>) -> Markup {
    html! {
        @match vessel {
            Some(v) => a href={ "/vessel/" (v.id) } { "Back to the vessel" },
            None => a href="/reckon" { "Other reckonings" },
        }
    }
}

/// The gate in the way, and the field that passes it.
fn shut(wanted: &Wanted) -> Markup {
    html! {
        @if let Some((_, why)) = wanted.shut() {
            div.shut {
                p { b { "Not yet. " } (as_sentence(why)) }
                div.field.wide {
                    label for="f-despite" { "Why do it all the same" }
                    input #f-despite type="text" name=(reckon::DESPITE) value=(wanted.despite) maxlength=(LONGEST_NOTE)
                        aria-describedby="n-despite";
                    small #n-despite { "Goes into the log with the step. Left empty, nothing is reckoned." }
                }
            }
        }
    }
}

fn sentence(result: &Result<Told, Refusal>, fields: &Fields) -> String {
    match result {
        Ok(told) => told.sentence.clone(),
        Err(Refusal::Shut { .. }) => {
            "The vessel's gate is shut, so this is not reckoned for it.".to_owned()
        }
        Err(Refusal::Fields(_)) => match (fields.missing().as_slice(), fields.wrong()) {
            ([], [one]) => as_sentence(&one.say),
            ([], _) => "Not reckoned: some fields hold what cannot be.".to_owned(),
            (missing, _) => format!("Still needed: {}.", missing.join(", ")),
        },
    }
}
