//! `[backup]`: where copies of the database go, how often, and how many stay.

use std::path::{Path, PathBuf};

use ebbmark_core::keep::Keep;
use ebbmark_core::time::Span;
use serde::Deserialize;

#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct BackupConfig {
    /// No copies are made by themselves.
    pub off: bool,
    /// Where they go. Default: `backup` in the data folder, which is on the same disk. Any other folder
    /// is not made: what is not there may be a disk that is not plugged in.
    pub folder: Option<PathBuf>,
    /// Hours between two copies (1 to 720).
    pub every_hours: u32,
    /// How many days, weeks and months keep a copy (0 to 366 each).
    pub daily: u32,
    pub weekly: u32,
    pub monthly: u32,
    /// A program and its arguments, run after each copy with the copy's path as the last one.
    pub after: Vec<String>,
    /// Minutes that program may take (1 to 1440).
    pub after_minutes: u32,
}

impl Default for BackupConfig {
    fn default() -> Self {
        BackupConfig {
            off: false,
            folder: None,
            every_hours: 24,
            daily: 7,
            weekly: 5,
            monthly: 12,
            after: Vec::new(),
            after_minutes: 30,
        }
    }
}

impl BackupConfig {
    pub fn check(&self) -> Vec<String> {
        let mut problems = Vec::new();
        let mut within = |key: &str, value: u32, low: u32, high: u32| {
            if !(low..=high).contains(&value) {
                problems.push(format!(
                    "backup: {key} is {value}; it must lie between {low} and {high}"
                ));
            }
        };
        within("every-hours", self.every_hours, 1, 720);
        within("daily", self.daily, 0, 366);
        within("weekly", self.weekly, 0, 366);
        within("monthly", self.monthly, 0, 366);
        within("after-minutes", self.after_minutes, 1, 1440);
        let relative = |path: &Path| !path.is_absolute();
        if let Some(program) = self.after.first()
            && relative(Path::new(program))
        {
            problems.push(format!(
                "backup: after names \"{program}\"; give the whole path of the program, such as \"/usr/local/bin/take-away\""
            ));
        }
        if let Some(folder) = &self.folder
            && relative(folder)
        {
            problems.push(format!(
                "backup: folder is \"{}\"; give the whole path, such as \"/mnt/stick/ebbmark\"",
                folder.display()
            ));
        }
        problems
    }

    pub fn every(&self) -> Span {
        Span::hours(i64::from(self.every_hours))
    }

    pub fn keep(&self) -> Keep {
        Keep {
            daily: self.daily,
            weekly: self.weekly,
            monthly: self.monthly,
        }
    }
}
