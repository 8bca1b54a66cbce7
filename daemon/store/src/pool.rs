//! Connections: how each is set up, and the few kept for reading.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};
use tokio::sync::watch;

use crate::at_hand::{AtHand, Snapshot};
use crate::condition::is_damage;
use crate::error::StoreError;
use crate::writer::Trouble;

/// Only another program (a copy being taken) ever holds a lock against us.
const BUSY: Duration = Duration::from_secs(5);

/// Every statement of this crate fits.
const STATEMENTS: usize = 160;

/// Bytes of a page in a new database.
const PAGE: i64 = 1024;

/// Bytes of the log of changes after which it is merged into the database.
const LOG: i64 = 16 << 20;

/// Idle connections kept. More are opened when more threads read at once.
const IDLE: usize = 4;

/// The connection of the writer, which makes the file if there is none.
pub fn open_writer(path: &Path) -> rusqlite::Result<Connection> {
    let conn = Connection::open(path)?;
    conn.busy_timeout(BUSY)?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS);
    // Of a database that is there already it stays as it is. A commit writes whole pages, and what it
    // brings is a few hundred bytes.
    conn.pragma_update(None, "page_size", PAGE)?;
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    // What comes lies at the end of a table, is packed hours later, and its pages are used again. As long
    // as it is only in the log by then, it is written once and not twice.
    let page: i64 = conn.pragma_query_value(None, "page_size", |r| r.get(0))?;
    conn.pragma_update(None, "wal_autocheckpoint", LOG / page)?;
    // Every commit reaches the disk before anyone is told of it.
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update(None, "foreign_keys", true)?;
    conn.pragma_update(None, "temp_store", "MEMORY")?;
    // KiB, hence negative. The pages the next message touches stay in memory.
    conn.pragma_update(None, "cache_size", -16_384)?;
    // A re-reading of a year of payloads must not leave its log behind for good.
    conn.pragma_update_and_check(None, "journal_size_limit", 64 << 20, |_| Ok(()))?;
    Ok(conn)
}

fn open_reader(path: &Path) -> rusqlite::Result<Connection> {
    let conn = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    conn.busy_timeout(BUSY)?;
    conn.set_prepared_statement_cache_capacity(STATEMENTS);
    conn.pragma_update(None, "query_only", true)?;
    Ok(conn)
}

pub struct Pool {
    path: PathBuf,
    idle: Mutex<Vec<Connection>>,
    at_hand: AtHand,
    /// Told of damage that is met.
    trouble: watch::Sender<Option<Trouble>>,
}

impl Pool {
    /// Opens the first connection, so that a file that cannot be read is found out at once.
    pub fn open(path: &Path, trouble: watch::Sender<Option<Trouble>>) -> rusqlite::Result<Pool> {
        Ok(Pool {
            path: path.to_owned(),
            idle: Mutex::new(vec![open_reader(path)?]),
            at_hand: AtHand::default(),
            trouble,
        })
    }

    /// Runs `read` on one snapshot of the database.
    pub fn with<T>(
        &self,
        read: impl FnOnce(&Snapshot<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        let idle = self.lock().pop();
        let conn = match idle {
            Some(conn) => conn,
            None => open_reader(&self.path)?,
        };
        let result = conn
            .unchecked_transaction()
            .and_then(|tx| read(&Snapshot::new(&tx, &self.at_hand)));
        let mut idle = self.lock();
        if idle.len() < IDLE {
            idle.push(conn);
        }
        Ok(result.inspect_err(|cause| self.tell(cause))?)
    }

    fn tell(&self, cause: &rusqlite::Error) {
        if is_damage(cause) {
            self.trouble.send_replace(Some(Trouble {
                why: cause.to_string(),
                damaged: true,
            }));
        }
    }

    // A panic while a list of connections was held leaves a list of connections.
    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Connection>> {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
