//! A whole copy of the database, made while others write to it; and whether a copy is good.
//!
//! The copy is made page by page (SQLite's backup interface) from a snapshot that is held for all of
//! it. Without the snapshot a copy begins anew whenever somebody else writes, and under constant
//! writes never ends; with it commits go on beside it, and all that grows meanwhile is the log of
//! changes. `VACUUM INTO` would do as well, but makes every index anew, which a small board feels.
//!
//! It is written under another name, synced, read back from the disk and looked through, and only
//! then given its name. So whatever has the name of a copy was good when it was made.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};
use rustix::fs::{Advice, fadvise};

use crate::error::StoreError;
use crate::migrate;

/// Between these the disk is left to whoever commits: half a megabyte, then a rest.
const PAGES: i32 = 128;
const REST: Duration = Duration::from_millis(5);

/// A name that ends so is a copy that was not finished.
const UNFINISHED: &str = ".part";

/// Asked now and then by what takes long: whether it is still wanted.
pub type GoOn<'a> = &'a (dyn Fn() -> bool + Sync);

/// How often it is asked while SQLite looks through a whole file.
const ASK: Duration = Duration::from_millis(100);

/// A copy that was looked through and found good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Good {
    pub schema: i64,
    pub bytes: u64,
}

/// Copies the database `from` to a new file `to`. `go_on` is asked now and then.
///
/// # Errors
/// There is a file `to` already; one of the two cannot be read or written; what was copied is not
/// sound; `go_on` said no. Nothing is left of the copy then.
pub fn make(from: &Path, to: &Path, go_on: GoOn<'_>) -> Result<Good, StoreError> {
    if to.exists() {
        return Err(file(to, "written")(io::ErrorKind::AlreadyExists.into()));
    }
    let part = part_of(to);
    let held = hold(&part)?;
    let made = write(from, &part, &held, go_on).and_then(|good| {
        fs::rename(&part, to).map_err(file(to, "written"))?;
        sync_folder(to)?;
        Ok(good)
    });
    if made.is_err() {
        // What it is called says already that it is no copy.
        let _ = fs::remove_file(&part);
    }
    made
}

/// Locked while it is being written, so that nobody takes it for a left-over.
fn hold(part: &Path) -> Result<File, StoreError> {
    let written = || file(part, "written");
    let held = OpenOptions::new()
        .create(true)
        .append(true)
        .open(part)
        .map_err(written())?;
    match held.try_lock() {
        Err(TryLockError::WouldBlock) => {
            return Err(written()(io::ErrorKind::ResourceBusy.into()));
        }
        // Some network file systems know no locks.
        Ok(()) | Err(TryLockError::Error(_)) => {}
    }
    held.set_len(0).map_err(written())?;
    Ok(held)
}

fn write(from: &Path, part: &Path, held: &File, go_on: GoOn<'_>) -> Result<Good, StoreError> {
    pages(from, part, go_on)?;
    // One file, whole by itself: no log of changes belongs to it.
    let conn = Connection::open(part)?;
    conn.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))?;
    conn.close().map_err(|(_, cause)| cause)?;
    held.sync_all().map_err(file(part, "synced"))?;
    // What is looked at next comes from the disk, not from memory. Where that cannot be asked for it
    // is looked at all the same.
    let _ = fadvise(held, 0, None, Advice::DontNeed);
    look_through(part, go_on)
}

fn pages(from: &Path, part: &Path, go_on: GoOn<'_>) -> Result<(), StoreError> {
    migrate::check(from)?;
    let opened = |cause| StoreError::Open {
        path: from.to_owned(),
        cause,
    };
    let source =
        Connection::open_with_flags(from, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(opened)?;
    let snapshot = source.unchecked_transaction().map_err(opened)?;
    snapshot
        .query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))
        .map_err(opened)?;
    let mut copy = Connection::open(part)?;
    // It is thrown away unless it is finished, and synced at the end.
    copy.pragma_update_and_check(None, "journal_mode", "OFF", |_| Ok(()))?;
    copy.pragma_update(None, "synchronous", "OFF")?;
    let backup = Backup::new(&snapshot, &mut copy)?;
    loop {
        if !go_on() {
            return Err(StoreError::BrokenOff);
        }
        match backup.step(PAGES)? {
            StepResult::Done => return Ok(()),
            _ => std::thread::sleep(REST),
        }
    }
}

/// Looks through a whole copy: that it is ours, that this program knows its schema, and that it is
/// sound.
///
/// # Errors
/// It is not, or it cannot be read; `go_on` said no.
pub fn look_through(path: &Path, go_on: GoOn<'_>) -> Result<Good, StoreError> {
    let bytes = fs::metadata(path).map_err(file(path, "read"))?.len();
    let bad = |why: String| StoreError::NoGoodCopy {
        path: path.to_owned(),
        why,
    };
    let schema = migrate::check(path)?;
    if schema == 0 {
        return Err(bad("there is nothing in it".into()));
    }
    let broken = |cause: rusqlite::Error| bad(cause.to_string());
    let conn =
        Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(broken)?;
    // The quick look finds most of what can be wrong, sooner.
    for check in ["quick_check", "integrity_check"] {
        let said = ask_for_long(&conn, &format!("PRAGMA {check}(1)"), go_on);
        match said {
            Ok(said) if said == "ok" => {}
            Ok(said) => return Err(bad(said)),
            Err(_) if !go_on() => return Err(StoreError::BrokenOff),
            Err(cause) => return Err(broken(cause)),
        }
    }
    Ok(Good { schema, bytes })
}

/// Asks for a text that may take minutes, unless `go_on` says no meanwhile.
fn ask_for_long(conn: &Connection, sql: &str, go_on: GoOn<'_>) -> rusqlite::Result<String> {
    let stop = conn.get_interrupt_handle();
    let (done, waits) = mpsc::channel::<()>();
    std::thread::scope(|scope| {
        scope.spawn(move || {
            while waits.recv_timeout(ASK) == Err(mpsc::RecvTimeoutError::Timeout) {
                if !go_on() {
                    stop.interrupt();
                }
            }
        });
        let said = conn.query_row(sql, [], |row| row.get(0));
        drop(done);
        said
    })
}

/// Takes away what unfinished copies left in a folder, unless somebody still writes them. Gives how
/// many.
///
/// # Errors
/// The folder cannot be read.
pub fn clear_unfinished(folder: &Path, ours: &dyn Fn(&str) -> bool) -> io::Result<usize> {
    let mut cleared = 0;
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().and_then(|n| n.to_str());
        // SQLite's own by-files have a name after it.
        let Some((whole, _)) = name.and_then(|n| n.split_once(UNFINISHED)) else {
            continue;
        };
        let is_held = File::open(part_of(&folder.join(whole)))
            .is_ok_and(|f| matches!(f.try_lock(), Err(TryLockError::WouldBlock)));
        if ours(whole) && !is_held && fs::remove_file(&path).is_ok() {
            cleared += 1;
        }
    }
    Ok(cleared)
}

/// What a copy is called until it is finished.
#[must_use]
pub fn part_of(to: &Path) -> PathBuf {
    let mut name = OsString::from(to);
    name.push(UNFINISHED);
    name.into()
}

/// A name that was given or taken away in the folder of `path` stays so over a power cut.
pub(crate) fn sync_folder(path: &Path) -> Result<(), StoreError> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    File::open(folder)
        .and_then(|f| f.sync_all())
        .map_err(file(folder, "synced"))
}

pub(crate) fn file(path: &Path, what: &'static str) -> impl Fn(io::Error) -> StoreError {
    let path = path.to_owned();
    move |cause| StoreError::File {
        path: path.clone(),
        what,
        cause,
    }
}
