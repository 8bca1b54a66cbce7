//! Changing who gets in.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Redirect, Response};
use ebbmark_core::ids::TokenId;
use ebbmark_store::model::{Command, Scopes};

use super::{enter, run};
use crate::app::App;
use crate::auth::check::{self, Answer};
use crate::auth::{PASSWORD_SETTING, session, token};
use crate::calendar::KEY_SETTING;
use crate::fault::Fault;
use crate::form::{Complaint, Take};
use crate::page::access::{self, Made, PASSWORD_FORM, TOKEN_FORM};
use crate::page::reached_at;
use crate::visitor::{PUBLIC_VIEW_SETTING, Posted, Standing};

const DONE: &str = "/access?done=settings";

pub(crate) async fn view(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let public = (posted.fields.get("view") == "yes").then(|| "yes".to_owned());
    let command = Command::SetSetting {
        key: PUBLIC_VIEW_SETTING.to_owned(),
        value: public,
    };
    run(&app, &posted.once(), command, DONE.to_owned()).await
}

/// Not once per form: a second tap would be of a session that has ended.
pub(crate) async fn password(
    State(app): State<App>,
    headers: HeaderMap,
    posted: Posted,
) -> Result<Response, Fault> {
    let refuse = async |posted: Posted, field: &str, say: String| {
        let complaint = Complaint {
            field: field.to_owned(),
            say,
        };
        let (visitor, draft) = posted.draft(PASSWORD_FORM, vec![complaint]);
        access::again(&app, &visitor, &draft).await
    };
    let Some(stored) = app.read(|r| r.setting(PASSWORD_SETTING)).await? else {
        return Ok(Redirect::to("/start").into_response());
    };
    let typed = posted.fields.raw("now").to_owned();
    match check::password(&app, typed, stored).await? {
        Answer::Right => {}
        Answer::Wrong => {
            let say = "The password now: that is not it".to_owned();
            return refuse(posted, "now", say).await;
        }
        Answer::Wait(seconds) => return refuse(posted, "now", enter::wait(seconds)).await,
    }
    match check::set(&app, posted.fields.raw("new").to_owned()).await? {
        Err(why) => refuse(posted, "new", format!("The new one: {why}")).await,
        Ok(hash) => {
            let mut response = Redirect::to("/access?done=password").into_response();
            session::open(&app, session::label(&headers), &hash, &mut response).await?;
            Ok(response)
        }
    }
}

pub(crate) async fn session(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let token_hash =
        token::from_hex(posted.fields.get("session")).ok_or_else(|| Fault::missing("session"))?;
    let command = Command::CloseSession { token_hash };
    run(&app, &posted.once(), command, DONE.to_owned()).await
}

pub(crate) async fn others(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let stored = app.read(|r| r.setting(PASSWORD_SETTING)).await?;
    let (Standing::Entered { token }, Some(stored)) = (&posted.visitor.standing, stored) else {
        return Ok(Redirect::to("/enter").into_response());
    };
    let keep = token::session_hash(token, &stored);
    let command = Command::CloseOtherSessions { keep };
    run(&app, &posted.once(), command, DONE.to_owned()).await
}

/// Not once per form: the answer to a second tap would hide the token, so it makes another,
/// and both are listed.
pub(crate) async fn make_token(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let (name, scopes) = match read(&posted) {
        Ok(read) => read,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(TOKEN_FORM, complaints);
            return access::again(&app, &visitor, &draft).await;
        }
    };
    let token = token::long();
    app.command(Command::MakeToken {
        name: name.clone(),
        hash: token::program_hash(&token),
        scopes,
        at: posted.visitor.now,
    })
    .await?;
    let made = Made::Token {
        name: &name,
        token: &token,
    };
    access::with(&app, &posted.visitor, made).await
}

fn read(posted: &Posted) -> Result<(String, Scopes), Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let name = take.name("name", "Who it is for");
    let ticked = |field: &str| posted.fields.get(field) == "yes";
    let scopes = Scopes {
        look: ticked("look"),
        write: ticked("write"),
        send: ticked("send"),
    };
    if scopes == Scopes::default() {
        take.complain("send", "It may: tick at least one");
    }
    take.finish(name.map(|name| (name, scopes)))
}

pub(crate) async fn revoke(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let id = posted.fields.get("token").parse().map(TokenId);
    let id = id.map_err(|_| Fault::missing("token"))?;
    let command = Command::RevokeToken(id);
    run(&app, &posted.once(), command, DONE.to_owned()).await
}

/// As [`make_token`]: each tap makes another, and the last one holds.
pub(crate) async fn calendar(
    State(app): State<App>,
    headers: HeaderMap,
    posted: Posted,
) -> Result<Response, Fault> {
    let key = token::long();
    app.command(Command::SetSetting {
        key: KEY_SETTING.to_owned(),
        value: Some(token::calendar_hash(&key)),
    })
    .await?;
    let path = format!("/tasks.ics?key={key}");
    let whole = reached_at(&headers, app.is_secure(), &path);
    let made = Made::Calendar {
        path: &path,
        whole: &whole,
    };
    access::with(&app, &posted.visitor, made).await
}
