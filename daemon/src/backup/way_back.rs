//! A database of a newer program is refused; this names the copy an older one can go back to.

use anyhow::Error;
use ebbmark_core::time::Moment;
use ebbmark_store::StoreError;

use super::folder;
use crate::config::Config;

/// The same error, of one that comes of a newer database with the way back.
pub fn with_way_back(error: Error, config: &Config, now: Moment) -> Error {
    if !matches!(error.downcast_ref(), Some(StoreError::TooNew { .. })) {
        return error;
    }
    let copies = folder::copies(&config.backup_folder()).unwrap_or_default();
    let opens = |copy: &&folder::Copy| {
        // An older one is brought up to date when it is restored.
        matches!(
            ebbmark_store::read(&copy.path),
            Ok(_) | Err(StoreError::TooOld { .. })
        )
    };
    let way = match folder::by_trust(&copies, now).into_iter().find(opens) {
        Some(copy) => format!(
            "The newest copy this program can open is {}. To go back to it: ebbmark restore {} (with the same --config); what came since then stays in the database of today, which is moved aside",
            folder::day(copy.at),
            copy.path.display()
        ),
        None => format!(
            "There is no copy in {} that this program can open, so only the newer program goes on",
            config.backup_folder().display()
        ),
    };
    Error::msg(format!("{error:#}. {way}"))
}
