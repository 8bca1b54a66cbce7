//! Signing in and out.

use std::time::Instant;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use ebbmark_core::time::Span;
use ebbmark_store::model::Command;

use crate::app::App;
use crate::auth::{self, PASSWORD_SETTING, token};
use crate::fault::Fault;
use crate::page;
use crate::visitor::{COOKIE, Posted, Standing, from_our_own_page, read_fields};

const SESSION: Span = Span::days(30);
const LONGEST_LABEL: usize = 120;

pub(crate) async fn enter(State(app): State<App>, request: Request) -> Result<Response, Fault> {
    from_our_own_page(request.headers())?;
    let label = label(request.headers());
    let fields = read_fields(request, &app).await?;
    let then = fields.get("then").to_owned();
    let Some(stored) = app.read(|r| r.setting(PASSWORD_SETTING)).await? else {
        return Ok(Redirect::to("/enter").into_response());
    };
    if let Some(response) = slow_down(&app, &then)? {
        return Ok(response);
    }
    if !check(&app, fields.raw("password").to_owned(), stored.clone()).await? {
        guard(&app)?.failed(Instant::now());
        tracing::warn!("a sign-in with a wrong password");
        let why = "That is not the password.";
        return Ok(page::enter::again(StatusCode::FORBIDDEN, &then, why));
    }
    guard(&app)?.succeeded();
    let token = token::long();
    let now = (app.handle.now)();
    app.command(Command::OpenSession {
        token_hash: token::session_hash(&token, &stored),
        made_at: now,
        expires: now + SESSION,
        label,
    })
    .await?;
    let mut response = Redirect::to(page::enter::local(&then)).into_response();
    set_cookie(&app, &mut response, &token, SESSION)?;
    Ok(response)
}

pub(crate) async fn leave(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    if let Standing::Entered { token } = &posted.visitor.standing
        && let Some(stored) = app.read(|r| r.setting(PASSWORD_SETTING)).await?
    {
        let token_hash = token::session_hash(token, &stored);
        app.command(Command::CloseSession { token_hash }).await?;
    }
    let mut response = Redirect::to("/enter").into_response();
    set_cookie(&app, &mut response, "", Span::ZERO)?;
    Ok(response)
}

fn guard(app: &App) -> Result<std::sync::MutexGuard<'_, auth::guard::Guard>, Fault> {
    app.guard
        .lock()
        .map_err(|_| Fault::broken("the sign-in guard's lock is poisoned"))
}

/// The answer to someone who has to wait before the next try.
fn slow_down(app: &App, then: &str) -> Result<Option<Response>, Fault> {
    let Err(wait) = guard(app)?.attempt(Instant::now()) else {
        return Ok(None);
    };
    let seconds = wait.as_secs() + 1;
    let why = format!("Too many wrong passwords. Wait {seconds} s and try again.");
    let mut response = page::enter::again(StatusCode::TOO_MANY_REQUESTS, then, &why);
    response
        .headers_mut()
        .insert(header::RETRY_AFTER, HeaderValue::from(seconds));
    Ok(Some(response))
}

async fn check(app: &App, password: String, stored: String) -> Result<bool, Fault> {
    let _alone = app
        .hashing
        .acquire()
        .await
        .map_err(|_| Fault::broken("the hashing permit is closed"))?;
    tokio::task::spawn_blocking(move || auth::is_password(&password, &stored))
        .await
        .map_err(|e| Fault::broken(format!("a password check did not finish: {e}")))?
        .map_err(|e| Fault::broken(format!("the stored password cannot be used: {e}")))
}

fn set_cookie(app: &App, response: &mut Response, value: &str, age: Span) -> Result<(), Fault> {
    let secure = if app.handle.secure_cookies {
        "; Secure"
    } else {
        ""
    };
    let seconds = age.0 / 1000;
    let cookie =
        format!("{COOKIE}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}");
    let cookie = HeaderValue::from_str(&cookie)
        .map_err(|e| Fault::broken(format!("a cookie could not be written: {e}")))?;
    response.headers_mut().insert(header::SET_COOKIE, cookie);
    Ok(())
}

/// What the browser calls itself, to tell sessions apart.
fn label(headers: &HeaderMap) -> String {
    let agent = headers
        .get(header::USER_AGENT)
        .and_then(|v| v.to_str().ok());
    agent
        .unwrap_or("browser")
        .chars()
        .take(LONGEST_LABEL)
        .collect()
}
