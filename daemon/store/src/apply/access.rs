//! Settings, and who is signed in.

use ebbmark_core::time::Moment;
use rusqlite::params;

use super::Tx;
use crate::error::StoreError;
use crate::model::Done;

pub fn set_setting(tx: &Tx<'_>, key: &str, value: Option<&str>) -> Result<Done, StoreError> {
    match value {
        Some(value) => tx
            .conn
            .prepare_cached(
                "INSERT INTO setting (key, value) VALUES (?1, ?2) \
                 ON CONFLICT DO UPDATE SET value = excluded.value",
            )?
            .execute([key, value])?,
        None => tx
            .conn
            .prepare_cached("DELETE FROM setting WHERE key = ?1")?
            .execute([key])?,
    };
    Ok(Done::Nothing)
}

pub fn open_session(
    tx: &Tx<'_>,
    token_hash: &[u8],
    made_at: Moment,
    expires: Moment,
    label: &str,
) -> Result<Done, StoreError> {
    // Signing in is rare enough to sweep then.
    tx.conn
        .prepare_cached("DELETE FROM session WHERE expires <= ?1")?
        .execute([made_at.0])?;
    tx.conn
        .prepare_cached(
            "INSERT INTO session (token_hash, made_at, expires, label) VALUES (?1, ?2, ?3, ?4) \
             ON CONFLICT DO UPDATE SET expires = excluded.expires",
        )?
        .execute(params![token_hash, made_at.0, expires.0, label])?;
    Ok(Done::Nothing)
}

pub fn close_session(tx: &Tx<'_>, token_hash: &[u8]) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached("DELETE FROM session WHERE token_hash = ?1")?
        .execute([token_hash])?;
    Ok(Done::Nothing)
}
