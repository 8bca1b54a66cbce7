//! What forms do. Each reads its fields, gives one command to the writer, and leads back to the
//! page it came from; a form that cannot be read comes back with what is wrong with it.

pub(crate) mod access;
pub(crate) mod again;
pub(crate) mod batch;
pub(crate) mod enter;
pub(crate) mod feed;
pub(crate) mod goods;
pub(crate) mod log;
pub(crate) mod notice;
mod plan;
pub(crate) mod pour;
pub(crate) mod price;
pub(crate) mod reckon;
pub(crate) mod settings;
pub(crate) mod start;
pub(crate) mod task;
pub(crate) mod vessel;
pub(crate) mod ways;

use axum::response::{IntoResponse, Redirect, Response};
use ebbmark_store::model::Command;

use crate::app::App;
use crate::fault::Fault;

/// Runs a command once per form token and goes to `then`.
async fn run(app: &App, once: &str, command: Command, then: String) -> Result<Response, Fault> {
    let act = async {
        app.command(command).await?;
        Ok(then)
    };
    app.once(once, act).await.map(|to| see(&to))
}

/// 303, so that reloading the page does not send the form again.
fn see(to: &str) -> Response {
    Redirect::to(to).into_response()
}
