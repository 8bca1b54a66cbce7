//! Being signed in: the cookie, and how long it holds.

use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;
use ebbmark_core::time::Span;
use ebbmark_store::model::Command;

use super::token;
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::COOKIE;

/// From the last time somebody was seen; a screen on the wall stays signed in.
pub(crate) const HOLDS: Span = Span::days(30);
/// Being seen is noted this often.
pub(crate) const NOTED_EVERY: Span = Span::days(1);
/// The store says when a session ends; browsers keep no cookie for longer than this (from memory).
const COOKIE_KEPT: Span = Span::days(400);
const LONGEST_LABEL: usize = 120;

/// Signs whoever asks in, under this password's hash.
pub(crate) async fn open(
    app: &App,
    label: String,
    password_hash: &str,
    response: &mut Response,
) -> Result<(), Fault> {
    let token = token::long();
    let now = (app.handle.now)();
    app.command(Command::OpenSession {
        token_hash: token::session_hash(&token, password_hash),
        made_at: now,
        expires: now + HOLDS,
        label,
    })
    .await?;
    set_cookie(app, response, &token, COOKIE_KEPT)
}

/// Takes the cookie back.
pub(crate) fn forget(app: &App, response: &mut Response) -> Result<(), Fault> {
    set_cookie(app, response, "", Span::ZERO)
}

fn set_cookie(app: &App, response: &mut Response, value: &str, age: Span) -> Result<(), Fault> {
    let secure = if app.is_secure() { "; Secure" } else { "" };
    let seconds = age.0 / 1000;
    let cookie =
        format!("{COOKIE}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}");
    let cookie = HeaderValue::from_str(&cookie)
        .map_err(|e| Fault::broken(format!("a cookie could not be written: {e}")))?;
    response.headers_mut().insert(header::SET_COOKIE, cookie);
    Ok(())
}

/// What the browser calls itself, to tell sessions apart.
pub(crate) fn label(headers: &HeaderMap) -> String {
    let agent = headers
        .get(header::USER_AGENT)
        .and_then(|v| v.to_str().ok());
    agent
        .unwrap_or("browser")
        .chars()
        .take(LONGEST_LABEL)
        .collect()
}
