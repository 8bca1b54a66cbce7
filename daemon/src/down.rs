//! Signs of life, and what is said after there were none for a while.

use std::time::{Duration, Instant};

use ebbmark_core::notice::{self, NoticeKind};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Command, NewNotice};
use ebbmark_store::{Reader, StoreError, Writer};
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::mark::Mark;
use crate::notify;

/// Between signs of life; while the clock cannot be believed it is asked this often as well.
const EVERY: Duration = Duration::from_secs(60);
const ASK_CLOCK: Duration = Duration::from_secs(2);

pub struct Living {
    pub mark: Mark,
    pub clock: Clock,
    pub writer: Writer,
    pub reader: Reader,
    pub zone: TimeZone,
    /// Ways out there are.
    pub channels: Vec<String>,
    /// No longer than this is no news.
    pub longest: Span,
}

impl Living {
    /// Leaves signs of life until `shutdown`; tells first how long there were none.
    ///
    /// # Errors
    /// The store's writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<(), StoreError> {
        let started = Instant::now();
        // Neither a sign nor a span can be dated before.
        while !self.clock.is_believable() {
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                () = tokio::time::sleep(ASK_CLOCK) => {}
            }
        }
        let waited = Span(i64::try_from(started.elapsed().as_millis()).unwrap_or(i64::MAX));
        let back = self.clock.now() - waited;
        if let Some(last) = self.mark.last() {
            self.tell(last, back).await?;
        }
        loop {
            self.mark.touch(self.clock.now());
            tokio::select! {
                () = shutdown.cancelled() => {
                    self.mark.touch(self.clock.now());
                    return Ok(());
                }
                () = tokio::time::sleep(EVERY) => {}
            }
        }
    }

    async fn tell(&self, last: Moment, back: Moment) -> Result<(), StoreError> {
        let (zone, units) = self.reader.zone_and_units(&self.zone)?;
        let style = Style { units, zone: &zone };
        let Some(call) = notice::on_return(last, back, self.longest, &style) else {
            return Ok(());
        };
        let key = format!("{}:{}", call.kind.key(), last.0);
        let notice = NewNotice {
            kind: call.kind,
            key: key.clone(),
            vessel: None,
            at: back,
            title: call.title,
            body: call.body,
            pressing: false,
            channels: notify::wanted(&self.reader, &self.channels, NoticeKind::WasDown, None)?,
        };
        self.writer.command(Command::Notify(vec![notice])).await?;
        // It is over already: the next time down is a condition of its own.
        self.writer
            .command(Command::Clear { key, at: back })
            .await?;
        Ok(())
    }
}
