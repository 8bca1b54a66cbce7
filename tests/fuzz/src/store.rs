//! A store in memory's own folder, so that its commits do not wait for a disk.

use std::path::Path;
use std::time::Duration;

use ebbmark_store::{Options, Reader, Writer};
use tempfile::TempDir;

const IN_MEMORY: &str = "/dev/shm";

pub fn open() -> (Writer, Reader, TempDir) {
    let folder = if Path::new(IN_MEMORY).is_dir() {
        tempfile::tempdir_in(IN_MEMORY)
    } else {
        tempfile::tempdir()
    };
    let folder = folder.expect("a folder for what passes");
    // Nothing is worth waiting for: there is one client.
    let options = Options {
        commit_window: Duration::ZERO,
        quiet_gap: Duration::ZERO,
        ..Options::default()
    };
    let (writer, reader) =
        ebbmark_store::open(&folder.path().join("fuzz.sqlite3"), options).expect("a new database");
    (writer, reader, folder)
}
