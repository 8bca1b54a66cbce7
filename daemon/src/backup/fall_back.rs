//! A database that cannot be read at the start: the daemon goes on from the latest good copy, with
//! what can still be read from the damaged one, and says so. Nothing is moved before there is a whole
//! and sound database to put in its place; without a good copy nothing is touched at all.

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Result, bail};
use ebbmark_core::notice::{Call, NoticeKind};
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_store::backup::{self, GoOn};
use ebbmark_store::condition::{Condition, condition};
use ebbmark_store::rescue::{Rescued, rescue};
use ebbmark_store::{StoreError, swap};

use super::folder::{self, Copy};
use super::restore::hand_over;
use crate::config::Config;

/// How long looking may take: at every start, and after a run that ended on a damaged database.
const LOOK: Duration = Duration::from_secs(60);
const LOOK_LONG: Duration = Duration::from_secs(30 * 60);
/// Left by such a run.
const DOUBTED: &str = "doubted";

const ON: GoOn<'static> = &|| true;

/// What came of a database that was damaged.
#[derive(Clone, Debug)]
pub struct FellBack {
    what: String,
    copy: Moment,
    aside: PathBuf,
    rescued: Rescued,
}

/// Sees to it that there is a database that can be opened, if there was one.
///
/// # Errors
/// It is damaged and there is no good copy, or it is gone though there are copies; the text names the
/// remedy.
pub fn ready(config: &Config, now: Moment) -> Result<Option<FellBack>> {
    let database = config.database();
    let doubted = config.data_folder().join(DOUBTED);
    swap::settle(&database)?;
    let copies = folder::copies(&config.backup_folder()).unwrap_or_default();
    let patience = if doubted.exists() { LOOK_LONG } else { LOOK };
    let what = match (condition(&database, patience)?, copies.first()) {
        (Condition::Damaged(what), _) => what,
        (Condition::Empty, Some(_)) => "the file is empty".to_owned(),
        (Condition::Missing, Some(newest)) => bail!(
            "there is no database in {}, but there are copies of one in {}. If its disk is not mounted, mount it. To go on from a copy: ebbmark restore {} (with the same --config). To begin a new cellar, move the copies away first",
            config.data_folder().display(),
            config.backup_folder().display(),
            newest.path.display()
        ),
        (Condition::Sound | Condition::Empty | Condition::Missing, _) => {
            forget(&doubted);
            return Ok(None);
        }
    };
    tracing::error!("the database {} is damaged: {what}", database.display());
    let Some((copy, rescued)) = replacement(&database, &folder::by_trust(&copies, now))? else {
        bail!(
            "the database {} is damaged ({what}) and there is no good copy of it in {}. Nothing was touched. First copy the whole data folder; then, with a copy from elsewhere: ebbmark restore FILE (with the same --config). Without one sqlite3's .recover saves what can be read",
            database.display(),
            config.backup_folder().display()
        );
    };
    hand_over(&swap::coming_path(&database), &config.data_folder());
    let aside = swap::put(&database, &folder::day(now))?;
    forget(&doubted);
    let fell_back = FellBack {
        what,
        copy: copy.at,
        // Emptied by a power cut and gone: then there is nothing to keep.
        aside: aside.unwrap_or(database),
        rescued,
    };
    tracing::error!(
        "going on from the copy {}; {}; the damaged one is kept in {}",
        copy.path.display(),
        fell_back.came_over(),
        fell_back.aside.display()
    );
    Ok(Some(fell_back))
}

/// The next start looks longer. Called when a run ends on a damaged database.
pub fn doubt(config: &Config) {
    let path = config.data_folder().join(DOUBTED);
    if let Err(e) = std::fs::write(&path, "") {
        tracing::warn!("{} cannot be written: {e}", path.display());
    }
}

fn forget(doubted: &Path) {
    if doubted.exists()
        && let Err(e) = std::fs::remove_file(doubted)
    {
        tracing::warn!("{} cannot be taken away: {e}", doubted.display());
    }
}

/// Makes the next database from the newest copy that is good, and what can be read of the damaged one.
fn replacement<'a>(
    database: &Path,
    copies: &[&'a Copy],
) -> Result<Option<(&'a Copy, Rescued)>, StoreError> {
    for &copy in copies {
        let coming = swap::coming(database)?;
        if let Err(e) = backup::make(&copy.path, &coming, ON) {
            if matches!(e, StoreError::File { .. }) {
                // No room, for instance: an older copy would fare no better.
                return Err(e);
            }
            tracing::warn!("this copy is not good: {e}");
            continue;
        }
        let looked = rescue(database, &coming)
            .and_then(|rescued| backup::look_through(&coming, ON).map(|_| rescued));
        let rescued = match looked {
            Ok(rescued) => rescued,
            Err(e) => {
                tracing::warn!("nothing can be taken over from the damaged database: {e}");
                let coming = swap::coming(database)?;
                backup::make(&copy.path, &coming, ON)?;
                Rescued {
                    damaged: vec!["all of it".to_owned()],
                    ..Rescued::default()
                }
            }
        };
        return Ok(Some((copy, rescued)));
    }
    Ok(None)
}

impl FellBack {
    fn came_over(&self) -> String {
        let Rescued {
            payloads,
            readings,
            lines,
            payloads_lost,
            damaged,
        } = &self.rescued;
        let mut text = format!(
            "{readings} readings, {payloads} messages and {lines} lines of the log that are newer than it could be read from the damaged one and were taken over"
        );
        if *payloads_lost > 0 {
            text += &format!("; at most {payloads_lost} messages could not");
        }
        if !damaged.is_empty() {
            text += &format!("; not all could be read of: {}", damaged.join(", "));
        }
        text
    }

    /// What the maker is told, and the key it is told under.
    pub fn call(&self, now: Moment, style: &Style) -> (String, Call) {
        let key = format!(
            "database:{}",
            self.aside.file_name().unwrap_or_default().to_string_lossy()
        );
        let call = Call {
            kind: NoticeKind::Database,
            title: "The database was damaged; Ebbmark went on from a copy".to_owned(),
            body: format!(
                "{}. It goes on from the backup of {}; {}. Look through the last days of each vessel, and enter again what is missing. The damaged file is kept in {}. Then find out why: a dying card, or power cut off from a disk that does not keep its word.",
                self.what,
                show::day_and_time(self.copy, now, style),
                self.came_over(),
                self.aside.display()
            ),
        };
        (key, call)
    }
}
