//! The key of a request that may come again.

use axum::http::{HeaderMap, StatusCode};

use crate::fault::Fault;

const HEADER: &str = "idempotency-key";
const LONGEST: usize = 64;

/// What the sender calls this request, if it says.
///
/// # Errors
/// It is no name: empty, too long, or not visible ASCII.
pub(crate) fn key(headers: &HeaderMap) -> Result<Option<&str>, Fault> {
    let Some(value) = headers.get(HEADER) else {
        return Ok(None);
    };
    let is_fit = |key: &&str| {
        (1..=LONGEST).contains(&key.len()) && key.bytes().all(|b| b.is_ascii_graphic())
    };
    match value.to_str().ok().filter(is_fit) {
        Some(key) => Ok(Some(key)),
        None => Err(Fault::said(
            StatusCode::BAD_REQUEST,
            format!("Idempotency-Key has to be 1 to {LONGEST} visible ASCII characters."),
        )),
    }
}
