//! The schema and its upgrades: numbered SQL files, applied in order, never edited afterwards.

use std::path::Path;

use rusqlite::{Connection, OpenFlags, TransactionBehavior};

use crate::carry;
use crate::error::StoreError;

/// Each file takes the schema from its index to the next number.
const MIGRATIONS: &[&str] = &[
    include_str!("migrations/0001.sql"),
    include_str!("migrations/0002.sql"),
    include_str!("migrations/0003.sql"),
    include_str!("migrations/0004.sql"),
    include_str!("migrations/0005.sql"),
    include_str!("migrations/0006.sql"),
    include_str!("migrations/0007.sql"),
    include_str!("migrations/0008.sql"),
    include_str!("migrations/0009.sql"),
    include_str!("migrations/0010.sql"),
];

/// The schema this program writes.
pub const KNOWN: i64 = MIGRATIONS.len() as i64;

/// Stands in the file's header, so that another program's database is not taken for ours ("Ebmk").
const APPLICATION_ID: i32 = 0x4562_6d6b;

/// Looks before anything can be written: a file from a newer program, or of another program, is
/// refused without being touched (a read-only connection neither upgrades nor checkpoints). Gives
/// the schema it has.
pub fn check(path: &Path) -> Result<i64, StoreError> {
    // A file that is missing or empty is about to become ours.
    if !std::fs::metadata(path).is_ok_and(|m| m.len() > 0) {
        return Ok(0);
    }
    let opened = |cause| StoreError::Open {
        path: path.to_owned(),
        cause,
    };
    let conn =
        Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(opened)?;
    let found = version(&conn).map_err(opened)?;
    let id: i32 = conn
        .pragma_query_value(None, "application_id", |r| r.get(0))
        .map_err(opened)?;
    let tables: i64 = conn
        .query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))
        .map_err(opened)?;
    if tables > 0 && id != APPLICATION_ID {
        return Err(StoreError::NotOurs {
            path: path.to_owned(),
        });
    }
    if found > KNOWN {
        return Err(StoreError::TooNew {
            path: path.to_owned(),
            found,
            known: KNOWN,
        });
    }
    if found == KNOWN && carry::is_unfinished(&conn).map_err(opened)? {
        // Not yet what this program reads.
        return Ok(found - 1);
    }
    Ok(found)
}

/// A power cut in the first moments of a database, before it keeps a log of changes, leaves a journal
/// that undoes what was begun. Until somebody who may write has looked, nobody can read.
pub fn undo_what_was_begun(path: &Path) {
    let mut journal = path.as_os_str().to_owned();
    journal.push("-journal");
    let there = |path: &Path| std::fs::metadata(path).is_ok_and(|m| m.len() > 0);
    if !there(path) || !there(Path::new(&journal)) {
        return;
    }
    let undone = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
        .and_then(|conn| version(&conn));
    if let Err(cause) = undone {
        tracing::warn!(%cause, "what was begun when the power went cannot be undone");
    }
}

/// Brings the schema up to [`KNOWN`], one step per transaction: a power cut between two steps
/// leaves a whole earlier schema, and the next start goes on from there.
pub fn upgrade(conn: &mut Connection) -> rusqlite::Result<()> {
    let from = usize::try_from(version(conn)?).unwrap_or(0);
    for (n, sql) in MIGRATIONS.iter().enumerate().skip(from) {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute_batch(sql)?;
        tx.pragma_update(None, "user_version", n as i64 + 1)?;
        tx.pragma_update(None, "application_id", APPLICATION_ID)?;
        tx.commit()?;
        tracing::info!(schema = n + 1, "database schema upgraded");
    }
    carry::over(conn)
}

pub fn version(conn: &Connection) -> rusqlite::Result<i64> {
    conn.pragma_query_value(None, "user_version", |r| r.get(0))
}
