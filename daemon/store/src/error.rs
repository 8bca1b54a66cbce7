//! What can go wrong in the store, each with what the maker can do about it.

use std::path::PathBuf;

use crate::condition::is_damage;

#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error(
        "cannot open the database {path}: {cause}; check that the folder exists and can be written"
    )]
    Open {
        path: PathBuf,
        cause: rusqlite::Error,
    },
    #[error(
        "the database {path} has schema {found}, this program knows up to {known}; run the newer program, or go back to a copy from before it"
    )]
    TooNew {
        path: PathBuf,
        found: i64,
        known: i64,
    },
    #[error(
        "the database {path} has schema {found}, this program reads {known}; start `ebbmark run` once, which brings it up to date"
    )]
    TooOld {
        path: PathBuf,
        found: i64,
        known: i64,
    },
    #[error("{path} is a database of another program; name another file in the configuration")]
    NotOurs { path: PathBuf },
    /// It was looked through and is not what it should be.
    #[error("{path} is no good copy: {why}")]
    NoGoodCopy { path: PathBuf, why: String },
    /// Something about a file of the database, not about what is in it.
    #[error("{path} cannot be {what}: {cause}")]
    File {
        path: PathBuf,
        what: &'static str,
        cause: std::io::Error,
    },
    #[error("broken off")]
    BrokenOff,
    #[error("the database refused: {0}")]
    Sql(#[from] rusqlite::Error),
    #[error("the writer has stopped; restart the daemon")]
    WriterGone,
    #[error("too many messages are waiting to be written ({0}); it will be taken when sent again")]
    QueueFull(usize),
    /// Nothing of the whole group was kept; a sender that is not acknowledged sends again.
    #[error("could not be written: {0}; nothing of it was kept, send it again")]
    Commit(String),
    /// The request itself cannot be done: names what and why.
    #[error("{0}")]
    Refused(String),
}

impl StoreError {
    /// The file itself is no longer what it was; waiting does not help.
    pub fn is_damage(&self) -> bool {
        match self {
            StoreError::Open { cause, .. } | StoreError::Sql(cause) => is_damage(cause),
            _ => false,
        }
    }
}
