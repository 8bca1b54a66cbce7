//! `ebbmark restore`: a copy becomes the cellar's database; what was there is moved aside, whole.

use std::os::unix::fs::{MetadataExt, chown};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::Args;
use ebbmark_core::time::Moment;
use ebbmark_store::{backup, swap};

use super::folder;
use crate::config::Config;
use crate::mark::Mark;

/// Put a copy in the place of the cellar's database, which is moved aside.
#[derive(Args, Debug)]
pub struct RestoreArgs {
    /// The copy.
    file: PathBuf,
}

/// # Errors
/// A daemon runs, or the copy is not good; nothing was changed then.
pub fn run(config: &Config, args: &RestoreArgs, now: Moment) -> Result<()> {
    let (data, database) = (config.make_data_folder()?, config.database());
    let same = |a: &Path, b: &Path| {
        a.canonicalize()
            .ok()
            .is_some_and(|a| Some(a) == b.canonicalize().ok())
    };
    if same(&args.file, &database) {
        bail!(
            "{} is the cellar's database itself; name a copy",
            database.display()
        );
    }
    let _mark = Mark::take(&data).context("nothing was changed")?;
    swap::settle(&database)?;
    let coming = swap::coming(&database)?;
    backup::make(&args.file, &coming, &|| true).context("nothing was changed")?;
    hand_over(&coming, &data);
    let aside = swap::put(&database, &folder::day(now))?;
    println!("{} is the cellar's database now.", args.file.display());
    if let Some(aside) = aside {
        println!(
            "What was there is in {}; take it away once you do not need it any more.",
            aside.display()
        );
    }
    println!("Start the daemon again: systemctl start ebbmark, or ebbmark run.");
    Ok(())
}

/// Root may put it back, but the daemon has to write it.
pub fn hand_over(database: &Path, data: &Path) {
    let (Ok(ours), Ok(theirs)) = (std::fs::metadata(database), std::fs::metadata(data)) else {
        return;
    };
    if (ours.uid(), ours.gid()) != (theirs.uid(), theirs.gid())
        && let Err(e) = chown(database, Some(theirs.uid()), Some(theirs.gid()))
    {
        tracing::warn!(
            "{} cannot be given to the owner of its folder: {e}",
            database.display()
        );
    }
}
