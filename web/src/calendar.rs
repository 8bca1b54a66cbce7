//! What is to be done, as a calendar a phone can follow. It asks without a cookie, so a key in the
//! address stands for the sign-in; the key reads this and nothing else.

use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use ebbmark_core::calendar::{self, Entry, Start};
use ebbmark_core::tasks::Task;
use ebbmark_store::tasks::ToDo;
use serde::Deserialize;

use crate::app::App;
use crate::auth::token;
use crate::fault::Fault;
use crate::show::as_heading;
use crate::visitor::Visitor;

pub(crate) const KEY_SETTING: &str = "calendar-key-hash";

#[derive(Deserialize)]
pub(crate) struct Asked {
    #[serde(default)]
    key: String,
}

pub(crate) async fn feed(
    State(app): State<App>,
    visitor: Visitor,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    let stored = app.read(|r| r.setting(KEY_SETTING)).await?;
    let shown = token::calendar_hash(&asked.key);
    if !stored.is_some_and(|stored| token::same(&shown, &stored)) {
        return Err(Fault::said(
            StatusCode::FORBIDDEN,
            "This is not the calendar's key. The page \"Who gets in\" makes a new address to follow.",
        ));
    }
    let by = visitor.clone();
    let to_do = app.read(move |r| r.to_do(by.now, &by.style())).await?;
    // The key's hash tells this cellar from others.
    let cellar = shown.get(..16).unwrap_or_default();
    let entries: Vec<Entry> = to_do
        .iter()
        .flat_map(|one| {
            one.tasks
                .iter()
                .filter_map(|t| entry(&visitor, one, t, cellar))
        })
        .collect();
    let text = calendar::write("Ebbmark: to do", &entries, visitor.now);
    let headers = [(header::CONTENT_TYPE, "text/calendar; charset=utf-8")];
    Ok((headers, text).into_response())
}

/// `None` of what nobody can say when it will be due.
fn entry(visitor: &Visitor, one: &ToDo, task: &Task, cellar: &str) -> Option<Entry> {
    let start = match task.moment() {
        Some(at) if at > visitor.now => Start::At(at),
        _ if task.is_due(visitor.now) => {
            Start::On(visitor.zone.to_datetime(visitor.now.timestamp()?).date())
        }
        _ => return None,
    };
    let (vessel, mead) = (&one.vessel.facts.name, &one.batch.facts.name);
    let when = task.when(visitor.now, &visitor.style());
    Some(Entry {
        uid: format!("{}.mead-{}@{cellar}.ebbmark", task.key, one.batch.id),
        start,
        summary: format!("{vessel}: {}", task.title),
        description: format!("{mead}, {when}. {}", as_heading(&task.reason)),
    })
}
