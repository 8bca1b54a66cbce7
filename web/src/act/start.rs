//! Setting the first password, and leaving the first steps behind.

use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use ebbmark_store::model::Command;

use super::{enter, run};
use crate::app::App;
use crate::auth::check::{self, Answer};
use crate::auth::{PASSWORD_SETTING, session, token};
use crate::fault::Fault;
use crate::page::start::again;
use crate::visitor::{Posted, START_SETTING, from_our_own_page, read_fields};

/// Only while there is no password, and only with the code.
pub(crate) async fn password(State(app): State<App>, request: Request) -> Result<Response, Fault> {
    from_our_own_page(request.headers())?;
    let label = session::label(request.headers());
    let fields = read_fields(request, &app).await?;
    let to_start = || Redirect::to("/start").into_response();
    // Held over asking and setting: of two at once the second finds a password.
    let _alone = app.starting.lock().await;
    if app.read(|r| r.setting(PASSWORD_SETTING)).await?.is_some() {
        return Ok(to_start());
    }
    let Some(code) = app.handle.start_code.clone() else {
        return Ok(to_start());
    };
    let typed = plain(fields.get("code"));
    match check::slowly(&app, async || Ok(token::same(&typed, &plain(&code)))).await? {
        Answer::Right => {}
        Answer::Wrong => {
            let why = "That is not the code the daemon gave.";
            return Ok(again(&app, StatusCode::FORBIDDEN, why));
        }
        Answer::Wait(seconds) => {
            let why = enter::wait(seconds);
            return Ok(again(&app, StatusCode::TOO_MANY_REQUESTS, &why));
        }
    }
    match check::set(&app, fields.raw("password").to_owned()).await? {
        Err(why) => {
            let why = format!("Password: {why}.");
            Ok(again(&app, StatusCode::UNPROCESSABLE_ENTITY, &why))
        }
        Ok(hash) => {
            let mut response = to_start();
            session::open(&app, label, &hash, &mut response).await?;
            Ok(response)
        }
    }
}

/// Without what people type differently: case, blanks, the stroke in the middle.
fn plain(code: &str) -> String {
    let kept = code.chars().filter(char::is_ascii_alphanumeric);
    kept.map(|c| c.to_ascii_uppercase()).collect()
}

pub(crate) async fn close(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let command = Command::SetSetting {
        key: START_SETTING.to_owned(),
        value: Some("yes".to_owned()),
    };
    run(&app, &posted.once(), command, "/".to_owned()).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_read_as_people_type_it() {
        assert_eq!(plain(" 7k3f-2m9q "), plain("7K3F 2M9Q"));
        assert_ne!(plain("7k3f-2m9q"), plain("7k3f-2m9"));
    }
}
