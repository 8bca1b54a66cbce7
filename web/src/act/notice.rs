//! Sending a test notice.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use ebbmark_core::notice::NoticeKind;
use ebbmark_store::model::{Command, NewNotice};

use super::run;
use crate::app::App;
use crate::auth::token;
use crate::fault::Fault;
use crate::visitor::Posted;

pub(crate) async fn test(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let channel = posted.fields.get("channel");
    if !app.handle.ways_out.iter().any(|way| way.name == channel) {
        return Err(Fault::said(
            StatusCode::UNPROCESSABLE_ENTITY,
            "There is no such way out now. Go back and reload the page.",
        ));
    }
    let notice = NewNotice {
        kind: NoticeKind::Test,
        // Each test stands for itself: an open one must not keep the next from going out.
        key: format!("test:{channel}:{}", token::short()),
        vessel: None,
        at: posted.visitor.now,
        title: "A test from the cellar".to_owned(),
        body: format!("You asked for this on the notices page. It left by way of {channel}."),
        channels: vec![channel.to_owned()],
    };
    let command = Command::Notify(vec![notice]);
    run(
        &app,
        &posted.once(),
        command,
        "/notices?done=test".to_owned(),
    )
    .await
}
