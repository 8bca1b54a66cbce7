//! The folder with the copies: each has the time it was made in its name, so that neither copying
//! them elsewhere nor a clock that is wrong for a while makes one look newer than it is.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use ebbmark_core::time::Moment;
use ebbmark_store::backup;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

const BEFORE: &str = "ebbmark-";
const AFTER: &str = ".sqlite3";
/// In UTC. Without colons, which sticks formatted for other systems do not take.
const FORM: &str = "%Y-%m-%dT%H%M%SZ";

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Copy {
    pub at: Moment,
    pub path: PathBuf,
    pub bytes: u64,
}

pub fn name(at: Moment) -> String {
    format!("{BEFORE}{}{AFTER}", day(at))
}

/// An instant as it stands in the name of a file.
pub fn day(at: Moment) -> String {
    let time = at.timestamp().unwrap_or_default();
    time.strftime(FORM).to_string()
}

fn time(name: &str) -> Option<Moment> {
    let text = name.strip_prefix(BEFORE)?.strip_suffix(AFTER)?;
    let time = DateTime::strptime(FORM, text).ok()?;
    let zoned = time.to_zoned_datetime(TimeZone::UTC).ok()?;
    Some(Moment(zoned.timestamp().as_millisecond()))
}

/// The copies in a folder, the newest first. Whatever else lies there is not ours.
pub fn copies(folder: &Path) -> io::Result<Vec<Copy>> {
    let mut copies = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let Some(at) = entry.file_name().to_str().and_then(time) else {
            continue;
        };
        copies.push(Copy {
            at,
            path: entry.path(),
            bytes: entry.metadata()?.len(),
        });
    }
    copies.sort_by_key(|copy| std::cmp::Reverse(copy.at));
    Ok(copies)
}

/// The copies by how new what is in them is, as far as the clock tells: one dated in the future was made
/// while the clock ran ahead, and nobody knows when.
pub fn by_trust(copies: &[Copy], now: Moment) -> Vec<&Copy> {
    let (past, ahead): (Vec<_>, Vec<_>) = copies.iter().partition(|copy| copy.at <= now);
    past.into_iter().chain(ahead).collect()
}

/// Takes away what copies that were not finished left behind.
pub fn clear_unfinished(folder: &Path) -> io::Result<usize> {
    backup::clear_unfinished(folder, &|name| time(name).is_some())
}

/// Whether both lie on one disk, and so are lost together. `None` when it cannot be told.
pub fn same_disk(a: &Path, b: &Path) -> Option<bool> {
    Some(fs::metadata(a).ok()?.dev() == fs::metadata(b).ok()?.dev())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_tells_its_time_and_others_are_left_out() {
        let at = Moment::parse_rfc3339("2026-11-26T09:30:05Z").unwrap();
        assert_eq!(name(at), "ebbmark-2026-11-26T093005Z.sqlite3");
        assert_eq!(time(&name(at)), Some(at));
        let folder = tempfile::tempdir().unwrap();
        for other in [
            "ebbmark-2026-11-26T093005Z.sqlite3.part",
            "ebbmark-2026-11-26T093005Z.sqlite3-wal",
            "ebbmark-before-the-move.sqlite3",
            "ebbmark.sqlite3",
            &name(at),
            &name(Moment(at.0 + 1000)),
        ] {
            fs::write(folder.path().join(other), "x").unwrap();
        }
        let times: Vec<i64> = copies(folder.path())
            .unwrap()
            .iter()
            .map(|c| c.at.0 - at.0)
            .collect();
        assert_eq!(times, [1000, 0]);
        let all = copies(folder.path()).unwrap();
        let first = |now| by_trust(&all, now)[0].at;
        assert_eq!(first(at), at);
        assert_eq!(first(Moment(at.0 + 1000)), Moment(at.0 + 1000));
        // A clock without a battery knows of none.
        assert_eq!(first(Moment(0)), Moment(at.0 + 1000));
    }
}
