//! What state a database is in, before anything is done to it.

use std::ffi::OsString;
use std::fs::OpenOptions;
use std::io::ErrorKind;
use std::path::Path;
use std::time::Duration;

use rusqlite::ErrorCode;
use rusqlite::ffi;
use tokio::sync::watch;

use crate::error::StoreError;
use crate::{Reader, migrate};

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Condition {
    /// As far as could be seen in the time there was.
    Sound,
    /// There is no file.
    Missing,
    /// A file with nothing in it, as somebody may have made it, or a power cut left it.
    Empty,
    /// It is there, and cannot be read as it should be: how that showed.
    Damaged(String),
}

/// Looks at the database for `patience` at most. Nothing is written to it, but that what was begun when
/// the power went is undone.
///
/// # Errors
/// It is another program's or a newer one's, or may not be opened. No damage then, and no copy
/// would help.
pub fn condition(path: &Path, patience: Duration) -> Result<Condition, StoreError> {
    let length = |path: &Path| std::fs::metadata(path).map(|m| m.len());
    let mut log = OsString::from(path);
    log.push("-wal");
    let has_log = length(Path::new(&log)).is_ok_and(|n| n > 0);
    match length(path) {
        // SQLite would take the log for a left-over and throw it away.
        Ok(0) if has_log => {
            return Ok(Condition::Damaged(
                "the file is empty, but its log of changes is not".into(),
            ));
        }
        Err(e) if e.kind() == ErrorKind::NotFound && has_log => {
            return Ok(Condition::Damaged(
                "the file is gone, but its log of changes is there".into(),
            ));
        }
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Condition::Missing),
        Ok(0) => return Ok(Condition::Empty),
        _ => {}
    }
    migrate::undo_what_was_begun(path);
    let looked = migrate::check(path).and_then(|_| {
        let reader = Reader::open(path, watch::Sender::new(None))?;
        reader.damage(patience)
    });
    match looked {
        Ok(Some(Some(what))) => Ok(Condition::Damaged(what)),
        Ok(Some(None) | None) => Ok(Condition::Sound),
        Err(StoreError::Open { cause, .. } | StoreError::Sql(cause)) if is_damage(&cause) => {
            Ok(Condition::Damaged(cause.to_string()))
        }
        Err(other) => Err(other),
    }
}

/// Whether this means that the file itself, or the disk under it, is no longer what it was; not that
/// it is busy, full or closed to us.
pub fn is_damage(cause: &rusqlite::Error) -> bool {
    if matches!(
        cause.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
    ) {
        return true;
    }
    let extended = cause.sqlite_error().map(|e| e.extended_code);
    matches!(
        extended,
        Some(ffi::SQLITE_IOERR_READ | ffi::SQLITE_IOERR_SHORT_READ | ffi::SQLITE_IOERR_CORRUPTFS)
    )
}

/// Whether the system lets nothing be written where the database lies: of that SQLite says no more than
/// that a write failed. Nothing is changed by asking.
pub fn is_read_only(path: &Path) -> bool {
    let asked = OpenOptions::new().append(true).open(path).and_then(|file| {
        let as_it_is = file.metadata()?.modified()?;
        file.set_modified(as_it_is)
    });
    asked.is_err_and(|e| e.kind() == ErrorKind::ReadOnlyFilesystem)
}
