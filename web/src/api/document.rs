//! What describes the rest of it to programs. Says nothing of the cellar, so anybody may read it.

use axum::http::header::{CONTENT_TYPE, HeaderName};
use ebbmark_core::card::SCHEMA;

type Document = ([(HeaderName, &'static str); 1], &'static str);

/// Written by hand; `web/tests/pages/openapi.rs` holds it against the routes and their answers.
const OPENAPI: &str = include_str!("openapi.json");

pub(crate) async fn openapi() -> Document {
    // The media type OpenAPI registers for itself is not yet known to browsers.
    ([(CONTENT_TYPE, "application/json")], OPENAPI)
}

pub(crate) async fn card() -> Document {
    ([(CONTENT_TYPE, "application/schema+json")], SCHEMA)
}
