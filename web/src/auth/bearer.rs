//! The tokens of programs and senders: who shows one, and what it lets them do.

use axum::http::{HeaderMap, header};
use ebbmark_core::time::Span;
use ebbmark_store::model::{Command, Scopes};

use super::token;
use crate::app::App;
use crate::fault::Fault;

/// That a token is used is noted this often: a card that wears out does not bear more.
const NOTED_EVERY: Span = Span::days(1);

/// What a request shows.
pub(crate) enum Bearer {
    Nothing,
    /// A token nobody made, or one that was revoked.
    Unknown,
    Known(Scopes),
}

/// The token a program shows.
pub(crate) fn shown(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// Looks the token of a request up.
pub(crate) async fn bearer(app: &App, headers: &HeaderMap) -> Result<Bearer, Fault> {
    let Some(shown) = shown(headers) else {
        return Ok(Bearer::Nothing);
    };
    let hashes = token::program_hashes(shown);
    let Some(found) = app.read(move |reader| reader.token(&hashes)).await? else {
        return Ok(Bearer::Unknown);
    };
    let now = (app.handle.now)();
    if found.used_at.is_none_or(|at| now.since(at) >= NOTED_EVERY) {
        let used = Command::TokenUsed {
            token: found.id,
            at: now,
        };
        // What is asked for does not depend on it.
        if let Err(cause) = app.command(used).await {
            tracing::warn!(?cause, "the use of a token could not be noted");
        }
    }
    Ok(Bearer::Known(found.scopes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bearer_tokens() {
        let with = |v: &str| {
            let mut h = HeaderMap::new();
            h.insert(header::AUTHORIZATION, v.parse().unwrap());
            shown(&h).map(str::to_owned)
        };
        assert_eq!(with("Bearer abc").as_deref(), Some("abc"));
        assert_eq!(with("bearer  abc ").as_deref(), Some("abc"));
        assert_eq!(with("Basic abc"), None);
        assert_eq!(with("Bearer"), None);
    }
}
