//! Ebbmark's memory: one SQLite file, one writer thread, readers beside it.
//!
//! [`read`] gives a reader alone, [`open`] the two faces: [`Writer`] (clone it freely; everything that changes goes
//! through its one thread, in one order, in grouped commits) and [`Reader`] (read-only).
//! A reply from the writer means *committed and synced*, never less: that is the point at
//! which a message may be acknowledged.
//!
//! Where things are:
//!
//! - `writer`: the queue, the thread, how commits are grouped and answered;
//! - `apply`: what each message and each command does inside a transaction;
//! - `table`: the writer's picture of all topics and feeds, so that a message needs no query;
//! - `hours`, `outbox`: rolled hours and notices, writing and reading side by side;
//! - `reader`, `pool`: queries and their connections;
//! - `rows`: how values lie in columns; `meads`: which mead was in a vessel when;
//!   `vessels`: which is in one now, with its verdict;
//! - `tasks`: what is to be done, from each mead's record; `record`: what reckonings are filled
//!   from; `card`: what a mead's card is made from; `prices`: what things cost;
//! - `archive`: summaries of meads, found by words; `words`: what a mead is found by;
//! - `backup`: a whole copy of the database beside the running writer, and whether one is good;
//! - `condition`: whether a database is sound, before it is opened;
//! - `rescue`: what can still be read of a damaged one;
//! - `swap`: another database in the place of this one, over power cuts;
//! - `migrate`: the schema. To change it, add the next numbered file under `migrations` to its
//!   list; a file that was released is never edited.
//!
//! What is never lost: every payload of a claimed topic is kept as it came, so that a feed can be
//! read again by another map; the log is only added to; retiring hides and destroys nothing.

mod apply;
pub mod archive;
pub mod backup;
mod card;
pub mod condition;
pub mod error;
mod family;
pub mod hours;
mod meads;
mod migrate;
pub mod model;
mod outbox;
mod pool;
pub mod prices;
pub mod reader;
mod record;
pub mod rescue;
mod rows;
pub mod swap;
mod table;
pub mod tasks;
mod vessels;
mod words;
pub mod writer;

pub use error::StoreError;
pub use migrate::KNOWN as SCHEMA;
pub use reader::Reader;
pub use writer::Writer;

use std::path::Path;

use tokio::sync::watch;

/// Opens (and if needed creates or upgrades) the database, and starts the writer.
///
/// # Errors
/// The file cannot be opened, is from a newer program, or an upgrade failed.
pub fn open(path: &Path, options: Options) -> Result<(Writer, Reader), StoreError> {
    swap::settle(path)?;
    migrate::undo_what_was_begun(path);
    migrate::check(path)?;
    let opened = |cause| StoreError::Open {
        path: path.to_owned(),
        cause,
    };
    let mut conn = pool::open_writer(path).map_err(opened)?;
    migrate::upgrade(&mut conn).map_err(opened)?;
    let trouble = watch::Sender::new(None);
    let reader = Reader::open(path, trouble.clone()).map_err(opened)?;
    let writer = writer::start(conn, path, options, trouble)?;
    Ok((writer, reader))
}

/// Opens the database for reading only: nothing is written, made or upgraded.
///
/// # Errors
/// There is no such file, or it is of another program, or of a newer or older one of ours.
pub fn read(path: &Path) -> Result<Reader, StoreError> {
    let found = migrate::check(path)?;
    let reader =
        Reader::open(path, watch::Sender::new(None)).map_err(|cause| StoreError::Open {
            path: path.to_owned(),
            cause,
        })?;
    if found < migrate::KNOWN {
        return Err(StoreError::TooOld {
            path: path.to_owned(),
            found,
            known: migrate::KNOWN,
        });
    }
    Ok(reader)
}

/// How commits are grouped.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// Most jobs in one commit.
    pub commit_count: usize,
    /// Longest time the first job of a commit waits for company.
    pub commit_window: std::time::Duration,
    /// A commit is made sooner when nothing more has come for this long: a peer that waits for
    /// its acknowledgements (a broker lets about 20 be in flight) must not wait out the window.
    pub quiet_gap: std::time::Duration,
    /// Jobs waiting for the writer before new messages are refused.
    pub queue: usize,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            commit_count: 512,
            commit_window: std::time::Duration::from_millis(50),
            quiet_gap: std::time::Duration::from_millis(2),
            queue: 4096,
        }
    }
}
