//! Puts another database in the place of the one that is there, which is moved aside and kept.
//!
//! Several files have to change their names: the database, and the log of changes and its index that
//! belong to it and to no other. A power cut must not leave the one with the log of the other, nor
//! none at all. So the new one first gets a name that says what is meant ("next"); from then on
//! whoever opens the database finishes what was begun, from whichever step it stopped at.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use crate::backup::{file, sync_folder};
use crate::error::StoreError;

const COMING: &str = ".coming";
const NEXT: &str = ".next-";
const ASIDE: &str = ".aside-";

/// What may lie beside a database and belongs to it alone.
const WITH_IT: [&str; 4] = ["-shm", "-wal", "-journal", ""];

fn beside(database: &Path, suffix: &str) -> PathBuf {
    let mut name = OsString::from(database);
    name.push(suffix);
    name.into()
}

/// Where the one that is to come is made. What an earlier try left there is taken away.
///
/// # Errors
/// It cannot be.
pub fn coming(database: &Path) -> Result<PathBuf, StoreError> {
    let coming = coming_path(database);
    for suffix in WITH_IT {
        let path = beside(&coming, suffix);
        if path.exists() {
            fs::remove_file(&path).map_err(file(&path, "taken away"))?;
        }
    }
    Ok(coming)
}

/// The same place, as it is.
#[must_use]
pub fn coming_path(database: &Path) -> PathBuf {
    beside(database, COMING)
}

/// Puts what lies at [`coming`], whole and synced, in the place of the database. `day` becomes part
/// of the name of what was there; that is given back, if there was anything.
///
/// # Errors
/// A file cannot be renamed. What was begun is finished by [`settle`].
pub fn put(database: &Path, day: &str) -> Result<Option<PathBuf>, StoreError> {
    let coming = coming_path(database);
    let next = beside(database, &format!("{NEXT}{day}"));
    fs::rename(&coming, &next).map_err(file(&next, "written"))?;
    sync_folder(database)?;
    settle(database)
}

/// Finishes a change that was begun. Gives where the database that was there lies now.
///
/// # Errors
/// A file cannot be renamed.
pub fn settle(database: &Path) -> Result<Option<PathBuf>, StoreError> {
    let Some((next, day)) = begun(database)? else {
        return Ok(None);
    };
    let mut aside = beside(database, &format!("{ASIDE}{day}"));
    // Moved before this was broken off, or by another change in the same second.
    let mut number = 1;
    while beside(database, "").exists() && aside.exists() {
        number += 1;
        aside = beside(database, &format!("{ASIDE}{day}-{number}"));
    }
    for suffix in WITH_IT {
        let from = beside(database, suffix);
        if from.exists() {
            let to = beside(&aside, suffix);
            fs::rename(&from, &to).map_err(file(&to, "written"))?;
        }
    }
    sync_folder(database)?;
    fs::rename(&next, database).map_err(file(database, "written"))?;
    sync_folder(database)?;
    Ok(aside.exists().then_some(aside))
}

/// The next database, and the day in its name.
fn begun(database: &Path) -> Result<Option<(PathBuf, String)>, StoreError> {
    Ok(named(database, NEXT)?.into_iter().next())
}

/// Databases that were moved aside, by name.
///
/// # Errors
/// The folder cannot be read.
pub fn aside(database: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found: Vec<PathBuf> = named(database, ASIDE)?
        .into_iter()
        .filter(|(_, day)| !WITH_IT.iter().any(|s| !s.is_empty() && day.ends_with(s)))
        .map(|(path, _)| path)
        .collect();
    found.sort();
    Ok(found)
}

/// Files beside the database whose names go on so, and how they end.
fn named(database: &Path, with: &str) -> Result<Vec<(PathBuf, String)>, StoreError> {
    let folder = match database.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let prefix = format!(
        "{}{with}",
        database.file_name().unwrap_or_default().to_string_lossy()
    );
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(file(folder, "read")(e)),
    };
    let mut found = Vec::new();
    for entry in entries {
        let entry = entry.map_err(file(folder, "read"))?;
        let name = entry.file_name();
        if let Some(rest) = name.to_str().and_then(|n| n.strip_prefix(&prefix)) {
            found.push((entry.path(), rest.to_owned()));
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    const DAY: &str = "2026-11-26T093000Z";

    fn files(folder: &Path) -> BTreeMap<String, String> {
        fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().path())
            .map(|p| {
                let name = p.file_name().unwrap().to_str().unwrap().to_owned();
                (name, fs::read_to_string(p).unwrap())
            })
            .collect()
    }

    fn wanted() -> BTreeMap<String, String> {
        [
            ("db", "new"),
            ("db.aside-2026-11-26T093000Z", "old"),
            ("db.aside-2026-11-26T093000Z-shm", "old index"),
            ("db.aside-2026-11-26T093000Z-wal", "old log"),
        ]
        .map(|(name, text)| (name.to_owned(), text.to_owned()))
        .into()
    }

    /// Broken off after any number of its steps, it is finished by the next who opens.
    #[test]
    fn broken_off_anywhere_it_ends_the_same() {
        let steps = [("db-shm", "-shm"), ("db-wal", "-wal"), ("db", "")];
        for done in 0..=steps.len() {
            let folder = tempfile::tempdir().unwrap();
            let at = |name: &str| folder.path().join(name);
            fs::write(at("db"), "old").unwrap();
            fs::write(at("db-wal"), "old log").unwrap();
            fs::write(at("db-shm"), "old index").unwrap();
            fs::write(at(&format!("db.next-{DAY}")), "new").unwrap();
            for (name, suffix) in &steps[..done] {
                fs::rename(at(name), at(&format!("db.aside-{DAY}{suffix}"))).unwrap();
            }
            let aside = settle(&at("db")).unwrap();
            assert_eq!(aside, Some(at(&format!("db.aside-{DAY}"))));
            assert_eq!(files(folder.path()), wanted(), "after {done} steps");
            assert_eq!(settle(&at("db")).unwrap(), None);
            assert_eq!(files(folder.path()), wanted());
        }
    }

    #[test]
    fn what_was_moved_aside_before_stays() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        for text in ["first", "second", "third"] {
            fs::write(coming(&at("db")).unwrap(), text).unwrap();
            put(&at("db"), DAY).unwrap();
        }
        let there = files(folder.path());
        let texts: Vec<&str> = there.values().map(String::as_str).collect();
        assert_eq!(texts, ["third", "first", "second"], "{there:?}");
        assert_eq!(aside(&at("db")).unwrap().len(), 2);
    }
}
