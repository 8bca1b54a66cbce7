//! Whether the daemon does its work, for a watchman who signs in nowhere: nothing of the cellar is said.
//!
//! It *lives* when it answers (`/healthz/alive`). It is *ready* (`/healthz`) when what comes in can be
//! kept and what is kept can be read. A clock that is not set is no reason to restart anything or to send
//! floats elsewhere (what comes in is kept, and dated once it is set), so that is said with a 200.

use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;

use crate::app::App;

/// A board that is busy reads within it; a stuck disk does not.
const PATIENCE: Duration = Duration::from_secs(5);

pub(crate) async fn alive() -> &'static str {
    "ok"
}

pub(crate) async fn ready(State(app): State<App>) -> (StatusCode, String) {
    match trouble(&app).await {
        Some(why) => (StatusCode::SERVICE_UNAVAILABLE, format!("not ready: {why}")),
        None if (app.handle.stamp)().wall.is_none() => (
            StatusCode::OK,
            "ok, but the clock is not set yet: what comes in is kept, and dated and judged once it is"
                .to_owned(),
        ),
        None => (StatusCode::OK, "ok".to_owned()),
    }
}

async fn trouble(app: &App) -> Option<String> {
    let writer = &app.handle.writer;
    if writer.has_stopped() {
        return Some("the part that writes has stopped; restart the daemon".to_owned());
    }
    if let Some(trouble) = writer.troubles().borrow().clone() {
        return Some(format!("nothing can be written: {}", trouble.why));
    }
    let read = app.read(|reader| reader.schema_version());
    match tokio::time::timeout(PATIENCE, read).await {
        Err(_) => Some(format!(
            "the database does not answer within {} s",
            PATIENCE.as_secs()
        )),
        Ok(Err(cause)) => {
            tracing::warn!(?cause, "not ready: the database cannot be read");
            Some("the database cannot be read".to_owned())
        }
        Ok(Ok(_)) => None,
    }
}
