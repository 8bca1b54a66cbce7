//! Readings over HTTP, for what cannot speak MQTT. The same payloads; the answer comes after
//! they are on the disk, so a sender may forget what was answered with 202.

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{FromRequestParts, Path, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::topic;
use ebbmark_store::StoreError;
use ebbmark_store::model::{Arrival, Command, Delivery};
use serde_json::json;

use crate::again;
use crate::app::App;
use crate::auth::bearer::{Bearer, bearer};
use crate::fault::Fault;

pub(crate) const LIMIT: usize = 64 * 1024;
/// Name of this way in.
pub(crate) const SOURCE: &str = "http";

/// The sender showed a token that may send readings.
pub(crate) struct MaySend;

impl FromRequestParts<App> for MaySend {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<MaySend, Fault> {
        let (status, say) = match bearer(app, &parts.headers).await? {
            Bearer::Known(scopes) if scopes.send => return Ok(MaySend),
            Bearer::Known(_) => (
                StatusCode::FORBIDDEN,
                "This token may not send readings; the page \"Who gets in\" makes one that may.",
            ),
            Bearer::Unknown => (
                StatusCode::UNAUTHORIZED,
                "This is no token of this cellar, or it was revoked; the page \"Who gets in\" makes one.",
            ),
            Bearer::Nothing => (
                StatusCode::UNAUTHORIZED,
                "Send a token that may send readings as \"Authorization: Bearer …\"; the page \
                 \"Who gets in\" makes one.",
            ),
        };
        Err(Fault::said(status, say))
    }
}

pub(crate) async fn take(
    _: MaySend,
    State(app): State<App>,
    Path(topic): Path<String>,
    headers: HeaderMap,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Fault> {
    check_topic(&topic)?;
    let delivery = delivery(&headers)?;
    let payload = match body {
        // Over MQTT that takes a kept message back; here it can only be a mistake.
        Ok(payload) if payload.is_empty() => {
            let say = "Not taken: there is nothing in the body.";
            return Err(Fault::said(StatusCode::BAD_REQUEST, say));
        }
        Ok(payload) => payload,
        Err(rejection) => return Err(refused(&app, topic, rejection.status()).await),
    };
    let arrival = Arrival {
        source: SOURCE.to_owned(),
        topic,
        payload: payload.to_vec(),
        stamp: (app.handle.stamp)(),
        delivery,
        retained: false,
    };
    let receipt = match app.handle.writer.try_arrive(arrival) {
        Ok(waiter) => waiter.await.map_err(|_| StoreError::WriterGone),
        Err(e) => Err(e),
    };
    let receipt = receipt.and_then(|r| r).map_err(not_stored)?;
    let answer = json!({ "readings": receipt.readings, "problems": receipt.problems });
    Ok((StatusCode::ACCEPTED, Json(answer)).into_response())
}

/// A sender that got no answer cannot know whether its message was taken. With a key of its own
/// on the message it may send it again: the store looks whether it has it, as it does for a
/// packet that comes again over MQTT. There is no packet id; the key stands for the peer.
fn delivery(headers: &HeaderMap) -> Result<Option<Delivery>, Fault> {
    let key = again::key(headers)?;
    Ok(key.map(|key| Delivery {
        peer: format!("{SOURCE}:{key}"),
        packet_id: 0,
        repeat: true,
    }))
}

/// Whatever kept the store from taking it, the sender should try again.
fn not_stored(e: StoreError) -> Fault {
    match e {
        StoreError::Refused(_) => Fault::from(e),
        other => Fault::Busy {
            cause: other.to_string(),
        },
    }
}

/// The same rules as for a topic that comes over MQTT.
fn check_topic(topic: &str) -> Result<(), Fault> {
    topic::check(topic, topic::LONGEST, topic::DEEPEST).map_err(|fault| {
        let say = format!("Readings cannot be sent there: {fault}.");
        Fault::said(StatusCode::BAD_REQUEST, say)
    })
}

/// Counts it, so that the maker sees on the feeds page that something is being turned away.
async fn refused(app: &App, topic: String, status: StatusCode) -> Fault {
    let too_large = status == StatusCode::PAYLOAD_TOO_LARGE;
    let detail = if too_large {
        format!("larger than {LIMIT} bytes")
    } else {
        "the body broke off".to_owned()
    };
    let counted = app
        .command(Command::Refused {
            source: SOURCE.to_owned(),
            topic,
            kind: ProblemKind::Unreadable,
            detail: detail.clone(),
            at: (app.handle.now)(),
        })
        .await;
    if let Err(cause) = counted {
        tracing::warn!(?cause, "a refused message could not be counted");
    }
    Fault::said(status, format!("Not taken: {detail}."))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics() {
        assert!(check_topic("cellar/float-1").is_ok());
        assert!(check_topic("cellar/+/x").is_err());
        assert!(check_topic("a\u{0}b").is_err());
        assert!(check_topic(&"x".repeat(300)).is_err());
    }
}
