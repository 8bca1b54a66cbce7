//! Settings, who is signed in, and the tokens of programs.

use ebbmark_core::ids::TokenId;
use ebbmark_core::time::Moment;
use rusqlite::{Connection, OptionalExtension, Row, params};

use super::Tx;
use crate::error::StoreError;
use crate::model::{Done, Scopes, Session, Token};

/// More than this many programs are no household.
const MOST_TOKENS: i64 = 50;

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
            "INSERT INTO session (token_hash, made_at, seen_at, expires, label) \
             VALUES (?1, ?2, ?2, ?3, ?4) ON CONFLICT DO UPDATE SET expires = excluded.expires",
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

pub fn close_other_sessions(tx: &Tx<'_>, keep: &[u8]) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached("DELETE FROM session WHERE token_hash <> ?1")?
        .execute([keep])?;
    Ok(Done::Nothing)
}

pub fn session_seen(
    tx: &Tx<'_>,
    token_hash: &[u8],
    at: Moment,
    expires: Moment,
) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached("UPDATE session SET seen_at = ?2, expires = ?3 WHERE token_hash = ?1")?
        .execute(params![token_hash, at.0, expires.0])?;
    Ok(Done::Nothing)
}

pub fn make_token(
    tx: &Tx<'_>,
    name: &str,
    hash: &str,
    scopes: Scopes,
    at: Moment,
) -> Result<Done, StoreError> {
    let there: i64 = tx
        .conn
        .prepare_cached("SELECT count(*) FROM token")?
        .query_row([], |r| r.get(0))?;
    if there >= MOST_TOKENS {
        return Err(StoreError::Refused(format!(
            "there are {MOST_TOKENS} tokens already: revoke what is not used any more"
        )));
    }
    tx.conn
        .prepare_cached(
            "INSERT INTO token (name, hash, may_look, may_write, may_send, made_at) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![
            name,
            hash,
            scopes.look,
            scopes.write,
            scopes.send,
            at.0
        ])?;
    Ok(Done::Nothing)
}

pub fn token_used(tx: &Tx<'_>, token: TokenId, at: Moment) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached("UPDATE token SET used_at = ?2 WHERE id = ?1")?
        .execute([token.0, at.0])?;
    Ok(Done::Nothing)
}

pub fn revoke_token(tx: &Tx<'_>, token: TokenId) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached("DELETE FROM token WHERE id = ?1")?
        .execute([token.0])?;
    Ok(Done::Nothing)
}

// ---- reading ----

const SESSION: &str = "token_hash, made_at, seen_at, expires, label";

fn session_of(r: &Row<'_>) -> rusqlite::Result<Session> {
    let made_at = Moment(r.get(1)?);
    Ok(Session {
        token_hash: r.get(0)?,
        made_at,
        seen_at: r.get::<_, Option<i64>>(2)?.map_or(made_at, Moment),
        expires: Moment(r.get(3)?),
        label: r.get(4)?,
    })
}

pub fn session(conn: &Connection, token_hash: &[u8]) -> rusqlite::Result<Option<Session>> {
    conn.prepare_cached(&format!(
        "SELECT {SESSION} FROM session WHERE token_hash = ?1"
    ))?
    .query_row([token_hash], session_of)
    .optional()
}

pub fn sessions(conn: &Connection, now: Moment) -> rusqlite::Result<Vec<Session>> {
    conn.prepare_cached(&format!(
        "SELECT {SESSION} FROM session WHERE expires > ?1 ORDER BY seen_at DESC, made_at DESC"
    ))?
    .query_map([now.0], session_of)?
    .collect()
}

const TOKEN: &str = "id, name, may_look, may_write, may_send, made_at, used_at";

fn token_of(r: &Row<'_>) -> rusqlite::Result<Token> {
    Ok(Token {
        id: TokenId(r.get(0)?),
        name: r.get(1)?,
        scopes: Scopes {
            look: r.get(2)?,
            write: r.get(3)?,
            send: r.get(4)?,
        },
        made_at: r.get::<_, Option<i64>>(5)?.map(Moment),
        used_at: r.get::<_, Option<i64>>(6)?.map(Moment),
    })
}

/// The one kept under one of these hashes.
pub fn token(conn: &Connection, hashes: &[String; 3]) -> rusqlite::Result<Option<Token>> {
    conn.prepare_cached(&format!(
        "SELECT {TOKEN} FROM token WHERE hash IN (?1, ?2, ?3)"
    ))?
    .query_row(params![hashes[0], hashes[1], hashes[2]], token_of)
    .optional()
}

pub fn tokens(conn: &Connection) -> rusqlite::Result<Vec<Token>> {
    conn.prepare_cached(&format!("SELECT {TOKEN} FROM token ORDER BY id"))?
        .query_map([], token_of)?
        .collect()
}
