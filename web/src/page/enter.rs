//! Signing in.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use super::bare;
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::{Standing, Visitor};

#[derive(Deserialize)]
pub(crate) struct Asked {
    #[serde(default)]
    then: String,
}

pub(crate) async fn show(
    State(_app): State<App>,
    visitor: Visitor,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    Ok(match visitor.standing {
        Standing::Entered { .. } => Redirect::to(local(&asked.then)).into_response(),
        Standing::Unlocked => Redirect::to("/start").into_response(),
        Standing::Guest | Standing::Outside => form(local(&asked.then), None).into_response(),
    })
}

/// The form again, with why the door stayed shut.
pub(crate) fn again(status: StatusCode, then: &str, why: &str) -> Response {
    (status, form(local(then), Some(why))).into_response()
}

/// Only addresses of ours are gone to after signing in: `//elsewhere` and `/\elsewhere` are
/// other sites to a browser.
pub(crate) fn local(then: &str) -> &str {
    let ours = then.starts_with('/')
        && !then.starts_with("//")
        && !then.contains('\\')
        && !then.chars().any(char::is_control);
    if ours { then } else { "/" }
}

fn form(then: &str, why: Option<&str>) -> Markup {
    let body = html! {
        main.narrow #main tabindex="-1" data-follows="" {
            h1 { "Sign in" }
            form method="post" action="/enter" {
                @if let Some(why) = why { p.complaints role="alert" { (why) } }
                input type="hidden" name="then" value=(then);
                label.field {
                    span { "Password" }
                    input type="password" name="password" autocomplete="current-password" required autofocus;
                }
                p.act { button type="submit" { "Sign in" } }
            }
        }
    };
    bare("Sign in", None, body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_addresses_are_gone_to() {
        assert_eq!(local("/vessel/3?span=all"), "/vessel/3?span=all");
        for other in [
            "//elsewhere",
            "/\\elsewhere",
            "https://elsewhere",
            "",
            "/\n/x",
        ] {
            assert_eq!(local(other), "/");
        }
    }
}
