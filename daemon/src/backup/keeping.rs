//! The daemon's part: a copy whenever one is due, and a word when none comes about.

use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use ebbmark_core::notice::{Call, NoticeKind};
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::backup::GoOn;
use ebbmark_store::model::Command;
use ebbmark_store::{Reader, StoreError, Writer};
use jiff::tz::TimeZone;
use tokio::task::spawn_blocking;
use tokio_util::sync::CancellationToken;

use super::{Copy, folder, follow, make};
use crate::clock::Clock;
use crate::config::Config;
use crate::notify;

/// Between looks whether one is due. The folder is looked into only then.
const LOOK: Duration = Duration::from_secs(20);
/// After one that failed.
const AGAIN: Span = Span::hours(1);

/// What the notices stand for.
const NONE: &str = "backup:none";
const AFTER: &str = "backup:after";

pub struct Keeping {
    pub config: Arc<Config>,
    pub clock: Clock,
    pub writer: Writer,
    pub reader: Reader,
    pub zone: TimeZone,
    pub channels: Vec<String>,
}

impl Keeping {
    /// Makes copies until `shutdown`.
    ///
    /// # Errors
    /// The store's writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<(), StoreError> {
        let keeping = Arc::new(self);
        let mut next = None;
        loop {
            // A copy has its time in its name, so none is made without one.
            if keeping.clock.is_believable() && keeping.is_due(&mut next) {
                let (now, stop) = (keeping.clock.now(), shutdown.clone());
                let made = keeping.clone();
                let round = spawn_blocking(move || made.round(now, &|| !stop.is_cancelled()));
                match round.await {
                    Ok(Ok(at)) => next = Some(at),
                    Ok(Err(StoreError::WriterGone)) => return Err(StoreError::WriterGone),
                    Ok(Err(e)) => {
                        tracing::warn!("how the backup went cannot be kept: {e}");
                        next = Some(now + AGAIN);
                    }
                    Err(e) => {
                        tracing::error!("making a backup broke off: {e}");
                        next = Some(now + AGAIN);
                    }
                }
            }
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                () = tokio::time::sleep(LOOK) => {}
            }
        }
    }

    /// `next` is when to look again; a clock that was put back must not put off a copy for years.
    fn is_due(&self, next: &mut Option<Moment>) -> bool {
        let (now, every) = (self.clock.now(), self.config.backup.every());
        let to_come = |next: &Moment| (Span(1)..=every + AGAIN).contains(&next.since(now));
        if next.as_ref().is_some_and(to_come) {
            return false;
        }
        let last = folder::copies(&self.config.backup_folder())
            .ok()
            .and_then(|copies| copies.into_iter().find(|copy| copy.at <= now));
        let due = last.map_or(now, |copy| copy.at + every);
        *next = Some(due);
        due <= now
    }

    /// Makes a copy and tells what went wrong, or no longer does. Gives when to do it again.
    fn round(&self, now: Moment, go_on: GoOn<'_>) -> Result<Moment, StoreError> {
        let copy = match make(&self.config, now, go_on) {
            Ok(copy) => copy,
            Err(_) if !go_on() => return Ok(now),
            Err(e) => {
                tracing::warn!("no backup was made: {e:#}");
                self.tell(NONE, now, |style| self.none(&e, now, style))?;
                return Ok(now + AGAIN);
            }
        };
        tracing::info!(
            "a backup of {} is in {}",
            show::bytes(copy.bytes),
            copy.path.display()
        );
        self.clear(NONE, now)?;
        match follow(&self.config, &copy, go_on) {
            Ok(()) => self.clear(AFTER, now)?,
            Err(_) if !go_on() => {}
            Err(e) => {
                tracing::warn!("what should follow a backup failed: {e:#}");
                self.tell(AFTER, now, |_| not_followed(&copy, &e))?;
            }
        }
        Ok(now + self.config.backup.every())
    }

    /// Once, as long as it stays so: the store queues nothing while a notice with the key is open.
    fn tell(
        &self,
        key: &str,
        at: Moment,
        call: impl FnOnce(&Style) -> Call,
    ) -> Result<(), StoreError> {
        let (zone, units) = self.reader.zone_and_units(&self.zone)?;
        let call = call(&Style { units, zone: &zone });
        let key = key.to_owned();
        let notice = notify::notice(&self.reader, &self.channels, call, key, None, at)?;
        self.writer
            .command_blocking(Command::Notify(vec![notice]))
            .map(|_| ())
    }

    fn clear(&self, key: &str, at: Moment) -> Result<(), StoreError> {
        if !self.reader.open_notice_keys()?.iter().any(|k| k == key) {
            return Ok(());
        }
        let key = key.to_owned();
        self.writer
            .command_blocking(Command::Clear { key, at })
            .map(|_| ())
    }

    fn none(&self, e: &anyhow::Error, now: Moment, style: &Style) -> Call {
        let last = folder::copies(&self.config.backup_folder())
            .ok()
            .and_then(|copies| folder::by_trust(&copies, now).first().map(|copy| copy.at));
        let last = match last {
            Some(at) => format!("The last one is of {}.", show::day_and_time(at, now, style)),
            None => "There is none yet.".to_owned(),
        };
        Call {
            kind: NoticeKind::Backup,
            title: "No backup could be made".to_owned(),
            body: format!(
                "{e:#}. {last} It is tried again every hour; `ebbmark backup` tries it now and says \
                 what is wrong."
            ),
        }
    }
}

fn not_followed(copy: &Copy, e: &anyhow::Error) -> Call {
    Call {
        kind: NoticeKind::Backup,
        title: "A backup was made, but not carried on".to_owned(),
        body: format!(
            "The copy is good and lies in {}. What should follow it under [backup] after failed: {e:#}.",
            copy.path.display()
        ),
    }
}
