//! The way back from an upgrade: before the database is brought to a newer schema a copy of it as it was
//! is kept, which the program of then can read; and an older program that meets a newer database names
//! the copy to go on from. These copies have names of their own, so that no thinning out takes them away.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Error, Result};
use ebbmark_store::backup::{self, GoOn};
use ebbmark_store::{Reader, SCHEMA, StoreError, Writer, schema};

use super::{folder, ready_folder, room};
use crate::config::Config;

const BEFORE: &str = "ebbmark-schema-";
const AFTER: &str = ".sqlite3";

/// So many of the copies stay. Two: a power cut between two steps of one upgrade leaves a schema in
/// between, of which the next start makes a copy as well.
const STAY: usize = 2;

/// The ending of a copy that is about to be replaced.
const EARLIER: &str = "earlier";

const ON: GoOn<'static> = &|| true;

fn name(schema: i64) -> String {
    format!("{BEFORE}{schema}{AFTER}")
}

fn schema_in(name: &str) -> Option<i64> {
    let digits = name.strip_prefix(BEFORE)?.strip_suffix(AFTER)?;
    digits.parse().ok()
}

/// Opens the database for writing, whoever asks for it: what it was is kept first if that changes its schema.
///
/// # Errors
/// It does not open; of one that is too new the way back is told.
pub fn open(config: &Config) -> Result<(Writer, Reader)> {
    keep(config)
        .and_then(|()| {
            let opened = ebbmark_store::open(&config.database(), config.store.options())?;
            Ok(opened)
        })
        .map_err(|error| with_the_way_back(config, error))
}

/// Copies the database if opening it will change its schema. No copy is no reason not to go on: the
/// cellar has to be watched.
fn keep(config: &Config) -> Result<()> {
    let found = schema(&config.database())?;
    if found == 0 || found == SCHEMA {
        return Ok(());
    }
    if config.backup.off {
        tracing::warn!(
            "the database is brought from schema {found} to {SCHEMA}; backups are turned off, so there is no copy to go back to an older program with"
        );
        return Ok(());
    }
    match copy(config, found) {
        Ok(path) => tracing::info!(
            "the database is brought from schema {found} to {SCHEMA}; as it was it is kept in {}",
            path.display()
        ),
        Err(e) => tracing::warn!(
            "the database is brought from schema {found} to {SCHEMA} without a copy of what it was: {e:#}"
        ),
    }
    Ok(())
}

fn copy(config: &Config, found: i64) -> Result<PathBuf> {
    let folder = ready_folder(config)?;
    room(&config.database(), &folder)?;
    let path = folder.join(name(found));
    // Of an earlier upgrade from the same schema, which was gone back on. It stays until there is another.
    let earlier = path.with_extension(EARLIER);
    if path.exists() {
        fs::rename(&path, &earlier).with_context(|| format!("{} is in the way", path.display()))?;
    }
    if let Err(e) = backup::make(&config.database(), &path, ON) {
        if earlier.exists() {
            fs::rename(&earlier, &path)?;
        }
        return Err(e.into());
    }
    if earlier.exists() {
        fs::remove_file(&earlier)?;
    }
    let others = kept(&folder).into_iter().filter(|old| *old != path);
    for old in others.skip(STAY - 1) {
        if let Err(e) = fs::remove_file(&old) {
            tracing::warn!("{} cannot be taken away: {e}", old.display());
        }
    }
    Ok(path)
}

/// Copies made before upgrades, of the newest schema first.
fn kept(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut kept: Vec<(i64, PathBuf)> = entries
        .filter_map(|entry| {
            let entry = entry.ok()?;
            Some((schema_in(entry.file_name().to_str()?)?, entry.path()))
        })
        .collect();
    kept.sort_by_key(|(schema, _)| std::cmp::Reverse(*schema));
    kept.into_iter().map(|(_, path)| path).collect()
}

/// Says with "the database is too new" which copy this program can go on from.
pub fn with_the_way_back(config: &Config, error: Error) -> Error {
    if !matches!(
        error.downcast_ref::<StoreError>(),
        Some(StoreError::TooNew { .. })
    ) {
        return error;
    }
    let folder = config.backup_folder();
    let by_day = folder::copies(&folder).unwrap_or_default();
    let copies = kept(&folder)
        .into_iter()
        .chain(by_day.into_iter().map(|copy| copy.path));
    // One this program does not know the schema of is refused likewise.
    let readable = |path: &PathBuf| schema(path).is_ok_and(|found| found > 0);
    let Some(copy) = copies.into_iter().find(readable) else {
        return error.context(format!(
            "in {} there is no copy that this program reads",
            folder.display()
        ));
    };
    Error::msg(format!(
        "{error}. To go on with this program from how it was before: ebbmark restore {} (with the same --config); what came since is not in it, and stays in the newer database, which is moved aside",
        copy.display()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A maker who went back to an old copy and comes up again keeps the copy of what he came up from.
    #[test]
    fn the_copy_just_made_stays_and_one_other() {
        let folder = tempfile::tempdir().unwrap();
        let config = Config {
            data_folder: Some(folder.path().to_owned()),
            ..Config::default()
        };
        drop(ebbmark_store::open(&config.database(), config.store.options()).unwrap());
        let copies = config.backup_folder();
        fs::create_dir_all(&copies).unwrap();
        for schema in [9, 10] {
            fs::write(copies.join(name(schema)), "an invented copy").unwrap();
        }
        for _ in 0..2 {
            let made = copy(&config, 8).unwrap();
            assert_eq!(made, copies.join(name(8)));
            assert_eq!(kept(&copies), [copies.join(name(10)), made]);
        }
        assert_eq!(fs::read_dir(&copies).unwrap().count(), 2);
    }
}
