//! What goes wrong has two faces: the person sees what to do, the log sees the cause. A request
//! number joins them.

use axum::extract::Request;
use axum::http::{StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use ebbmark_store::StoreError;
use serde_json::json;

use crate::auth::token;
use crate::page;

#[derive(Debug)]
pub(crate) enum Fault {
    /// The person can do something about it.
    Said { status: StatusCode, say: String },
    /// The page is behind the password; where to go after signing in.
    SignIn { then: String },
    /// This form was sent before; where that led.
    Already { to: String },
    /// We or the board broke; only the log hears why.
    Broken { cause: String },
    /// The store cannot take it just now.
    Busy { cause: String },
}

impl Fault {
    pub fn said(status: StatusCode, say: impl Into<String>) -> Fault {
        let say = say.into();
        Fault::Said { status, say }
    }
    pub fn missing(what: &str) -> Fault {
        Fault::said(
            StatusCode::NOT_FOUND,
            format!(
                "There is no such {what}. It may have been there under another number; look in the cellar."
            ),
        )
    }
    pub fn broken(cause: impl Into<String>) -> Fault {
        let cause = cause.into();
        Fault::Broken { cause }
    }
}

impl From<StoreError> for Fault {
    fn from(e: StoreError) -> Fault {
        match e {
            StoreError::Refused(say) => Fault::said(StatusCode::UNPROCESSABLE_ENTITY, say),
            StoreError::QueueFull(_) | StoreError::WriterGone | StoreError::Commit(_) => {
                Fault::Busy {
                    cause: e.to_string(),
                }
            }
            other => Fault::broken(other.to_string()),
        }
    }
}

/// What [`tell`] makes a page or a JSON answer of.
#[derive(Clone)]
struct Report {
    say: String,
    cause: Option<String>,
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let (status, report) = match self {
            Fault::SignIn { then } => {
                let to = format!("/enter?then={}", page::encode(&then));
                return Redirect::to(&to).into_response();
            }
            Fault::Already { to } => return Redirect::to(&to).into_response(),
            Fault::Said { status, say } => (status, Report { say, cause: None }),
            Fault::Busy { cause } => (
                StatusCode::SERVICE_UNAVAILABLE,
                Report {
                    say: "The cellar book cannot be written just now. Try again in a moment."
                        .to_owned(),
                    cause: Some(cause),
                },
            ),
            Fault::Broken { cause } => (
                StatusCode::INTERNAL_SERVER_ERROR,
                Report {
                    say: "Something broke on our side and nothing was changed. Try again; if it \
                          stays, the daemon's log tells the cause under the number below."
                        .to_owned(),
                    cause: Some(cause),
                },
            ),
        };
        let mut response = status.into_response();
        response.extensions_mut().insert(report);
        response
    }
}

/// Numbers each request and turns a [`Fault`] into what the asker can read.
pub(crate) async fn tell(request: Request, next: Next) -> Response {
    let number = token::short();
    let method = request.method().clone();
    let path = request.uri().path().to_owned();
    let mut response = next.run(request).await;
    let status = response.status();
    let report = response.extensions_mut().remove::<Report>();
    let cause = report.as_ref().and_then(|r| r.cause.as_deref());
    if status.is_server_error() {
        let cause = cause.unwrap_or("no answer in time");
        tracing::error!(request = %number, %method, path, status = status.as_u16(), cause, "request failed");
    } else {
        tracing::debug!(request = %number, %method, path, status = status.as_u16(), "request");
    }
    // Faults, and the bare statuses axum and the layers give by themselves.
    let say = match report {
        Some(report) => report.say,
        None if is_bare_error(&response) => bare(status).to_owned(),
        None => return response,
    };
    let mut told = if speaks_json(&path) {
        (
            status,
            axum::Json(json!({ "error": say, "request": number })),
        )
            .into_response()
    } else {
        let markup = page::fault(status, &say, &number);
        (status, markup).into_response()
    };
    if status == StatusCode::SERVICE_UNAVAILABLE || status == StatusCode::TOO_MANY_REQUESTS {
        let after = response
            .headers_mut()
            .remove(header::RETRY_AFTER)
            .unwrap_or(header::HeaderValue::from_static("10"));
        told.headers_mut().insert(header::RETRY_AFTER, after);
    }
    if let Some(value) = response.headers_mut().remove(header::ALLOW) {
        told.headers_mut().insert(header::ALLOW, value);
    }
    if status == StatusCode::UNAUTHORIZED {
        let headers = told.headers_mut();
        let scheme = header::HeaderValue::from_static("Bearer");
        headers.entry(header::WWW_AUTHENTICATE).or_insert(scheme);
    }
    told
}

fn speaks_json(path: &str) -> bool {
    ["/api/", "/intake/"].iter().any(|p| path.starts_with(p))
}

fn is_bare_error(response: &Response) -> bool {
    let status = response.status();
    let html_or_json = response
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|t| t.to_str().ok())
        .is_some_and(|t| t.starts_with("text/html") || t.starts_with("application/json"));
    (status.is_client_error() || status.is_server_error()) && !html_or_json
}

fn bare(status: StatusCode) -> &'static str {
    match status {
        StatusCode::PAYLOAD_TOO_LARGE => "That is larger than is taken here (64 KiB).",
        StatusCode::METHOD_NOT_ALLOWED => "That cannot be done at this address.",
        StatusCode::NOT_FOUND => "There is nothing at this address.",
        StatusCode::SERVICE_UNAVAILABLE => "That took too long and was given up. Try again.",
        StatusCode::BAD_REQUEST => "The address is not one of ours.",
        _ => "That could not be understood.",
    }
}
