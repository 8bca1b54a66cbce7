//! Watches whether what comes in can be kept: a full disk, one that was mounted read-only, a file that
//! is damaged. Nothing is acknowledged meanwhile, so that senders send again; the page goes on being
//! read and says so; and it heals by itself once the cause is gone.

use std::time::Duration;

use anyhow::{Result, bail};
use ebbmark_core::notice::{Call, NoticeKind};
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_store::model::Command;
use ebbmark_store::writer::{Trouble, Troubles};
use ebbmark_store::{Reader, StoreError, Writer};
use ebbmark_web::StatusLine;
use jiff::tz::TimeZone;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::notify;

/// Between tries whether it can be written again: feeds may be quiet for hours.
const TRY: Duration = Duration::from_secs(5);

/// When it was last tried.
const TRIED: &str = "storing-tried";

const KEY: &str = "database:not-written";

pub struct Storing {
    pub writer: Writer,
    pub reader: Reader,
    pub clock: Clock,
    pub zone: TimeZone,
    pub channels: Vec<String>,
}

/// For the page: nothing while all is well.
pub fn status(troubles: Troubles) -> Box<dyn Fn() -> Option<StatusLine> + Send + Sync> {
    Box::new(move || {
        let trouble = troubles.borrow().clone()?;
        Some(StatusLine {
            name: "database".to_owned(),
            says: format!(
                "nothing can be written: {}; what comes in is not acknowledged and has to be sent again",
                trouble.why
            ),
            troubled: true,
            refused: Vec::new(),
        })
    })
}

impl Storing {
    /// Runs until `shutdown`.
    ///
    /// # Errors
    /// The database is damaged: only another start mends that. Or its writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<()> {
        let mut troubles = self.writer.troubles();
        let mut began: Option<(Moment, String)> = None;
        let mut next = Instant::now();
        loop {
            let trouble = troubles.borrow_and_update().clone();
            match trouble {
                Some(Trouble { why, damaged: true }) => {
                    bail!("the database is damaged: {why}; the next start sees what can be done")
                }
                Some(Trouble { why, .. }) if began.is_none() => {
                    tracing::error!(
                        "nothing can be written: {why}; nothing is acknowledged until it can"
                    );
                    began = Some((self.clock.now(), why));
                    next = Instant::now() + TRY;
                }
                _ => {}
            }
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                changed = troubles.changed() => if changed.is_err() {
                    return Err(StoreError::WriterGone.into());
                },
                // Never sooner, whatever changes: a disk that is all but full takes one thing and not the next.
                () = tokio::time::sleep_until(next), if began.is_some() => {
                    if let Some((since, why)) = &began && self.is_over(*since, why).await? {
                        tracing::info!("the database is written again");
                        began = None;
                    }
                    next = Instant::now() + TRY;
                }
            }
        }
    }

    /// Whether a word is kept, and the notice of it too: where only a small word fits it is not over.
    async fn is_over(&self, since: Moment, why: &str) -> Result<bool, StoreError> {
        self.attempt().await?;
        if self.writer.troubles().borrow().is_some() {
            return Ok(false);
        }
        self.tell(since, why).await
    }

    /// Writes a word: its commit is the answer.
    async fn attempt(&self) -> Result<(), StoreError> {
        let word = Command::SetSetting {
            key: TRIED.to_owned(),
            value: Some(self.clock.now().to_rfc3339()),
        };
        match self.writer.command(word).await {
            Err(StoreError::WriterGone) => Err(StoreError::WriterGone),
            // The writer has said so by itself.
            _ => Ok(()),
        }
    }

    /// Whether that could be kept.
    async fn tell(&self, since: Moment, why: &str) -> Result<bool, StoreError> {
        let (zone, units) = self.reader.zone_and_units(&self.zone)?;
        let now = self.clock.now();
        let style = Style { units, zone: &zone };
        let key = format!("{KEY}:{}", since.0);
        let call = Call {
            kind: NoticeKind::Database,
            title: "For a while nothing could be written".to_owned(),
            body: format!(
                "From {} to {}: {why}. What was acknowledged is kept; what was not, senders that keep \
                 their messages have sent again or will. See to the disk of the data folder; a look \
                 round tells how it is now.",
                show::day_and_time(since, now, &style),
                show::day_and_time(now, now, &style)
            ),
        };
        told_and_over(&self.writer, &self.reader, call, key, now, &self.channels).await
    }
}

/// A notice of something that is over already: the next time is a condition of its own. One that cannot
/// be written is in the log at least; whether it could.
pub async fn told_and_over(
    writer: &Writer,
    reader: &Reader,
    call: Call,
    key: String,
    at: Moment,
    channels: &[String],
) -> Result<bool, StoreError> {
    let notice = notify::notice(reader, channels, call, key.clone(), None, at)?;
    for command in [Command::Notify(vec![notice]), Command::Clear { key, at }] {
        match writer.command(command).await {
            Err(StoreError::WriterGone) => return Err(StoreError::WriterGone),
            Err(e) => {
                tracing::warn!("a notice cannot be kept: {e}");
                return Ok(false);
            }
            Ok(_) => {}
        }
    }
    Ok(true)
}
