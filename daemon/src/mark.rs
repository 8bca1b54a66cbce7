//! The mark a running daemon keeps in its data folder: a file that is locked while it runs, whose
//! time of change is its last sign of life. The lock goes with the process, however that ends; the
//! time costs no write of the database.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;
use std::thread;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use anyhow::{Result, anyhow, bail};
use ebbmark_core::time::Moment;

const NAME: &str = "running";

/// Whoever only looks holds the lock for a moment; a second daemon holds it for good.
const TRIES: u32 = 20;
const BETWEEN: Duration = Duration::from_millis(100);

pub struct Mark {
    file: File,
    last: Option<Moment>,
}

impl Mark {
    /// Takes the mark for this process.
    ///
    /// # Errors
    /// Another daemon has it, or the file cannot be made.
    pub fn take(folder: &Path) -> Result<Mark> {
        let path = folder.join(NAME);
        let last = std::fs::metadata(&path)
            .and_then(|m| m.modified())
            .ok()
            .and_then(moment);
        let file = OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)
            .map_err(|e| {
                anyhow!(
                    "cannot make {}: {e}; see that the disk is neither full nor mounted read-only (as the \
                     system does when a card fails), and that the folder belongs to the user ebbmark runs as",
                    path.display()
                )
            })?;
        for _ in 0..TRIES {
            match file.try_lock() {
                Ok(()) => return Ok(Mark { file, last }),
                Err(TryLockError::WouldBlock) => thread::sleep(BETWEEN),
                Err(TryLockError::Error(e)) => {
                    // Some network file systems know no locks; that is no reason not to watch.
                    tracing::warn!("{} cannot be locked: {e}", path.display());
                    return Ok(Mark { file, last });
                }
            }
        }
        bail!(
            "another ebbmark runs on {}; stop that one, or name another data-folder",
            folder.display()
        )
    }

    /// The last sign of life of the run before.
    pub fn last(&self) -> Option<Moment> {
        self.last
    }

    /// A sign of life.
    pub fn touch(&self, now: Moment) {
        let at = UNIX_EPOCH + Duration::from_millis(now.0.max(0).cast_unsigned());
        if let Err(e) = self.file.set_modified(at) {
            tracing::warn!("no sign of life can be left in the data folder: {e}");
        }
    }
}

/// Whether a daemon runs on this folder.
pub fn is_kept(folder: &Path) -> bool {
    let file = File::open(folder.join(NAME));
    file.is_ok_and(|f| matches!(f.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

fn moment(time: SystemTime) -> Option<Moment> {
    let since = time.duration_since(UNIX_EPOCH).ok()?;
    Some(Moment(i64::try_from(since.as_millis()).ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_at_a_time_and_the_last_sign_stays() {
        let folder = tempfile::tempdir().unwrap();
        assert!(!is_kept(folder.path()));
        let mark = Mark::take(folder.path()).unwrap();
        assert_eq!(mark.last(), None);
        assert!(is_kept(folder.path()));
        let second = Mark::take(folder.path()).err().unwrap().to_string();
        assert!(second.contains("another ebbmark runs"), "{second}");
        mark.touch(Moment(1_795_600_000_000));
        drop(mark);
        assert!(!is_kept(folder.path()));
        let again = Mark::take(folder.path()).unwrap();
        assert_eq!(again.last(), Some(Moment(1_795_600_000_000)));
    }
}
