//! The card of a mead: on the screen, on paper, and as a file to keep or send.

pub(crate) mod again;
mod curve;
mod log;
mod paper;
pub(in crate::page) mod sheet;

use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ebbmark_core::card::{self, Record};
use ebbmark_core::ids::BatchId;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Here, shell};
use crate::api::Keeping;
use crate::app::App;
use crate::assets;
use crate::fault::Fault;
use crate::visitor::{Looking, Visitor};

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
) -> Result<Markup, Fault> {
    drawn(&app, visitor, id, |visitor, record| {
        let name = record.name.clone();
        let body = html! {
            link rel="stylesheet" href=(assets::address("card.css"));
            (sheet::show(visitor, record, true)?)
            (ways(visitor, record))
        };
        Ok(shell(visitor, Here::Elsewhere, &name, "", body))
    })
    .await
}

/// The card alone, with everything it needs in itself.
pub(crate) async fn file(
    State(app): State<App>,
    Looking(visitor): Looking,
    Path(id): Path<i64>,
) -> Result<Response, Fault> {
    let page = drawn(&app, visitor, id, |visitor, record| {
        Ok(html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    title { (record.name) }
                    style { (PreEscaped(assets::text("style.css"))) (PreEscaped(assets::text("card.css"))) }
                }
                body { main { (sheet::show(visitor, record, false)?) } }
            }
        })
    })
    .await?;
    Ok(kept(id, "html", "text/html", page.into_string()))
}

pub(crate) async fn json(
    State(app): State<App>,
    Keeping(visitor): Keeping,
    Path(id): Path<i64>,
) -> Result<Response, Fault> {
    let record = load(&app, &visitor, id).await?;
    let text = serde_json::to_string_pretty(&card::card(&record))
        .map_err(|e| Fault::broken(format!("a card could not be written: {e}")))?;
    Ok(kept(id, "json", "application/json", text))
}

pub(crate) async fn csv(
    State(app): State<App>,
    Keeping(visitor): Keeping,
    Path(id): Path<i64>,
) -> Result<Response, Fault> {
    let record = load(&app, &visitor, id).await?;
    let text = card::csv::log(&card::card(&record));
    Ok(kept(id, "csv", "text/csv", text))
}

pub(crate) async fn load(app: &App, visitor: &Visitor, id: i64) -> Result<Record, Fault> {
    let now = visitor.now;
    let record = app.read(move |reader| reader.card_record(BatchId(id), now));
    record.await?.ok_or_else(|| Fault::missing("mead"))
}

/// Drawing is work for a blocking thread.
async fn drawn(
    app: &App,
    visitor: Visitor,
    id: i64,
    draw: impl FnOnce(&Visitor, &Record) -> Result<Markup, Fault> + Send + 'static,
) -> Result<Markup, Fault> {
    let record = load(app, &visitor, id).await?;
    tokio::task::spawn_blocking(move || draw(&visitor, &record))
        .await
        .map_err(|e| Fault::broken(format!("a card was not finished: {e}")))?
}

/// A file to keep, not a page to show.
fn kept(id: i64, ending: &str, kind: &str, text: String) -> Response {
    let headers = [
        (header::CONTENT_TYPE, format!("{kind}; charset=utf-8")),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"mead-{id}-card.{ending}\""),
        ),
    ];
    (headers, text).into_response()
}

/// What can be done with a card; not part of it.
fn ways(visitor: &Visitor, record: &Record) -> Markup {
    let at = |rest: &str| format!("/mead/{}/{rest}", record.number);
    html! {
        section.ways aria-labelledby="ways" {
            h2 #ways { "Keep it, or make it again" }
            p.aside { "Printed, it is one page, A4 or letter." }
            @if visitor.mark().is_some() { p.jump { a href=(at("again")) { "Make it again" } } }
            ul.plain {
                li { a href=(at("card.html")) download { "The card as one file" } ", to open anywhere or send" }
                li { a href=(at("card.json")) download { "The same for programs" } " (JSON)" }
                li { a href=(at("card.csv")) download { "Its log" } " (CSV, which " code { "ebbmark replay --events" } " reads)" }
            }
        }
    }
}
