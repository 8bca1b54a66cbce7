//! What an address that came with a notice leads to: one question, one button. Opening it changes
//! nothing, since mail servers open what is sent to look whether it is safe.

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::ids::NoticeId;
use ebbmark_core::notice::again::Reply;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Command, Notice};
use maud::{Markup, html};
use serde::Deserialize;

use super::bare;
use crate::app::App;
use crate::fault::Fault;
use crate::link::{Given, KEY_SETTING, is_ours};
use crate::visitor::Visitor;

#[derive(Deserialize)]
pub(crate) struct Signed {
    #[serde(default)]
    until: String,
    #[serde(default)]
    sign: String,
}

pub(crate) async fn show(
    State(app): State<App>,
    Path((id, reply)): Path<(String, String)>,
    visitor: Visitor,
    Query(signed): Query<Signed>,
) -> Result<Response, Fault> {
    Ok(match found(&app, &visitor, &id, &reply, signed).await? {
        Found::Good(reply, notice) => question(&visitor, reply, &notice).into_response(),
        Found::Not(refusal) => refusal.into_response(),
    })
}

pub(crate) async fn act(
    State(app): State<App>,
    Path((id, reply)): Path<(String, String)>,
    visitor: Visitor,
    Query(signed): Query<Signed>,
) -> Result<Response, Fault> {
    // No mark of a session is asked for: the signature is all the right there is, and a stranger's page
    // that had it could as well send it itself.
    let (reply, notice) = match found(&app, &visitor, &id, &reply, signed).await? {
        Found::Good(reply, notice) => (reply, notice),
        Found::Not(refusal) => return Ok(refusal.into_response()),
    };
    let again = reply.again(visitor.now, &visitor.zone);
    app.command(Command::AnswerNotice {
        notice: notice.id,
        again,
        at: visitor.now,
    })
    .await?;
    Ok(said(
        "Noted",
        &notice,
        html! { p.sentence { (outcome(&visitor, again)) } },
    )
    .into_response())
}

enum Found {
    Good(Reply, Box<Notice>),
    Not(Refusal),
}

struct Refusal(StatusCode, Markup);

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.0, self.1).into_response()
    }
}

async fn found(
    app: &App,
    visitor: &Visitor,
    id: &str,
    reply: &str,
    signed: Signed,
) -> Result<Found, Fault> {
    let number = id.parse().ok().map(NoticeId);
    let (key, notice) = app
        .read(move |reader| {
            let notice = number.map(|id| reader.notice(id)).transpose()?.flatten();
            Ok((reader.setting(KEY_SETTING)?, notice))
        })
        .await?;
    let until = signed.until.parse().ok().map(Moment);
    let (Some(key), Some(notice), Some(reply), Some(until)) =
        (key, notice, Reply::from_key(reply), until)
    else {
        return Ok(Found::Not(not_whole()));
    };
    let given = Given {
        reply,
        until,
        sign: &signed.sign,
    };
    if !is_ours(&key, &notice, given) {
        return Ok(Found::Not(not_whole()));
    }
    if visitor.now > until {
        return Ok(Found::Not(too_old(visitor, until)));
    }
    Ok(match notice.cleared {
        Some(at) => Found::Not(over(visitor, &notice, at)),
        None => Found::Good(reply, Box::new(notice)),
    })
}

fn question(visitor: &Visitor, reply: Reply, notice: &Notice) -> Markup {
    said(
        &notice.title,
        notice,
        html! {
            p.aside { "Told " (visitor.day_and_time(notice.at)) "." }
            @if let Some(at) = notice.seen { p.aside { "Seen " (visitor.day_and_time(at)) "." } }
            // To where it came from: the signature stands in the address.
            form method="post" { p.act { button type="submit" { (reply.label()) } } }
        },
    )
}

/// What comes of an answer.
pub(super) fn outcome(visitor: &Visitor, again: Option<Moment>) -> String {
    match again {
        None => "You are not told of this again until it has ended and come anew.".to_owned(),
        Some(at) => format!(
            "If it still stands then, you are told again {}.",
            visitor.day_and_time(at)
        ),
    }
}

fn said(title: &str, notice: &Notice, body: Markup) -> Markup {
    let main = html! {
        main.narrow #main tabindex="-1" data-follows="" {
            h1 { (title) }
            @if title != notice.title { p { (notice.title) } }
            (body)
            p.jump { a href="/notices" { "To the notices" } }
        }
    };
    bare(title, None, main)
}

fn refusal(status: StatusCode, title: &str, say: &str) -> Refusal {
    let main = html! {
        main.narrow #main tabindex="-1" data-follows="" {
            h1 { (title) }
            p.sentence { (say) }
            p.jump { a href="/notices" { "To the notices" } }
        }
    };
    Refusal(status, bare(title, None, main))
}

fn not_whole() -> Refusal {
    refusal(
        StatusCode::FORBIDDEN,
        "This address is not whole",
        "A part of it is missing or was changed on its way; nothing was done. Open it from the message \
         again, or sign in and answer under Notices.",
    )
}

fn too_old(visitor: &Visitor, until: Moment) -> Refusal {
    refusal(
        StatusCode::GONE,
        "This address is too old",
        &format!(
            "It was good until {}; nothing was done. Sign in and answer under Notices.",
            visitor.day_and_time(until)
        ),
    )
}

fn over(visitor: &Visitor, notice: &Notice, at: Moment) -> Refusal {
    let title = "It is over";
    let body = html! {
        p.sentence { "This ended " (visitor.day_and_time(at)) "; there is nothing to answer." }
    };
    Refusal(StatusCode::OK, said(title, notice, body))
}
