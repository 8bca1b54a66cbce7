//! Signing in and out.

use axum::extract::{Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use ebbmark_store::model::Command;

use crate::app::App;
use crate::auth::check::{self, Answer};
use crate::auth::{PASSWORD_SETTING, session, token};
use crate::fault::Fault;
use crate::page;
use crate::visitor::{Posted, Standing, from_our_own_page, read_fields};

pub(crate) async fn enter(State(app): State<App>, request: Request) -> Result<Response, Fault> {
    from_our_own_page(request.headers())?;
    let label = session::label(request.headers());
    let fields = read_fields(request, &app).await?;
    let then = fields.get("then").to_owned();
    let Some(stored) = app.read(|r| r.setting(PASSWORD_SETTING)).await? else {
        return Ok(Redirect::to("/start").into_response());
    };
    let typed = fields.raw("password").to_owned();
    match check::password(&app, typed, stored.clone()).await? {
        Answer::Right => {}
        Answer::Wrong => {
            let why = "That is not the password.";
            return Ok(page::enter::again(StatusCode::FORBIDDEN, &then, why));
        }
        Answer::Wait(seconds) => {
            let why = wait(seconds);
            let mut response = page::enter::again(StatusCode::TOO_MANY_REQUESTS, &then, &why);
            response
                .headers_mut()
                .insert(header::RETRY_AFTER, HeaderValue::from(seconds));
            return Ok(response);
        }
    }
    let mut response = Redirect::to(page::enter::local(&then)).into_response();
    session::open(&app, label, &stored, &mut response).await?;
    Ok(response)
}

/// What somebody is told who has to wait before the next try.
pub(super) fn wait(seconds: u64) -> String {
    format!("Too many wrong passwords. Wait {seconds} s and try again.")
}

pub(crate) async fn leave(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    if let Standing::Entered { token } = &posted.visitor.standing
        && let Some(stored) = app.read(|r| r.setting(PASSWORD_SETTING)).await?
    {
        let token_hash = token::session_hash(token, &stored);
        app.command(Command::CloseSession { token_hash }).await?;
    }
    let mut response = Redirect::to("/enter").into_response();
    session::forget(&app, &mut response)?;
    Ok(response)
}
