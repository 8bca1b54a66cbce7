//! Copies of the database, made by themselves day by day or with `ebbmark backup`; which of them
//! stay is [`ebbmark_core::keep`]'s to say, how one is made is [`ebbmark_store::backup`]'s.

pub(crate) mod after;
pub mod config;
pub mod fall_back;
pub(crate) mod folder;
mod keeping;
pub mod restore;
pub mod way_back;

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use clap::Args;
use ebbmark_core::keep::kept;
use ebbmark_core::show;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::backup::{self, GoOn};

pub use config::BackupConfig;
pub use folder::Copy;
pub use keeping::Keeping;
pub use restore::RestoreArgs;

use crate::config::Config;

/// Make a copy of the cellar's database now, also while the daemon runs.
#[derive(Args, Debug)]
pub struct BackupArgs {
    /// The file to make. Default: one with the time in its name, in the folder of the backups, where
    /// old ones are then thinned out and the program under [backup] after is run.
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
}

/// A copy on the data's own disk must not be what fills it up.
const LEFT_FREE: u64 = 100 << 20;

/// # Errors
/// No copy was made, or what follows one failed.
pub fn run(config: &Config, args: &BackupArgs, now: Moment) -> Result<()> {
    let go_on: GoOn = &|| true;
    let copy = match &args.to {
        Some(file) => {
            let good = backup::make(&config.database(), file, go_on)?;
            Copy {
                at: now,
                path: file.clone(),
                bytes: good.bytes,
            }
        }
        None => make(config, now, go_on)?,
    };
    println!(
        "A good copy of {} is in {}.",
        show::bytes(copy.bytes),
        copy.path.display()
    );
    if args.to.is_none() {
        follow(config, &copy, go_on)?;
    }
    Ok(())
}

/// Makes a copy in the folder of the backups and thins out the old ones.
///
/// # Errors
/// None was made; the text names the remedy.
pub fn make(config: &Config, now: Moment, go_on: GoOn<'_>) -> Result<Copy> {
    let folder = ready_folder(config)?;
    if let Err(e) = folder::clear_unfinished(&folder) {
        tracing::warn!("left-overs in {} stay there: {e}", folder.display());
    }
    room(&config.database(), &folder)?;
    let (at, path) = free_name(&folder, now);
    let good = backup::make(&config.database(), &path, go_on)?;
    let made = Copy {
        at,
        path,
        bytes: good.bytes,
    };
    thin_out(config, &folder, &made);
    Ok(made)
}

/// The daemon and a maker may both make one in the same second.
fn free_name(folder: &Path, now: Moment) -> (Moment, PathBuf) {
    let mut at = now;
    loop {
        let path = folder.join(folder::name(at));
        if !path.exists() && !backup::part_of(&path).exists() {
            return (at, path);
        }
        at = at + Span::seconds(1);
    }
}

/// Runs the program that is to follow a copy.
///
/// # Errors
/// It failed; in its words.
pub fn follow(config: &Config, copy: &Copy, go_on: GoOn<'_>) -> Result<()> {
    let limit = Duration::from_secs(u64::from(config.backup.after_minutes) * 60);
    after::run(&config.backup.after, &copy.path, limit, go_on).map_err(|e| anyhow!(e))
}

fn ready_folder(config: &Config) -> Result<PathBuf> {
    let folder = config.backup_folder();
    if config.backup.folder.is_none() && config.data_folder().is_dir() {
        std::fs::create_dir_all(&folder)
            .with_context(|| format!("the folder {} cannot be made", folder.display()))?;
        // Root may be the first to ask for a copy; the daemon makes the next ones.
        restore::hand_over(&folder, &config.data_folder());
    }
    if !folder.is_dir() {
        bail!(
            "the folder {} for backups is not there; plug in and mount its disk, or make the folder and give it to the daemon's user, or name another under [backup] folder",
            folder.display()
        );
    }
    Ok(folder)
}

fn room(database: &Path, folder: &Path) -> Result<()> {
    let size = |path: &Path| std::fs::metadata(path).map_or(0, |m| m.len());
    let disk = rustix::fs::statvfs(folder)
        .with_context(|| format!("the disk of {} does not answer", folder.display()))?;
    let free = disk.f_bavail.saturating_mul(disk.f_frsize);
    let wanted = size(database).saturating_add(LEFT_FREE);
    if free < wanted {
        bail!(
            "{} are free where {} lies, and a copy should find {}; make room there, keep fewer copies ([backup] daily, weekly, monthly), or name a folder on another disk",
            show::bytes(free),
            folder.display(),
            show::bytes(wanted)
        );
    }
    Ok(())
}

/// Only after a new copy was found good; that one stays, whatever the others' names say.
fn thin_out(config: &Config, folder: &Path, made: &Copy) {
    let copies = match folder::copies(folder) {
        Ok(copies) => copies,
        Err(e) => {
            tracing::warn!(
                "old copies in {} are not thinned out: {e}",
                folder.display()
            );
            return;
        }
    };
    let times: Vec<Moment> = copies.iter().map(|copy| copy.at).collect();
    let stay = kept(&times, config.backup.keep());
    for copy in copies {
        if stay.contains(&copy.at) || copy.path == made.path {
            continue;
        }
        match std::fs::remove_file(&copy.path) {
            Ok(()) => tracing::debug!("{} has served its time", copy.path.display()),
            Err(e) => tracing::warn!("{} cannot be taken away: {e}", copy.path.display()),
        }
    }
}
