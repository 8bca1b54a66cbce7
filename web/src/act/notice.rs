//! Sending a test notice, and answering one.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use ebbmark_core::ids::NoticeId;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::again::Reply;
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
        pressing: false,
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

pub(crate) async fn answer(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let Some(reply) = Reply::from_key(posted.fields.get("reply")) else {
        return Err(Fault::said(
            StatusCode::UNPROCESSABLE_ENTITY,
            "There is no such answer. Go back and reload the page.",
        ));
    };
    let now = posted.visitor.now;
    let command = Command::AnswerNotice {
        notice: NoticeId(id),
        again: reply.again(now, &posted.visitor.zone),
        at: now,
    };
    let then = "/notices?done=answered".to_owned();
    run(&app, &posted.once(), command, then).await
}
